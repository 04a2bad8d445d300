#include "current.h"
#include "config.h"
#include "motion.h"
#include "report.h"
#include "turner.h"
#include <avr/io.h>
#include <util/atomic.h>

enum { UPPER, LOWER, FAR_END, REFERENCE, NODES };

#define SETTLING_MS 20
#define BRIDGE_OFF_MS 2   /* both sides off, before one of them is on */
#define LEAST_MEAN 16     /* rounds of all nodes */
#define MOST_SAMPLES 2048 /* as in telemetry.c */
#define IN_A_ROW 2        /* samples that are wrong: one is a spike */
#define PLUG_OUT_MS 3

static volatile uint8_t fitted, why, untold, bad_reference = IN_A_ROW;
static volatile int8_t way;
static volatile uint32_t left_ms;
static volatile uint8_t bridge_off, settling, gathering, over;
static uint32_t limit_uv, shunt_mohm;
static uint16_t last[NODES];
static uint32_t sums[NODES];
static uint16_t rounds;

static void bridge_low(void) {
    PORTD &= ~(_BV(CURRENT_PLUS_BIT) | _BV(CURRENT_MINUS_BIT));
}

void current_init(void) {
    bridge_low();
    DDRD |= _BV(CURRENT_PLUS_BIT) | _BV(CURRENT_MINUS_BIT);
    PORTB |= _BV(SOURCE_FITTED_BIT);
}

uint8_t current_fitted(void) {
    return fitted;
}

int8_t current_way(void) {
    return way;
}

uint8_t current_limit(int32_t limit, int32_t shunt) {
    uint64_t nv = (uint64_t)limit * shunt;
    if (limit > LARGEST_CURRENT || shunt < SMALLEST_SHUNT || shunt > LARGEST_SHUNT ||
        nv > LARGEST_SHUNT_NV)
        return 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        limit_uv = nv / 1000;
        shunt_mohm = shunt;
    }
    return 1;
}

uint8_t current_ready(void) {
    return limit_uv && !(PINB & _BV(SOURCE_FITTED_BIT)) && bad_reference < IN_A_ROW;
}

/* What was sampled so far was under another current. */
static void means_anew(void) {
    settling = SETTLING_MS;
    gathering = over = 0;
    rounds = 0;
    for (uint8_t i = 0; i < NODES; i++)
        sums[i] = 0;
}

void current_go(int8_t wanted, uint16_t seconds) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        if (wanted != way) {
            bridge_low();
            bridge_off = BRIDGE_OFF_MS;
            means_anew();
        }
        way = wanted;
        left_ms = seconds * 1000UL;
        why = untold = 0;
    }
}

void current_off(uint8_t cause) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        bridge_low();
        if (way || !cause)
            why = cause;
        if (way) {
            untold = cause;
            means_anew();
        }
        way = 0;
    }
}

uint8_t current_take_off(void) {
    uint8_t was = untold;
    untold = 0;
    return was;
}

void current_tick(void) {
    static uint8_t plug_seen, plug_out;
    if (PINB & _BV(SOURCE_FITTED_BIT)) {
        plug_seen = 0;
        if (plug_out < PLUG_OUT_MS)
            plug_out++;
    } else {
        plug_out = 0;
        if (plug_seen < PLUG_MS && ++plug_seen == PLUG_MS)
            fitted = 1;
    }
    if (settling)
        settling--;
    if (!way)
        return;
    if (motion_running() || turner_running())
        current_off(BY_MOTION);
    else if (plug_out == PLUG_OUT_MS || bad_reference >= IN_A_ROW)
        current_off(BY_PLUG);
    else if (!--left_ms)
        current_off(BY_TIME);
    else if (bridge_off && !--bridge_off)
        PORTD |= way > 0 ? _BV(CURRENT_PLUS_BIT) : _BV(CURRENT_MINUS_BIT);
}

/* Over the limit by the reference, whatever the supply: counts * 2.5 V against reference * limit. */
static uint8_t too_large(void) {
    uint16_t off = last[UPPER] > last[LOWER] ? last[UPPER] - last[LOWER] : last[LOWER] - last[UPPER];
    return off * REFERENCE_UV > last[REFERENCE] * limit_uv;
}

void current_sample(uint8_t input, uint16_t value) {
    uint8_t node = input - FIRST_NODE;
    last[node] = value;
    if (node == UPPER)
        gathering = !settling;
    if (node < REFERENCE)
        return;
    if (value < LEAST_REFERENCE || value > MOST_REFERENCE) {
        if (bad_reference < IN_A_ROW)
            bad_reference++;
        return; /* nothing can be told by it */
    }
    bad_reference = 0;
    over = way && !bridge_off && too_large() ? over + 1 : 0;
    if (over == IN_A_ROW)
        current_off(BY_LIMIT);
    if (!gathering) /* or switched since this round began */
        return;
    if (rounds == MOST_SAMPLES) {
        rounds >>= 1;
        for (uint8_t i = 0; i < NODES; i++)
            sums[i] >>= 1;
    }
    rounds++;
    for (uint8_t i = 0; i < NODES; i++)
        sums[i] += last[i];
}

void current_report(void) {
    if (!fitted)
        return;
    report_word('J', way);
    report_word('Y', why);
}

void current_report_means(void) {
    uint32_t mean[NODES];
    uint16_t n;
    if (!fitted)
        return;
    current_report();
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        n = rounds;
        for (uint8_t i = 0; i < NODES && n >= LEAST_MEAN; i++) {
            mean[i] = sums[i];
            sums[i] = 0;
        }
        if (n >= LEAST_MEAN)
            rounds = 0;
    }
    if (n < LEAST_MEAN || !shunt_mohm || !mean[REFERENCE]) {
        report_flag(PSTR("I?"));
        return;
    }
    int64_t by_shunt = (int64_t)mean[UPPER] - mean[LOWER];
    int64_t by_coil = (int64_t)mean[LOWER] - mean[FAR_END];
    report_thousandths('I', by_shunt * (REFERENCE_UV * 1000LL) / shunt_mohm / mean[REFERENCE]);
    report_thousandths('U', by_coil * REFERENCE_UV / mean[REFERENCE]);
}
