/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "source.h"
#include "chip.h"
#include "stage.h"
#include <math.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_io.h>
#include <stddef.h>

#define PLUS_PIN 2
#define MINUS_PIN 3
#define FITTED_PIN 4
#define SERIES 47.9 /* ohm, with the bridge */
#define SHUNT 47.0

source_t source = {.coil = 9.05, .supply = 5000, .reference = 2500, .shortest_off = ~0ULL};

static int plus, minus;

double source_current(void) {
    if (!source.fitted || source.coil < 0)
        return 0;
    return source.way * source.supply / (SERIES + SHUNT + source.coil);
}

double source_millivolts(unsigned node) {
    double mA = source_current(), far = source.way < 0 ? source.supply - 50 : 50;
    double ends[] = {far + mA * (source.coil + SHUNT), far + mA * source.coil, far, source.reference};
    if (!source.fitted)
        return node == 3 ? 0 : 1200; /* open inputs are anywhere; the reference's has its resistor */
    return ends[node];
}

static void flows(void) {
    source.largest = fmax(source.largest, fabs(source_current()));
}

double source_longest(void) {
    uint64_t now = source.way ? chip.avr->cycle - source.on_at : 0;
    return (now > source.longest ? now : source.longest) / (double)CHIP_HZ;
}

static void switch_to(int way) {
    uint64_t now = chip.avr->cycle;
    if (way == source.way)
        return;
    if (source.way) {
        if (now - source.on_at > source.longest)
            source.longest = now - source.on_at;
        source.off_at = now;
    }
    if (way) {
        source.switched++;
        source.on_at = now;
        if (source.off_at && now - source.off_at < source.shortest_off)
            source.shortest_off = now - source.off_at;
    }
    source.way = way;
    flows();
}

static void on_pin(avr_irq_t *irq, uint32_t high, void *param) {
    (void)irq;
    *(int *)param = high;
    source.both += plus && minus;
    switch_to(plus - minus);
}

static void listen(int pin, int *state) {
    avr_irq_register_notify(avr_io_getirq(chip.avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), on_pin,
                            state);
}

void source_attach(void) {
    listen(PLUS_PIN, &plus);
    listen(MINUS_PIN, &minus);
}

/* Pull-downs hold the bridge's inputs while the chip's pins float. */
void source_after_reset(void) {
    /* The two pins are INT0 and INT1 too, which nobody uses: simavr would look at a low one every cycle. */
    avr_extint_set_strict_lvl_trig(chip.avr, 0, 0);
    avr_extint_set_strict_lvl_trig(chip.avr, 1, 0);
    plus = minus = 0;
    switch_to(0);
    stage_drive(FITTED_PIN, !source.fitted);
}

void source_fit(int fitted, double coil) {
    source.fitted = fitted;
    source.coil = coil;
    stage_drive(FITTED_PIN, !fitted);
    flows();
}

void source_set_coil(double ohm) {
    source.coil = ohm;
    flows();
}

void source_set_supply(double mv) {
    source.supply = mv;
    chip.avr->vcc = chip.avr->avcc = mv;
    flows();
}
