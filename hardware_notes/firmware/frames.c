#include "frames.h"
#include "crc32.h"

#define CHECK_LENGTH 9 /* the star and eight digits */
#define IN_M112 4
#define NO_MATCH 255

void incoming_clear(incoming_t *line) {
    line->length = line->spoilt = line->stop_match = line->stop = 0;
}

/* M112 is obeyed wherever it stands between word boundaries, in a damaged or endless line too. */
static void watch_for_stop(incoming_t *line, uint8_t byte) {
    if (line->stop_match == IN_M112 && (byte < '0' || byte > '9'))
        line->stop = 1;
    if (byte == ' ' || byte == '\n')
        line->stop_match = 0;
    else if (line->stop_match < IN_M112 && byte == (uint8_t)"M112"[line->stop_match])
        line->stop_match++;
    else
        line->stop_match = NO_MATCH;
}

uint8_t incoming_byte(incoming_t *line, uint8_t byte) {
    watch_for_stop(line, byte);
    if (byte == '\n')
        return line->length || line->spoilt;
    if (byte < 0x20 || byte > 0x7E || line->length >= LONGEST_LINE)
        line->spoilt = 1;
    else
        line->text[line->length++] = byte;
    return 0;
}

static uint8_t is_digit(char c) {
    return c >= '0' && c <= '9';
}

/* A plain decimal with at most `places` decimals, times 10^places. No sign, exponent or leading
 * zero: every number has one spelling but for trailing zeros. 0 where there is none. */
static uint8_t number(const char **at, const char *end, uint8_t places, int32_t *value) {
    const char *s = *at;
    int32_t v = 0;
    uint8_t digits = 0;
    while (s < end && is_digit(*s)) {
        if (++digits > 6)
            return 0;
        v = v * 10 + (*s++ - '0');
    }
    if (!digits || (digits > 1 && **at == '0'))
        return 0;
    digits = 0;
    if (s < end && *s == '.') {
        s++;
        while (s < end && is_digit(*s)) {
            if (++digits > places)
                return 0;
            v = v * 10 + (*s++ - '0');
        }
        if (!digits)
            return 0;
    }
    while (digits++ < places)
        v *= 10;
    *value = v;
    *at = s;
    return 1;
}

static uint8_t word(const char **at, const char *end, frame_t *w) {
    static const char LETTERS[] = "ZFRKPSAI";
    const char letter = *(*at)++;
    uint8_t index = 0;
    while (LETTERS[index] && LETTERS[index] != letter)
        index++;
    uint8_t bit = 1 << index, whole = bit & WHOLE_WORDS;
    int32_t v;
    if (!LETTERS[index] || (w->have & bit) || !number(at, end, whole ? 0 : 3, &v))
        return 0;
    if (whole && v > 65535)
        return 0;
    w->have |= bit;
    switch (bit) {
    case WORD_Z:
        w->z = v;
        break;
    case WORD_F:
        w->f = v;
        break;
    case WORD_R:
        w->r = v;
        break;
    case WORD_K:
        w->k = v;
        break;
    case WORD_P:
        w->p = v;
        break;
    case WORD_S:
        w->s = v;
        break;
    case WORD_A:
        w->a = v;
        break;
    case WORD_I:
        w->i = v;
        break;
    }
    return 1;
}

static uint8_t check_holds(const char *text, uint8_t length, uint32_t *check) {
    if (length <= CHECK_LENGTH || text[length - CHECK_LENGTH] != '*')
        return 0;
    uint32_t crc = CRC32_START, said = 0;
    for (uint8_t i = 0; i < length - CHECK_LENGTH; i++)
        crc = crc32_add(crc, text[i]);
    for (uint8_t i = length - CHECK_LENGTH + 1; i < length; i++) {
        char c = text[i];
        if (is_digit(c))
            said = said << 4 | (uint8_t)(c - '0');
        else if (c >= 'A' && c <= 'F')
            said = said << 4 | (uint8_t)(c - 'A' + 10);
        else
            return 0;
    }
    *check = ~crc;
    return said == *check;
}

uint8_t frame_parse(const incoming_t *line, frame_t *w) {
    const char *s = line->text, *end = s + line->length - CHECK_LENGTH;
    int32_t v;
    w->number = w->have = w->kind = 0;
    if (line->spoilt)
        return BAD_FRAME;
    if (!check_holds(s, line->length, &w->check))
        return BAD_CHECK;
    if (*s++ != 'N' || !number(&s, end, 0, &v) || v < 1 || v > 65535)
        return SYNTAX;
    w->number = v;
    if (end - s < 3 || s[0] != ' ' || (s[1] != 'G' && s[1] != 'M'))
        return SYNTAX;
    char kind = s[1];
    s += 2;
    if (!number(&s, end, 0, &v) || v > 999)
        return SYNTAX;
    w->code = v;
    while (s < end) {
        if (*s++ != ' ' || s == end || !word(&s, end, w))
            return SYNTAX;
    }
    w->kind = kind;
    return OK;
}
