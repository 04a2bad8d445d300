/* Temperature, Hall probe and vibration from the converter (protocol, section 8). */
#ifndef TELEMETRY_H
#define TELEMETRY_H
#include <stdint.h>

void telemetry_init(void);

/* Starts one conversion; called every ms. */
void telemetry_sample(void);

void telemetry_every(uint16_t ms); /* 0: no more */
void telemetry_ask(void);          /* one line, soon */
void telemetry_run(void);          /* from the main loop: says what is due */

#endif
