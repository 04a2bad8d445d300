/* SPDX-License-Identifier: GPL-3.0-or-later
 * The stage: what motor, screw, switch, button and sensors do around the chip. Steps are counted
 * here, on the pins, without asking the firmware. */
#ifndef STAGE_H
#define STAGE_H
#include <stdint.h>

#define STEPS_OF_RUN 64

typedef struct {
    int64_t edges, net;                        /* on the STEP pin: all, and opening less closing */
    int64_t lost;                              /* of them, not followed by the motor */
    int64_t unpowered;                         /* edges while the driver was off */
    double motor, carriage, nearest, farthest; /* um; the last two since the last mark */
    double backlash, switch_at, switch_travel; /* um */
    int lose;                                  /* steps still to be lost */
    int switch_stuck;                          /* -1 healthy, 0 never presses, 1 always */
    int switch_closed, button, powered;
    uint64_t shortest_interval, shortest_run;  /* cycles; a run is STEPS_OF_RUN steps on end */
    uint64_t shortest_pulse, shortest_lead;    /* cycles; lead: DIR before STEP */
    double temperature, vibration, hall;       /* degC, mV rms, mV offset */
} stage_t;

extern stage_t stage;

void stage_attach(double start_mm);
void stage_after_reset(void);
void stage_mark(void);
void stage_set_backlash(double um);
void stage_set_switch(int stuck);
void stage_press_button(int pressed);
void stage_drive(int pin, int high); /* a pin of port B, from outside */

#endif
