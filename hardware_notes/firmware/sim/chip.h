/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip: simavr's ATmega328P with the firmware in it, its resets, its pace. */
#ifndef CHIP_H
#define CHIP_H
#include <simavr/sim_avr.h>
#include <stdint.h>

#define CHIP_HZ 16000000ULL

typedef struct {
    avr_t *avr;
    double speed;       /* times life; 0: as fast as the machine can */
    uint64_t deaf_till; /* in reset or in the boot loader until this cycle */
    uint32_t resets, watchdog_resets;
} chip_t;

extern chip_t chip;

/* 0 when the file was read. */
int chip_load(const char *elf);

/* Brown-out 'b' or power-on 'p': memory is garbage after it. Reset pin 'e': it is not. */
void chip_reset(char how, double deaf_ms);

/* Puts the chip into an endless loop with interrupts off; 0 when its flash holds one. */
int chip_hang(void);

/* One instruction or sleep; 0 while the chip lives. */
int chip_step(void);

void chip_set_speed(double speed);
void chip_pace(void); /* waits for the wall clock */

double chip_seconds(void);

#endif
