/* The source of a coil's current (../current_source.md): a bridge that reverses, and what the
 * converter sees of shunt, coil and reference (protocol, section 9). */
#ifndef CURRENT_H
#define CURRENT_H
#include <stdint.h>

enum { BY_TIME = 1, BY_LIMIT, BY_SILENCE, BY_HALT, BY_MOTION, BY_PLUG }; /* Y words */

void current_init(void); /* off */

/* Whether there is one: its plug has been seen since the reset. */
uint8_t current_fitted(void);

/* 1, -1, or 0: off. */
int8_t current_way(void);

/* Largest current (uA) and shunt (milliohm); 0 where they are out of range. */
uint8_t current_limit(int32_t limit, int32_t shunt);

/* There are a limit, a plug and a reference. */
uint8_t current_ready(void);

void current_go(int8_t way, uint16_t seconds);

/* From any interrupt. `why` is a Y word where the host did not ask for it, else 0. */
void current_off(uint8_t why);

/* Whether it went off by itself and nobody has been told. */
uint8_t current_take_off(void);

void current_report(void);       /* J Y, where there is one */
void current_report_means(void); /* the same and I U, which begin again */

void current_tick(void); /* every ms, from the clock's interrupt */

/* One conversion, from its interrupt, of the inputs from FIRST_NODE to LAST_NODE in turn. */
void current_sample(uint8_t input, uint16_t value);

#endif
