/* The board, the mechanics and the limits: what another bench would change. */
#ifndef CONFIG_H
#define CONFIG_H

/* Pins. DIR high opens the gap (Z grows). Both contacts are normally closed
 * to ground with the pull-up on, so a broken wire reads as pressed. */
#define STEP_BIT PD4
#define DIR_BIT PD5
#define ENABLE_BIT PD6 /* low: driver on; an outside pull-up keeps it off during reset */
#define SWITCH_BIT PB0 /* far-end switch */
#define BUTTON_BIT PB1 /* second pole of the emergency stop */

/* 200 full steps, 16 microsteps, 2 mm screw: 1600 steps/mm, so 1 um is 8/5 step. */
#define UM_TO_STEPS(um) (((um) * 8 + 2) / 5)
#define STEPS_TO_UM(steps) (((steps) * 5 + 4) / 8)

#define SWITCH_UM 50000L                         /* the switch's release edge: Z 50 mm */
#define HIGHEST_UM (SWITCH_UM - 500)             /* largest target */
#define HOME_STEPS UM_TO_STEPS(SWITCH_UM)
#define SEEK_STEPS UM_TO_STEPS(SWITCH_UM + 5000) /* so far without the switch: give up */
#define BACK_OFF_STEPS 1600L                     /* 1 mm */
#define LARGEST_TAKE_UP 1000L                    /* um */

/* Feeds in um/min. Two turns of the motor a second, 400 full steps, are the fastest: far below where a
 * small stepper's torque falls off, and a dead stop from there ends within a step (../lift_protocol.md). */
#define SLOWEST 1200L
#define FASTEST 240000L
#define SEEK_FEED 120000L
#define SECOND_FEED 24000L
#define EDGE_FEED 6000L

#define REST_MS 20 /* between two legs: the stage comes to rest before it turns */

/* Timer 1 counts 0.5 us. Interval between two steps = TICKS_PER_FEED / feed. */
#define TICKS_PER_FEED 75000000L
#define TICKS_PER_MS 2000
/* First interval of a ramp of a = 16000 steps/s2, 10 mm/s2: 0.676 * 2 MHz * sqrt(2 / a). */
#define FIRST_INTERVAL 15116UL

/* The turner (../turner.md): 200 full steps, 16 microsteps, straight on the rod, so 1600 steps
 * are 180 degrees. There is one when its plug grounds FITTED_BIT. SLOT_BIT is low in light. */
#define TURN_STEP_BIT PD7
#define SLOT_BIT PB2
#define FITTED_BIT PB3
#define TURNING_UM 45000L /* it never turns below; M212 may raise that */
#define HIGHEST_TURNING_UM (SWITCH_UM - 1000)
#define PLUG_MS 20        /* so long the plug must be seen: a spike is no turner */
#define TURN_STEP_MS 3    /* 333 steps/s: far below what a stepper starts and stops at */
#define HALF_TURN_STEPS 1600
#define MARK_TO_SLOT 256  /* 28.8 degrees, leading edge to leading edge */
#define EDGE_TO_REST 8    /* 0.9 degrees into the slot, past the switch's hysteresis */
#define LARGEST_SLIP 64   /* four full steps, 7.2 degrees: more is a jam */
#define SEARCH_STEPS 3600 /* from anywhere the pair of mark and slot is passed within 390 degrees */

/* The source of a coil's current (../current_source.md): there is one when its plug grounds
 * SOURCE_FITTED_BIT. The bridge's two inputs; both low is off, as outside pull-downs keep them in a
 * reset. Shunt's upper and lower end, coil's far end and reference are A3 to A6, in that order. */
#define CURRENT_PLUS_BIT PD2
#define CURRENT_MINUS_BIT PD3
#define SOURCE_FITTED_BIT PB4
#define FIRST_NODE 3
#define LAST_NODE 6
#define LARGEST_CURRENT 60000L        /* uA */
#define LONGEST_CURRENT 300           /* s */
#define SMALLEST_SHUNT 1000L          /* milliohm */
#define LARGEST_SHUNT 1000000L
#define LARGEST_SHUNT_NV 4500000000ULL /* over the shunt at the limit: the converter's range */
#define REFERENCE_UV 2500000UL
#define LEAST_REFERENCE 465           /* counts: 2.5 V of 5.5 V, */
#define MOST_REFERENCE 569            /* and of 4.5 V */

#endif
