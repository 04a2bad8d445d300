#include "telemetry.h"
#include "clock.h"
#include "config.h"
#include "current.h"
#include "lift.h"
#include "report.h"
#include "turner.h"
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

enum { THERMISTOR, HALL, VIBRATION, CHANNELS };

/* Sums are halved when this many samples are in: they never overflow, and old samples fade. */
#define MOST_SAMPLES 2048

typedef struct {
    uint32_t sum;
    uint16_t samples;
} mean_t;

static mean_t gathered[CHANNELS];
static uint32_t squares; /* of the vibration channel; 2048 * 1023^2 fits */
static uint16_t period;
static uint32_t due_at;
static uint8_t asked;

void telemetry_init(void) {
    ADMUX = _BV(REFS0);                                                    /* the supply */
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
}

void telemetry_sample(void) {
    ADCSRA |= _BV(ADSC);
}

static void next(uint8_t *channel) {
    if (++*channel == (current_fitted() ? LAST_NODE + 1 : CHANNELS))
        *channel = 0;
    ADMUX = _BV(REFS0) | *channel;
}

ISR(ADC_vect) {
    static uint8_t channel;
    uint16_t value = ADC;
    if (channel >= CHANNELS) {
        current_sample(channel, value);
        next(&channel);
        return;
    }
    mean_t *mean = &gathered[channel];
    if (mean->samples == MOST_SAMPLES) {
        mean->sum >>= 1;
        mean->samples >>= 1;
        if (channel == VIBRATION)
            squares >>= 1;
    }
    mean->sum += value;
    mean->samples++;
    if (channel == VIBRATION)
        squares += (uint32_t)value * value;
    next(&channel);
}

static uint16_t square_root(uint32_t v) {
    uint32_t root = 0, bit = 1UL << 30;
    while (bit > v)
        bit >>= 2;
    for (; bit; bit >>= 2) {
        if (v >= root + bit) {
            v -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return root;
}

/* 16 times the rms about the mean. Taken about the whole part of the mean, then corrected. */
static uint16_t rms_times_16(mean_t v, uint32_t sum_of_squares) {
    uint32_t m = v.sum / v.samples, rest = v.sum % v.samples, n = v.samples;
    uint32_t about_m = sum_of_squares - 2 * m * v.sum + n * m * m; /* unsigned: exact modulo 2^32 */
    uint32_t correction = rest * rest / n;
    about_m = about_m > correction ? about_m - correction : 0;
    return square_root(about_m / n * 256 + about_m % n * 256 / n);
}

static void say(void) {
    static mean_t mean[CHANNELS];
    uint32_t sum_of_squares;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        for (uint8_t i = 0; i < CHANNELS; i++) {
            mean[i] = gathered[i];
            gathered[i] = (mean_t){0, 0};
        }
        sum_of_squares = squares;
        squares = 0;
    }
    report_begin(PSTR("tm"));
    report_word('K', lift_nonce());
    report_word('T', clock_ms());
    lift_report_place();
    report_word('A', (mean[THERMISTOR].sum << 6) / mean[THERMISTOR].samples);
    report_word('B', (mean[HALL].sum << 6) / mean[HALL].samples);
    report_word('V', rms_times_16(mean[VIBRATION], sum_of_squares));
    report_word('n', mean[VIBRATION].samples);
    current_report_means();
    if (turner_between() && !turner_running())
        report_flag(PSTR("A?"));
    report_end();
}

static uint8_t all_sampled(void) {
    uint8_t all;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        all = gathered[THERMISTOR].samples && gathered[HALL].samples && gathered[VIBRATION].samples;
    }
    return all;
}

void telemetry_every(uint16_t ms) {
    period = ms;
    due_at = clock_ms() + ms;
}

void telemetry_ask(void) {
    asked = 1;
}

void telemetry_run(void) {
    if (period && (int32_t)(clock_ms() - due_at) >= 0) {
        due_at += period;
        asked = 1;
    }
    if (asked && all_sampled()) {
        asked = 0;
        say();
    }
}
