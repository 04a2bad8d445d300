/* The turner (axis A): turns the sample over at the end of its rod (../turner.md). It always turns
 * the same way, slowly and without ramps; a disc on the rod shows a slotted switch where it is. */
#ifndef TURNER_H
#define TURNER_H
#include <stdint.h>

void turner_init(void);

/* Whether there is one: its plug has been seen since the reset. */
uint8_t turner_fitted(void);

/* The angle is known and light passes: the rod stands at one of its two ends. */
uint8_t turner_at_end(void);

/* Z must not close: there is a turner, and it does not stand at an end. */
uint8_t turner_between(void);

int32_t turner_angle(void); /* millidegrees, while known */

/* By how many steps the edges of the last turn stood elsewhere than counted. */
int16_t turner_slip(void);

/* The lowest place (steps of Z) where it may turn; never below config.h's. Whether the stage stands
 * there is told by the homing and the closing steps since: steps lost on the way up, a stage that
 * hangs below, cannot deceive it. */
void turner_set_height(int32_t steps);
uint8_t turner_high_enough(void);

void turner_go(uint8_t turned); /* to 180 degrees, or to 0 */
void turner_find(void);         /* from anywhere to 0 degrees, by the switch alone */
uint8_t turner_running(void);

/* Stands still, from any interrupt. Between its ends the angle is void. */
void turner_stop(void);
void turner_void(void);

void turner_tick(void); /* every ms, from the clock's interrupt */

#endif
