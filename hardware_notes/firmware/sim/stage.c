/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stage.h"
#include "chip.h"
#include "source.h"
#include "turner.h"
#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_io.h>
#include <stdlib.h>

#define UM_PER_STEP (1000.0 / 1600.0)
#define SWITCH_PIN 0
#define BUTTON_PIN 1
#define NEVER (~0ULL)

stage_t stage = {
    .switch_at = 50000, .switch_travel = 30, .switch_stuck = -1, .temperature = 23, .vibration = 4};

static avr_irq_t *port_b, *converter;
static uint64_t rose_at, stepped_at, turned_at, ring[STEPS_OF_RUN];
static unsigned in_ring;
static int opening, switch_shown = -1;

/* Both ways of simavr to drive a pin: else the firmware's pull-up wins over the outside. */
void stage_drive(int pin, int high) {
    static uint8_t levels;
    levels = (levels & ~(1 << pin)) | (high ? 1 << pin : 0);
    avr_ioport_external_t outside = {.name = 'B', .mask = 31, .value = levels};
    avr_ioctl(chip.avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &outside);
    avr_raise_irq(port_b + pin, !high); /* a level that does not change would not be passed on */
    avr_raise_irq(port_b + pin, high);
}

static void show_switch(int again) {
    if (stage.carriage >= stage.switch_at)
        stage.switch_closed = 1;
    else if (stage.carriage < stage.switch_at - stage.switch_travel)
        stage.switch_closed = 0;
    int shown = stage.switch_stuck >= 0 ? stage.switch_stuck : stage.switch_closed;
    if (again || shown != switch_shown)
        stage_drive(SWITCH_PIN, shown);
    switch_shown = shown;
}

static void turn(int by) {
    if (stage.lose > 0) {
        stage.lose--;
        stage.lost++;
        return;
    }
    stage.motor += by * UM_PER_STEP;
    double before = stage.carriage;
    /* One flank of the screw pushes the carriage closing, the other pulls it opening. */
    stage.carriage = fmin(stage.carriage, stage.motor);
    stage.carriage = fmax(stage.carriage, stage.motor - stage.backlash);
    stage.nearest = fmin(stage.nearest, stage.carriage);
    stage.farthest = fmax(stage.farthest, stage.carriage);
    if (stage.carriage < before)
        turner_carriage_closed();
    show_switch(0);
}

static void shorter(uint64_t *least, uint64_t value) {
    if (value < *least)
        *least = value;
}

static void on_step(avr_irq_t *irq, uint32_t high, void *param) {
    (void)irq, (void)param;
    uint64_t now = chip.avr->cycle;
    if (!high) {
        if (rose_at)
            shorter(&stage.shortest_pulse, now - rose_at);
        return;
    }
    rose_at = now;
    stage.edges++;
    if (stepped_at)
        shorter(&stage.shortest_interval, now - stepped_at);
    if (in_ring >= STEPS_OF_RUN)
        shorter(&stage.shortest_run, now - ring[in_ring % STEPS_OF_RUN]);
    ring[in_ring++ % STEPS_OF_RUN] = now;
    shorter(&stage.shortest_lead, now - turned_at);
    stepped_at = now;
    if (!stage.powered) {
        stage.unpowered++;
        return;
    }
    stage.net += opening ? 1 : -1;
    turn(opening ? 1 : -1);
}

static void on_direction(avr_irq_t *irq, uint32_t high, void *param) {
    (void)irq, (void)param;
    opening = high;
    turned_at = chip.avr->cycle;
}

static void on_enable(avr_irq_t *irq, uint32_t high, void *param) {
    (void)irq, (void)param;
    stage.powered = !high;
}

static double gauss(void) {
    double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = rand() / (double)RAND_MAX;
    return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

static double millivolts(unsigned channel) {
    if (channel == 0) { /* 10 kohm thermistor, B = 3950 K, under 10 kohm */
        double r = exp(3950 * (1 / (stage.temperature + 273.15) - 1 / 298.15));
        return 5000 * r / (r + 1) + gauss();
    }
    if (channel == 1) /* a pole's field, falling off with the gap */
        return 500 + stage.hall + 4000 / pow(1 + stage.carriage / 10000, 3) + 2 * gauss();
    if (channel >= FIRST_NODE)
        return source_millivolts(channel - FIRST_NODE) + 2.5 * gauss();
    int moving = stepped_at && chip.avr->cycle - stepped_at < CHIP_HZ / 50;
    return 2500 + stage.vibration * gauss() + (moving ? 80 * gauss() : 0);
}

/* What simavr has to be told for the count of these millivolts: it takes whole ones and cuts off, which is a
 * fifth of a step. The chip's transitions lie half a step beside the steps of supply / 1024 (data sheet). */
static uint32_t for_count(double mv) {
    double supply = chip.avr->avcc, count = floor(mv / supply * 1024 + 0.5);
    return (uint32_t)ceil(fmin(fmax(count, 0), 1023) * supply / 1023);
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } asked = {.value = value};
    avr_raise_irq(converter + asked.mux.src, for_count(millivolts(asked.mux.src)));
}

static void listen(int pin, avr_irq_notify_t heard) {
    avr_irq_register_notify(avr_io_getirq(chip.avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), heard,
                            NULL);
}

void stage_attach(double start_mm) {
    listen(4, on_step);
    listen(5, on_direction);
    listen(6, on_enable);
    port_b = avr_io_getirq(chip.avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    converter = avr_io_getirq(chip.avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(converter + ADC_IRQ_OUT_TRIGGER, on_conversion, NULL);
    stage.motor = stage.carriage = start_mm * 1000;
    turner_attach();
    source_attach();
    stage_mark();
    stage_after_reset();
}

/* Outputs float, so the driver is off; inputs are as before. */
void stage_after_reset(void) {
    opening = stage.powered = 0;
    show_switch(1);
    stage_drive(BUTTON_PIN, stage.button);
    turner_after_reset();
    source_after_reset();
}

void stage_mark(void) {
    stage.nearest = stage.farthest = stage.carriage;
    stage.shortest_interval = stage.shortest_run = stage.shortest_pulse = stage.shortest_lead = NEVER;
    stepped_at = in_ring = 0;
}

void stage_set_backlash(double um) {
    stage.backlash = um;
    stage.carriage = fmax(stage.carriage, stage.motor - um);
}

void stage_set_switch(int stuck) {
    stage.switch_stuck = stuck;
    show_switch(0);
}

void stage_press_button(int pressed) {
    stage.button = pressed;
    stage_drive(BUTTON_PIN, pressed);
}
