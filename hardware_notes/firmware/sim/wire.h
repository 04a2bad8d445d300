/* SPDX-License-Identifier: GPL-3.0-or-later
 * The serial wire between a pseudo-terminal and the chip's UART, with its faults. */
#ifndef WIRE_H
#define WIRE_H
#include <stdint.h>

/* One direction. */
typedef struct {
    double bit_errors, lost_bytes; /* probabilities: of a bit, of a byte */
    int flip_at, lose_at;          /* once: on the n-th byte from now */
    uint64_t passed, damaged;
} way_t;

typedef struct {
    way_t to_chip, from_chip;
    int frame_error_at;
    uint64_t overruns; /* bytes that came while a real UART still held two */
} wire_t;

extern wire_t wire;

/* 0 when the pseudo-terminal stands under that name. */
int wire_open(const char *name);
void wire_after_reset(void);
void wire_run(void);  /* every step: gives the chip its next byte when its time has come */
void wire_poll(void); /* now and then: bytes from and to the host */

#endif
