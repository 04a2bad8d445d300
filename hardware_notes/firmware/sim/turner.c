/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "turner.h"
#include "chip.h"
#include "stage.h"
#include <math.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_io.h>
#include <stddef.h>

#define REVOLUTION 3200
#define SLOT 32  /* 3.6 degrees of light at 0 and at 180 */
#define MARK 128 /* 14.4 degrees, 28.8 before the slot at 0: the wrong way round they do not fit */
#define STEP_PIN 7
#define SLOT_PIN 2
#define FITTED_PIN 3
#define FAR 1e9

turner_t turner = {.lamp_stuck = -1, .lowest_turn = FAR, .nearest_between = FAR};

static int angle(void) {
    int a = turner.rod % REVOLUTION;
    return a < 0 ? a + REVOLUTION : a;
}

int turner_at_end(void) {
    return angle() % (REVOLUTION / 2) < SLOT;
}

static int light(void) {
    int a = angle(), mark = REVOLUTION - 256;
    return turner.fitted && (turner_at_end() || (a >= mark && a < mark + MARK));
}

static void show(void) {
    stage_drive(SLOT_PIN, !(turner.lamp_stuck >= 0 ? turner.lamp_stuck : light()));
}

static void follow(void) {
    int64_t behind = turner.motor - turner.play;
    if (turner.rod < behind)
        turner.rod = behind;
    show();
}

static void on_step(avr_irq_t *irq, uint32_t high, void *param) {
    (void)irq, (void)param;
    if (!high)
        return;
    turner.edges++;
    if (turner.lose > 0 || turner.jammed || !stage.powered) {
        turner.lose -= turner.lose > 0;
        turner.lost++;
        return;
    }
    turner.motor++;
    turner.lowest_turn = fmin(turner.lowest_turn, stage.carriage);
    follow();
}

void turner_carriage_closed(void) {
    if (turner.fitted && !turner_at_end())
        turner.nearest_between = fmin(turner.nearest_between, stage.carriage);
}

void turner_attach(void) {
    avr_irq_register_notify(
        avr_io_getirq(chip.avr, AVR_IOCTL_IOPORT_GETIRQ('D'), STEP_PIN), on_step, NULL);
}

void turner_after_reset(void) {
    show();
    stage_drive(FITTED_PIN, !turner.fitted);
}

void turner_fit(int fitted, int64_t rod) {
    turner.fitted = fitted;
    turner.motor = turner.rod = rod;
    turner_after_reset();
}

void turner_set_lamp(int stuck) {
    turner.lamp_stuck = stuck;
    show();
}

void turner_twist(int steps) {
    turner.motor += steps;
    turner.rod += steps;
    show();
}
