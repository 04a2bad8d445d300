/* SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "wire.h"
#include "chip.h"
#include <fcntl.h>
#include <simavr/avr_uart.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#define RING 65536u
#define BYTE_CYCLES (CHIP_HZ * 11 / 57600) /* simavr reckons eleven bits to the byte */
#define UCSR0A_ADDRESS 0xC0
#define RXC0 0x80

wire_t wire;

typedef struct {
    uint8_t bytes[RING];
    unsigned head, tail;
} ring_t;

static ring_t in, out;
static avr_irq_t *uart;
static int terminal = -1, unread;
static uint64_t next_byte;

static int happens(double probability) {
    return probability > 0 && rand() < probability * RAND_MAX;
}

static int due(int *countdown) {
    return *countdown > 0 && --*countdown == 0;
}

/* The byte as it arrives, or -1. */
static int through(way_t *way, uint8_t byte) {
    uint8_t arrives = byte;
    way->passed++;
    if (due(&way->lose_at) || happens(way->lost_bytes)) {
        way->damaged++;
        return -1;
    }
    if (way->bit_errors > 0)
        for (int bit = 0; bit < 8; bit++)
            arrives ^= happens(way->bit_errors) << bit;
    if (due(&way->flip_at))
        arrives ^= 1 << (rand() & 7);
    way->damaged += arrives != byte;
    return arrives;
}

void wire_run(void) {
    avr_t *avr = chip.avr;
    if (avr->cycle < next_byte)
        return;
    next_byte = avr->cycle + BYTE_CYCLES;
    if (in.tail == in.head)
        return;
    uint8_t byte = in.bytes[in.tail++ % RING];
    if (avr->cycle < chip.deaf_till)
        return;
    int arrives = through(&wire.to_chip, byte);
    if (arrives < 0)
        return;
    unread = avr->data[UCSR0A_ADDRESS] & RXC0 ? unread + 1 : 0;
    wire.overruns += unread >= 2;
    avr_raise_irq(uart, arrives | (due(&wire.frame_error_at) ? UART_INPUT_FE : 0));
}

static void from_chip(avr_irq_t *irq, uint32_t byte, void *param) {
    (void)irq, (void)param;
    int arrives = through(&wire.from_chip, byte);
    if (arrives >= 0 && out.head - out.tail < RING)
        out.bytes[out.head++ % RING] = arrives;
}

void wire_after_reset(void) {
    unread = 0;
    out.tail = out.head; /* what was in the shift register is lost */
}

void wire_poll(void) {
    uint8_t bytes[512];
    ssize_t n;
    while (RING - (in.head - in.tail) > sizeof bytes &&
           (n = read(terminal, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < n; i++)
            in.bytes[in.head++ % RING] = bytes[i];
    while (out.tail != out.head) {
        unsigned at = out.tail % RING, waiting = out.head - out.tail;
        n = write(terminal, out.bytes + at, waiting < RING - at ? waiting : RING - at);
        if (n <= 0)
            break;
        out.tail += n;
    }
}

int wire_open(const char *name) {
    uint32_t no_flags = 0;
    avr_ioctl(chip.avr, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags);
    uart = avr_io_getirq(chip.avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(chip.avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            from_chip, NULL);

    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal))
        return 1;
    int host_side = open(ptsname(terminal), O_RDWR | O_NOCTTY); /* kept: no hang-up between hosts */
    struct termios settings;
    if (host_side < 0 || tcgetattr(host_side, &settings))
        return 1;
    cfmakeraw(&settings);
    tcsetattr(host_side, TCSANOW, &settings);
    unlink(name);
    return symlink(ptsname(terminal), name);
}
