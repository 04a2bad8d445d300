#include "turner.h"
#include "config.h"
#include "motion.h"
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay_basic.h>

/* What the next leading edge (dark to light) may be. Steps from edge to edge, the way it turns:
 * slot at 0 - HALF_TURN - slot at 180 - TO_MARK - mark - MARK_TO_SLOT - slot at 0. Lost steps only
 * make a count longer, so nothing but mark and slot can stand MARK_TO_SLOT apart. */
enum { NOWHERE, FIND_EDGE, FIND_PAIR, TO_TURNED, TO_MARK_EDGE, TO_UPRIGHT, TO_REST };

#define TO_MARK (HALF_TURN_STEPS - MARK_TO_SLOT)

static volatile uint8_t fitted, known, turned, going;
static volatile int16_t since_edge, to_rest, slip;
static volatile uint16_t search;
static volatile int32_t lowest = UM_TO_STEPS(TURNING_UM);
static uint8_t was_lit;

void turner_init(void) {
    PORTD &= ~_BV(TURN_STEP_BIT);
    DDRD |= _BV(TURN_STEP_BIT);
    PORTB |= _BV(SLOT_BIT) | _BV(FITTED_BIT);
}

/* Light pulls the pin low: without lamp, wire or plug it is dark. Three times, as a contact. */
static uint8_t lit(void) {
    return !(PINB & _BV(SLOT_BIT)) && !(PINB & _BV(SLOT_BIT)) && !(PINB & _BV(SLOT_BIT));
}

uint8_t turner_fitted(void) {
    return fitted;
}

uint8_t turner_at_end(void) {
    return known && lit();
}

uint8_t turner_between(void) {
    return fitted && !turner_at_end();
}

int32_t turner_angle(void) {
    return turned ? 180000 : 0;
}

int16_t turner_slip(void) {
    int16_t s;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        s = slip;
    }
    return s;
}

void turner_set_height(int32_t steps) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        lowest = steps;
    }
}

uint8_t turner_high_enough(void) {
    return motion_surely_above(lowest); /* which is written in the main loop alone */
}

uint8_t turner_running(void) {
    return going != NOWHERE;
}

void turner_void(void) {
    going = NOWHERE;
    known = 0;
}

void turner_stop(void) {
    if (going != NOWHERE)
        turner_void();
}

static void begin(uint8_t what) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        known = 0;
        slip = 0;
        search = SEARCH_STEPS;
        was_lit = 1; /* an edge already passed is none */
        going = what;
    }
}

void turner_go(uint8_t wanted) {
    if (known && wanted != turned)
        begin(wanted ? TO_TURNED : TO_MARK_EDGE);
}

void turner_find(void) {
    begin(FIND_EDGE);
}

static int16_t due(void) {
    return going == TO_TURNED ? HALF_TURN_STEPS : going == TO_MARK_EDGE ? TO_MARK : MARK_TO_SLOT;
}

static uint8_t within(int16_t off) {
    return off >= -LARGEST_SLIP && off <= LARGEST_SLIP;
}

/* A leading edge: is it the one that is due? */
static void edge(void) {
    int16_t off = since_edge - due();
    since_edge = 0;
    if (going == FIND_EDGE) {
        going = FIND_PAIR;
    } else if (going == FIND_PAIR && !within(off)) {
        return; /* another pair */
    } else if (!within(off)) {
        turner_void();
    } else {
        slip += off;
        turned = going == TO_TURNED;
        going = going == TO_MARK_EDGE ? TO_UPRIGHT : TO_REST;
        to_rest = EDGE_TO_REST;
    }
}

/* Whether a step may be made. */
static uint8_t allowed(void) {
    if (motion_running() || !motion_surely_above(lowest))
        return 0;
    if (going == FIND_EDGE || going == FIND_PAIR)
        return search-- != 0;
    return going == TO_REST || since_edge <= due() + LARGEST_SLIP;
}

static void step(void) {
    uint8_t light = lit();
    if (light && !was_lit && going != TO_REST)
        edge();
    was_lit = light;
    if (going == TO_REST && !to_rest--) {
        going = NOWHERE;
        known = light;
    } else if (going != NOWHERE && !allowed()) {
        turner_void();
    } else if (going != NOWHERE) {
        PORTD |= _BV(TURN_STEP_BIT);
        since_edge++;
        _delay_loop_1(12); /* 36 cycles, 2 us */
        PORTD &= ~_BV(TURN_STEP_BIT);
    }
}

void turner_tick(void) {
    static uint8_t ms, plug_seen;
    if (PINB & _BV(FITTED_BIT))
        plug_seen = 0;
    else if (++plug_seen == PLUG_MS)
        fitted = 1;
    if (going == NOWHERE) {
        ms = 0;
        if (!lit()) /* moved by hand, or the lamp is out */
            known = 0;
    } else if (++ms == TURN_STEP_MS) {
        ms = 0;
        step();
    }
}
