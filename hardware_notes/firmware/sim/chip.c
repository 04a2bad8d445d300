/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "chip.h"
#include "stage.h"
#include "wire.h"
#include <math.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define MCUSR_ADDRESS 0x54
#define RAM_START 0x100

/* A machine that stood still is not made up for in a rush, s: to the chip its host, which stood
 * still too, would seem silent. */
#define MOST_BEHIND 0.02

chip_t chip = {.speed = 1.0};

static uint64_t paced_from;
static double paced_since;
static avr_run_t usual_run;

static double wall(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

double chip_seconds(void) {
    return chip.avr->cycle / (double)CHIP_HZ;
}

/* simavr would sleep in small pieces on its own: idle time is skipped, chip_pace waits instead. */
static void no_sleep(avr_t *avr, avr_cycle_count_t cycles) {
    (void)avr, (void)cycles;
}

static void quiet(avr_t *avr, const int level, const char *format, va_list args) {
    (void)avr, (void)level, (void)format, (void)args;
}

int chip_load(const char *elf) {
    elf_firmware_t firmware;
    avr_global_logger_set(quiet);
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(elf, &firmware))
        return 1;
    chip.avr = avr_make_mcu_by_name("atmega328p");
    if (!chip.avr)
        return 1;
    avr_init(chip.avr);
    firmware.frequency = CHIP_HZ;
    avr_load_firmware(chip.avr, &firmware);
    chip.avr->frequency = CHIP_HZ;
    chip.avr->vcc = chip.avr->avcc = chip.avr->aref = 5000;
    chip.avr->sleep = no_sleep;
    usual_run = chip.avr->run;
    chip_set_speed(chip.speed);
    return 0;
}

static void after_reset(void) {
    stage_after_reset();
    wire_after_reset();
}

void chip_reset(char how, double deaf_ms) {
    avr_t *avr = chip.avr;
    chip.resets++;
    avr_reset(avr);
    if (how != 'e') /* the pin alone leaves the memory as it is */
        for (unsigned i = RAM_START; i <= avr->ramend; i++)
            avr->data[i] = rand();
    avr->data[MCUSR_ADDRESS] = how == 'b' ? 4 : how == 'e' ? 2 : 1; /* avr_reset does not set it */
    avr->state = cpu_Running;
    chip.deaf_till = avr->cycle + (uint64_t)(deaf_ms * CHIP_HZ / 1000);
    after_reset();
}

int chip_hang(void) {
    avr_t *avr = chip.avr;
    for (unsigned at = 0; at < avr->codeend; at += 2) {
        if (avr->flash[at] == 0xFF && avr->flash[at + 1] == 0xCF) { /* rjmp to itself */
            avr->sreg[S_I] = 0;
            avr->interrupt_state = 0;
            avr->pc = at;
            avr->state = cpu_Running;
            return 0;
        }
    }
    return 1;
}

int chip_step(void) {
    static int bitten;
    chip.avr->run(chip.avr);
    if (chip.avr->run != usual_run && !bitten) { /* the watchdog: simavr resets in its next step */
        bitten = 1;
        chip.resets++;
        chip.watchdog_resets++;
    } else if (bitten && chip.avr->run == usual_run) {
        bitten = 0;
        after_reset();
    }
    return chip.avr->state == cpu_Done || chip.avr->state == cpu_Crashed;
}

void chip_set_speed(double speed) {
    chip.speed = speed;
    paced_since = wall();
    paced_from = chip.avr->cycle;
}

void chip_pace(void) {
    if (chip.speed <= 0)
        return;
    double ahead = (chip.avr->cycle - paced_from) / (CHIP_HZ * chip.speed) - (wall() - paced_since);
    if (ahead > 0.0005) {
        struct timespec wait = {0, (long)(fmin(ahead, 0.05) * 1e9)};
        nanosleep(&wait, NULL);
    } else if (ahead < -MOST_BEHIND) {
        chip_set_speed(chip.speed);
    }
}
