/* The step generator: counts every step it issues, ramps, watches the switch at every step. */
#ifndef MOTION_H
#define MOTION_H
#include <stdint.h>

enum { UNTIL_COUNTED, UNTIL_PRESSED, UNTIL_RELEASED, UNTIL_CLEAR };
enum { HALT_BY_COMMAND = 1, HALT_BY_BUTTON = 2, HALT_BY_SWITCH = 3, HALT_BY_TURNER = 4 };

void motion_init(void);
void motion_power(uint8_t on);

/* By this many steps (positive opens the gap) at most; feed in um/min. While locked: nothing.
 * A counted run that opens and meets the switch, or closes and finds the turner between its ends,
 * is a dead stop. UNTIL_CLEAR counts too, without these: homing's way off the switch and back. */
void motion_go(int32_t steps, uint32_t feed, uint8_t until);
uint8_t motion_running(void);

/* Ramps down; the count stays right. */
void motion_ramp_down(void);

/* No further step, from any interrupt, and none until motion_unlock: the position is void. */
void motion_stop_dead(uint8_t cause);
/* The cause of a dead stop not yet told to the host, else 0. */
uint8_t motion_take_halt(void);
void motion_unlock(void);

/* Whether the last run ended because the switch did what was waited for. */
uint8_t motion_met(void);

int32_t motion_position(void);
void motion_set_position(int32_t steps);
/* Whether the stage stands at or above `steps` even if it lost every opening step since homing. */
uint8_t motion_surely_above(int32_t steps);
/* Whether every step since a homing has been counted: over halts, and over a reset where the memory
 * outlived it. The motor may still have lost some: the next homing shows it. */
uint8_t motion_counted(void);
void motion_count_from_here(void);
void motion_forget(void); /* the coils are off: the rotor goes where it likes */
/* Closing steps since the last opening one, at most 65535: which flank of the screw carries. */
uint16_t motion_closing(void);

uint8_t switch_pressed(void);
uint8_t button_pressed(void);

#endif
