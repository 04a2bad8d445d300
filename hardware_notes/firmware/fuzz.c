/* Can a damaged line ever act? The firmware's own parser, compiled for the host machine, is fed
 * every damage of several classes to real lines. A line that would be obeyed and is not exactly a
 * line that was sent is wrong; so is a good line that is refused.
 *
 *   fuzz [HEAVY [BURST]]     HEAVY random lines for each good one (default 20 million) as well;
 *                            bursts of errors up to BURST bits (default 16) */
#include "crc32.h"
#include "session.h"
#include "frames.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOM 256

static const char *const BODIES[] = {"G1 Z12.345 F60", "G0 Z5", "G60 Z3.21 F12.5 R0.05", "G28",
                                     "G0 A180", "M3 S120"};

static char sent[ROOM], next[ROOM]; /* two good lines, one after the other */
static int length, next_length;
static uint16_t first_number;
static uint8_t work[ROOM];
static unsigned long tried, wrong, right;

static int was_sent(const incoming_t *in) {
    return (in->length == length - 1 && !memcmp(in->text, sent, in->length)) ||
           (in->length == next_length - 1 && !memcmp(in->text, next, in->length));
}

/* One transmission, through the real way in. */
static void offer(int bytes) {
    session_t session = {.nonce = 7, .number = first_number - 1};
    incoming_t in;
    frame_t frame;
    incoming_clear(&in);
    tried++;
    for (int i = 0; i < bytes; i++) {
        if (work[i] == HOLD_BYTE || work[i] == STOP_BYTE)
            continue; /* they stop the lift, which is always allowed */
        uint8_t complete = incoming_byte(&in, work[i]);
        if (complete && !in.stop && frame_parse(&in, &frame) == OK &&
            session_place(&session, &frame) == NEW_LINE) {
            if (was_sent(&in))
                right++;
            else if (wrong++ < 10)
                printf("   would be obeyed: %.*s   (sent: %.*s)\n", in.length, in.text, length - 1,
                       sent);
            session_taken(&session, &frame, OK);
        }
        if (work[i] == '\n')
            incoming_clear(&in);
    }
}

static int seal(char *line, uint16_t number, const char *body) {
    int n = snprintf(line, ROOM, "N%u %s", number, body);
    uint32_t crc = CRC32_START;
    for (int i = 0; i < n; i++)
        crc = crc32_add(crc, line[i]);
    return n + snprintf(line + n, ROOM - n, "*%08X\n", ~crc);
}

static void restore(void) {
    memcpy(work, sent, length);
}

static void flip(int bit) {
    work[bit >> 3] ^= 1 << (bit & 7);
}

static void up_to_three_bits(void) {
    int bits = length * 8;
    restore();
    for (int i = 0; i < bits; i++) {
        flip(i);
        offer(length);
        for (int j = 0; j < i; j++) {
            flip(j);
            offer(length);
            for (int k = 0; k < j; k++) {
                flip(k);
                offer(length);
                flip(k);
            }
            flip(j);
        }
        flip(i);
    }
}

static void bursts(int longest) {
    for (int at = 0; at + longest <= length * 8; at++)
        for (unsigned pattern = 1; pattern < 1u << longest; pattern += 2) {
            restore();
            for (int bit = 0; bit < longest; bit++)
                if (pattern >> bit & 1)
                    flip(at + bit);
            offer(length);
        }
}

/* Without the bytes from..till, and with the next line right behind. */
static void without(int from, int till) {
    memcpy(work, sent, from);
    memcpy(work + from, sent + till, length - till);
    memcpy(work + length - (till - from), next, next_length);
    offer(length - (till - from) + next_length);
}

static void lost_bytes(void) {
    for (int from = 0; from < length; from++)
        for (int till = from + 1; till <= length; till++)
            without(from, till);
}

static void inserted_substituted_swapped(void) {
    for (int at = 0; at < length; at++) {
        for (int byte = 0; byte < 256; byte++) {
            restore();
            work[at] = byte;
            offer(length);
            memcpy(work + at + 1, sent + at, length - at);
            offer(length + 1);
        }
        for (int other = 0; other < at; other++) {
            restore();
            work[at] = sent[other];
            work[other] = sent[at];
            offer(length);
        }
    }
}

static void two_digits(void) {
    for (int i = 0; i < length; i++)
        for (int j = 0; j < i; j++)
            for (int pair = 0; pair < 100; pair++) {
                restore();
                work[i] = '0' + pair / 10;
                work[j] = '0' + pair % 10;
                offer(length);
            }
}

static void heavy_damage(long lines) {
    while (lines-- > 0) {
        restore();
        for (int flips = 4 + rand() % 12; flips > 0; flips--)
            flip(rand() % (length * 8));
        offer(length);
    }
}

static void random_characters(long lines) {
    static const char LEGAL[] = "0123456789ABCDEF NGZFR.*";
    while (lines-- > 0) {
        for (int i = 0; i < length - 1; i++)
            work[i] = LEGAL[rand() % (sizeof LEGAL - 1)];
        work[length - 1] = '\n';
        offer(length);
    }
}

int main(int argc, char **argv) {
    long heavy = argc > 1 ? atol(argv[1]) : 20000000;
    int burst = argc > 2 ? atoi(argv[2]) : 16, refused = 0;
    srand(1);
    for (unsigned i = 0; i < sizeof BODIES / sizeof *BODIES; i++) {
        first_number = 4711 + 2 * i;
        length = seal(sent, first_number, BODIES[i]);
        next_length = seal(next, first_number + 1, "G1 Z44 F120");
        restore();
        right = 0;
        offer(length);
        refused += right != 1;
        up_to_three_bits();
        bursts(burst);
        lost_bytes();
        inserted_substituted_swapped();
        two_digits();
        heavy_damage(heavy);
        random_characters(heavy / 4);
    }
    printf("%lu damaged lines tried, %lu would be obeyed; %d good lines refused\n", tried, wrong,
           refused);
    return wrong || refused;
}
