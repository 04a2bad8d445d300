/* SPDX-License-Identifier: GPL-3.0-or-later
 * The turner around the chip: motor, coupling, rod with its disc, slotted switch, jams. */
#ifndef TURNER_H
#define TURNER_H
#include <stdint.h>

typedef struct {
    int fitted;                      /* its plug is in */
    int64_t edges, lost;             /* on its STEP pin: all; not followed by the motor */
    int64_t motor, rod;              /* steps the way it turns; end 0 at multiples of 3200 */
    int play;                        /* steps between motor and rod */
    int lose;                        /* steps still to be lost */
    int jammed;                      /* nothing turns */
    int lamp_stuck;                  /* -1 healthy, 0 dark, 1 light */
    double lowest_turn;              /* um: the nearest place where the rod has turned, */
    double nearest_between;          /* and the nearest closed to with the rod between ends */
} turner_t;

extern turner_t turner;

void turner_attach(void);
void turner_after_reset(void);
void turner_fit(int fitted, int64_t rod);
void turner_set_lamp(int stuck);
void turner_twist(int steps); /* by hand */
int turner_at_end(void);      /* by the rod itself */
void turner_carriage_closed(void);

#endif
