/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * simlift: the unmodified firmware on an emulated ATmega328P, its UART on a pseudo-terminal, and
 * the stage around it. Linked with libsimavr, hence its licence (COPYING); the firmware is not.
 *
 *   simlift lift.elf --port LINK --control SOCKET [--speed TIMES] [--start MM] */
#include "chip.h"
#include "control.h"
#include "stage.h"
#include "wire.h"
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>

static int usage(void) {
    fprintf(stderr, "usage: simlift lift.elf --port LINK --control SOCKET [--speed TIMES]"
                    " [--start MM]\n");
    return 2;
}

int main(int argc, char **argv) {
    const char *elf = NULL, *port = NULL, *control = NULL;
    double start = 45, speed = 1;
    for (int i = 1; i < argc; i++) {
        if (argv[i][0] != '-')
            elf = argv[i];
        else if (i + 1 == argc)
            return usage();
        else if (!strcmp(argv[i], "--port"))
            port = argv[++i];
        else if (!strcmp(argv[i], "--control"))
            control = argv[++i];
        else if (!strcmp(argv[i], "--speed"))
            speed = atof(argv[++i]);
        else if (!strcmp(argv[i], "--start"))
            start = atof(argv[++i]);
        else
            return usage();
    }
    if (!elf || !port || !control)
        return usage();
    signal(SIGPIPE, SIG_IGN);
    prctl(PR_SET_PDEATHSIG, SIGTERM); /* never outlives the test that started it */
    if (chip_load(elf)) {
        fprintf(stderr, "simlift: cannot load %s\n", elf);
        return 1;
    }
    if (control_open(control)) {
        perror(control);
        return 1;
    }
    if (wire_open(port)) {
        perror(port);
        return 1;
    }
    stage_attach(start);
    chip_set_speed(speed);
    for (uint64_t poll_at = 0;;) {
        if (chip_step()) {
            fprintf(stderr, "simlift: the chip has crashed\n");
            return 3;
        }
        wire_run();
        if (chip.avr->cycle < poll_at)
            continue;
        poll_at = chip.avr->cycle + CHIP_HZ / 700;
        wire_poll();
        control_poll();
        chip_pace();
    }
}
