/* The board, the mechanics and the limits: what another bench would change. */
#ifndef CONFIG_H
#define CONFIG_H

/* Pins. D2 and D3 stay free. DIR high opens the gap (Z grows). Both contacts are normally closed
 * to ground with the pull-up on, so a broken wire reads as pressed. */
#define STEP_BIT PD4
#define DIR_BIT PD5
#define ENABLE_BIT PD6 /* low: driver on; an outside pull-up keeps it off during reset */
#define SWITCH_BIT PB0 /* far-end switch */
#define BUTTON_BIT PB1 /* second pole of the emergency stop */

/* 200 full steps, 16 microsteps, 2 mm screw: 1600 steps/mm, so 1 um is 8/5 step. */
#define UM_TO_STEPS(um) (((um) * 8 + 2) / 5)
#define STEPS_TO_UM(steps) (((steps) * 5 + 4) / 8)

#define HOME_STEPS 80000L     /* the switch's release edge: Z 50 mm */
#define HIGHEST_UM 49500L     /* largest target */
#define SEEK_STEPS 88000L     /* 55 mm without the switch: give up */
#define BACK_OFF_STEPS 1600L  /* 1 mm */
#define LARGEST_TAKE_UP 1000L /* um */

/* Feeds in um/min. */
#define SLOWEST 1200L
#define FASTEST 120000L
#define SEEK_FEED 60000L
#define SECOND_FEED 12000L
#define EDGE_FEED 6000L

#define REST_MS 20 /* between two legs: the stage comes to rest before it turns */

/* Timer 1 counts 0.5 us. Interval between two steps = TICKS_PER_FEED / feed. */
#define TICKS_PER_FEED 75000000L
#define TICKS_PER_MS 2000
/* First interval of a ramp of a = 4000 steps/s2: 0.676 * 2 MHz * sqrt(2 / a). */
#define FIRST_INTERVAL 30233UL

#endif
