/* SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "control.h"
#include "chip.h"
#include "source.h"
#include "stage.h"
#include "turner.h"
#include "wire.h"
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define MICROSECONDS(cycles) ((cycles) == ~0ULL ? -1.0 : (cycles) / 16.0)

static int listening = -1, client = -1;

/* Every command takes up to two numbers. */
static void mark(double x, double y) {
    (void)x, (void)y;
    stage_mark();
}
static void lose(double x, double y) {
    (void)y;
    stage.lose = x;
}
static void backlash(double x, double y) {
    (void)y;
    stage_set_backlash(x);
}
static void far_switch(double x, double y) {
    (void)y;
    stage_set_switch(x);
}
static void button(double x, double y) {
    (void)y;
    stage_press_button(x);
}
static void fit_turner(double x, double y) {
    turner_fit(x, y);
}
static void jam_turner(double x, double y) {
    (void)y;
    turner.jammed = x;
}
static void lose_turns(double x, double y) {
    (void)y;
    turner.lose = x;
}
static void turner_play(double x, double y) {
    (void)y;
    turner.play = x;
}
static void lamp(double x, double y) {
    (void)y;
    turner_set_lamp(x);
}
static void twist(double x, double y) {
    (void)y;
    turner_twist(x);
}
static void fit_source(double x, double y) {
    source_fit(x, y);
}
static void coil(double x, double y) {
    (void)y;
    source_set_coil(x);
}
static void reference(double x, double y) {
    (void)y;
    source.reference = x;
}
static void supply(double x, double y) {
    (void)y;
    source_set_supply(x);
}
static void temperature(double x, double y) {
    (void)y;
    stage.temperature = x;
}
static void vibration(double x, double y) {
    (void)y;
    stage.vibration = x;
}
static void bit_errors(double x, double y) {
    wire.to_chip.bit_errors = x;
    wire.from_chip.bit_errors = y;
}
static void lost_bytes(double x, double y) {
    wire.to_chip.lost_bytes = x;
    wire.from_chip.lost_bytes = y;
}
static void flip(double x, double y) {
    wire.to_chip.flip_at = x;
    wire.from_chip.flip_at = y;
}
static void lose_byte(double x, double y) {
    wire.to_chip.lose_at = x;
    wire.from_chip.lose_at = y;
}
static void frame_error(double x, double y) {
    (void)y;
    wire.frame_error_at = x;
}
static void brown_out(double x, double y) {
    (void)y;
    chip_reset('b', x);
}
static void reset_pin(double x, double y) {
    (void)y;
    chip_reset('e', x);
}
static void hang(double x, double y) {
    (void)x, (void)y;
    if (chip_hang())
        fprintf(stderr, "simlift: no endless loop in the flash to hang in\n");
}
static void speed(double x, double y) {
    (void)y;
    chip_set_speed(x);
}
static void seed(double x, double y) {
    (void)y;
    srand((unsigned)x);
}
static void quit(double x, double y) {
    (void)x, (void)y;
    exit(0);
}

static const struct {
    const char *name;
    void (*obey)(double, double);
} COMMANDS[] = {
    {"mark", mark},
    {"lose", lose},
    {"backlash", backlash},
    {"switch", far_switch},
    {"button", button},
    {"turner", fit_turner},
    {"turner-jam", jam_turner},
    {"turner-lose", lose_turns},
    {"turner-play", turner_play},
    {"lamp", lamp},
    {"twist", twist},
    {"source", fit_source},
    {"coil", coil},
    {"reference", reference},
    {"supply", supply},
    {"temperature", temperature},
    {"vibration", vibration},
    {"bit-errors", bit_errors},
    {"lost-bytes", lost_bytes},
    {"flip", flip},
    {"lose-byte", lose_byte},
    {"frame-error", frame_error},
    {"brown-out", brown_out},
    {"reset-pin", reset_pin},
    {"hang", hang},
    {"speed", speed},
    {"seed", seed},
    {"quit", quit},
};

static int state(char *text, size_t room) {
    return snprintf(
        text, room,
        "{\"seconds\":%.6f,\"edges\":%lld,\"net\":%lld,\"lost\":%lld,\"unpowered\":%lld,"
        "\"motor_um\":%.4f,\"carriage_um\":%.4f,\"nearest_um\":%.4f,\"farthest_um\":%.4f,"
        "\"interval_us\":%.3f,\"run_us\":%.3f,\"pulse_us\":%.3f,\"lead_us\":%.3f,\"powered\":%d,"
        "\"damaged\":%llu,\"passed\":%llu,\"overruns\":%llu,\"resets\":%u,\"watchdog\":%u,"
        "\"turn_edges\":%lld,\"turn_lost\":%lld,\"rod\":%lld,\"lowest_turn_um\":%.4f,"
        "\"nearest_between_um\":%.4f,\"way\":%d,\"mA\":%.4f,\"largest_mA\":%.4f,"
        "\"switched\":%lld,\"both\":%d,\"longest_s\":%.4f,\"off_us\":%.3f}\n",
        chip_seconds(), (long long)stage.edges, (long long)stage.net, (long long)stage.lost,
        (long long)stage.unpowered, stage.motor, stage.carriage, stage.nearest, stage.farthest,
        MICROSECONDS(stage.shortest_interval), MICROSECONDS(stage.shortest_run),
        MICROSECONDS(stage.shortest_pulse), MICROSECONDS(stage.shortest_lead), stage.powered,
        (unsigned long long)(wire.to_chip.damaged + wire.from_chip.damaged),
        (unsigned long long)(wire.to_chip.passed + wire.from_chip.passed),
        (unsigned long long)wire.overruns, chip.resets, chip.watchdog_resets,
        (long long)turner.edges, (long long)turner.lost, (long long)turner.rod, turner.lowest_turn,
        turner.nearest_between, source.way, source_current(), source.largest,
        (long long)source.switched, source.both, source_longest(),
        MICROSECONDS(source.shortest_off));
}

static int obey(const char *line, char *answer, size_t room) {
    char name[32] = "";
    double x = 0, y = 0;
    sscanf(line, "%31s %lf %lf", name, &x, &y);
    if (!strcmp(name, "state"))
        return state(answer, room);
    for (unsigned i = 0; i < sizeof COMMANDS / sizeof *COMMANDS; i++)
        if (!strcmp(name, COMMANDS[i].name)) {
            COMMANDS[i].obey(x, y);
            return snprintf(answer, room, "{}\n");
        }
    return snprintf(answer, room, "{\"error\":\"unknown command\"}\n");
}

void control_poll(void) {
    static char line[256];
    static unsigned length;
    char bytes[256], answer[1280];
    if (client < 0) {
        client = accept4(listening, NULL, NULL, SOCK_NONBLOCK);
        length = 0;
        if (client < 0)
            return;
    }
    ssize_t n = read(client, bytes, sizeof bytes);
    int gone = n == 0 || (n < 0 && errno != EAGAIN);
    for (ssize_t i = 0; i < n && !gone; i++) {
        if (bytes[i] != '\n') {
            if (length < sizeof line - 1)
                line[length++] = bytes[i];
            continue;
        }
        line[length] = 0;
        length = 0;
        int size = obey(line, answer, sizeof answer);
        gone = write(client, answer, size) != size;
    }
    if (gone) {
        close(client);
        client = -1;
    }
}

int control_open(const char *path) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path) {
        errno = ENAMETOOLONG;
        return 1;
    }
    strcpy(address.sun_path, path);
    unlink(path);
    listening = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0);
    return listening < 0 || bind(listening, (struct sockaddr *)&address, sizeof address) ||
           listen(listening, 1);
}
