/* SPDX-License-Identifier: GPL-3.0-or-later
 * The current source around the chip: supply, bridge, resistor, shunt, coil and reference, by Ohm's
 * law alone. What flows is told here, without asking the firmware. */
#ifndef SOURCE_H
#define SOURCE_H
#include <stdint.h>

#define FIRST_NODE 3 /* the shunt's upper and lower end, the coil's far end, the reference */

typedef struct {
    int fitted, way, both;   /* plug in; 1, -1, 0; how often both sides of the bridge were on */
    int64_t switched;        /* times anything was switched on */
    double coil;             /* ohm; negative: a lead is broken */
    double supply, reference; /* mV */
    double largest;          /* mA that ever flowed */
    uint64_t on_at, longest; /* cycle; cycles at a stretch without the current off */
    uint64_t off_at, shortest_off; /* cycle; cycles between one direction and the other */
} source_t;

extern source_t source;

void source_attach(void);
void source_after_reset(void);
void source_fit(int fitted, double coil);
void source_set_coil(double ohm);
void source_set_supply(double mv); /* of chip and bridge */
double source_current(void); /* mA, with its sign */
double source_millivolts(unsigned node);
double source_longest(void); /* s, the present stretch too */

#endif
