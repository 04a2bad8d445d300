/* Timer 1 runs free at 2 MHz: channel A is the step generator's, channel B ticks every ms. */
#ifndef CLOCK_H
#define CLOCK_H
#include <stdint.h>

void clock_init(void);
uint32_t clock_ms(void);

#endif
