#include "report.h"
#include "crc32.h"
#include "serial.h"

static uint32_t check;

static void character(char c) {
    check = crc32_add(check, c);
    serial_put(c);
}

static void text(const char *flash) {
    char c;
    while ((c = pgm_read_byte(flash++)))
        character(c);
}

static void whole(uint32_t value) {
    char digits[10];
    uint8_t n = 0;
    do
        digits[n++] = '0' + value % 10;
    while (value /= 10);
    while (n)
        character(digits[--n]);
}

/* The letter and the sign; the value without it. */
static uint32_t opened(char letter, int32_t value) {
    character(' ');
    character(letter);
    if (value >= 0)
        return value;
    character('-');
    return -value;
}

void report_begin(const char *tag) {
    check = CRC32_START;
    text(tag);
}

void report_flag(const char *flash) {
    character(' ');
    text(flash);
}

void report_word(char letter, int32_t value) {
    whole(opened(letter, value));
}

void report_thousandths(char letter, int32_t thousandths) {
    uint32_t value = opened(letter, thousandths);
    whole(value / 1000);
    character('.');
    for (uint16_t place = 100; place; place /= 10)
        character('0' + value / place % 10);
}

void report_end(void) {
    uint32_t crc = ~check;
    serial_put('*');
    for (int8_t shift = 28; shift >= 0; shift -= 4) {
        uint8_t digit = crc >> shift & 15;
        serial_put(digit < 10 ? '0' + digit : 'A' - 10 + digit);
    }
    serial_put('\n');
}
