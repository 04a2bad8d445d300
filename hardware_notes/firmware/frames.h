/* One line of the host, from bytes to words (../lift_protocol.md, section 2). Portable C: the fuzz
 * program compiles the same file on the host machine. */
#ifndef FRAMES_H
#define FRAMES_H
#include <stdint.h>

#define LONGEST_LINE 64

/* Obeyed at once, even inside a line. Each differs in at least three bits from every character of
 * a legal line, so noise seldom makes one. */
#define HOLD_BYTE 0xFE
#define STOP_BYTE 0x89

enum {
    OK,
    BAD_FRAME,
    BAD_CHECK,
    SYNTAX,
    UNSUPPORTED,
    OUT_OF_RANGE,
    BUSY,
    UNHOMED,
    IN_HALT,
    INTERLOCK,
};

enum {
    WORD_Z = 1,
    WORD_F = 2,
    WORD_R = 4,
    WORD_K = 8,
    WORD_P = 16,
    WORD_S = 32,
    WORD_A = 64,
    WORD_I = 128,
    WHOLE_WORDS = WORD_K | WORD_P | WORD_S,
};

/* A line understood. Z, F, R, A, I in thousandths (um, um/min, um or milliohm, millidegrees, uA);
 * K, P, S whole. */
typedef struct {
    uint16_t number;
    uint32_t check;
    char kind; /* 'G', 'M', or 0 where the words made no sense */
    uint16_t code;
    uint8_t have; /* WORD_ bits */
    int32_t z, f, r, a, i;
    uint16_t k, p, s;
} frame_t;

/* A line on its way in. */
typedef struct {
    char text[LONGEST_LINE];
    uint8_t length;
    uint8_t spoilt;     /* illegal character or too long */
    uint8_t stop_match; /* characters of M112 seen so far */
    uint8_t stop;       /* M112 stood in it as a word of its own */
} incoming_t;

void incoming_clear(incoming_t *line);

/* One byte more; 1 when a line (or the wreck of one) is complete. Empty lines do not count. */
uint8_t incoming_byte(incoming_t *line, uint8_t byte);

/* OK, BAD_FRAME, BAD_CHECK, or SYNTAX (intact, number and check known, words not understood). */
uint8_t frame_parse(const incoming_t *line, frame_t *frame);

#endif
