/* A line to the host, word by word; the check is reckoned on the way (protocol, section 4). */
#ifndef REPORT_H
#define REPORT_H
#include <avr/pgmspace.h>
#include <stdint.h>

void report_begin(const char *tag); /* in flash: PSTR("ok") */
void report_flag(const char *text); /* in flash */
void report_word(char letter, int32_t value);
void report_thousandths(char letter, int32_t value);
void report_end(void);

#endif
