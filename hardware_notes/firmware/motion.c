#include "motion.h"
#include "config.h"
#include "current.h"
#include "turner.h"
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay_basic.h>

/* Kept over a reset that leaves the memory alone. They add up to -1 while the count goes back to a
 * homing without a break; after a power cut they hardly ever do. */
static volatile int32_t position __attribute__((section(".noinit")));
static volatile int32_t mirror __attribute__((section(".noinit")));
static volatile uint32_t left;     /* steps still to go */
static volatile uint16_t ramp;     /* steps needed to stop from here */
static volatile uint32_t interval; /* between steps, 24.8 fixed point */
static volatile uint16_t shortest; /* interval at the wanted speed */
static volatile uint16_t closing;
static volatile uint32_t closed; /* since the position was set */
static volatile int8_t direction;
static volatile uint8_t until, running, stopping, met, locked, halt_cause;

void motion_init(void) {
    PORTD = _BV(ENABLE_BIT);
    DDRD = _BV(STEP_BIT) | _BV(DIR_BIT) | _BV(ENABLE_BIT);
    PORTB = _BV(SWITCH_BIT) | _BV(BUTTON_BIT);
    if (!motion_counted())
        position = mirror = 0;
}

void motion_power(uint8_t on) {
    if (on)
        PORTD &= ~_BV(ENABLE_BIT);
    else
        PORTD |= _BV(ENABLE_BIT);
}

/* An open contact, three times: a spike on a long wire is not a switch. */
static uint8_t open_contact(uint8_t bit) {
    return (PINB & _BV(bit)) && (PINB & _BV(bit)) && (PINB & _BV(bit));
}

uint8_t switch_pressed(void) {
    return open_contact(SWITCH_BIT);
}

uint8_t button_pressed(void) {
    return open_contact(BUTTON_BIT);
}

static void steps_off(void) {
    TIMSK1 &= ~_BV(OCIE1A);
    running = 0;
}

/* Whether a switch forbids the step that is due. */
static uint8_t switch_says_stop(void) {
    uint8_t pressed = switch_pressed();
    if (until == UNTIL_PRESSED && pressed) {
        met = stopping = 1; /* at speed: ramp down */
        return !ramp;
    }
    if (until == UNTIL_RELEASED && !pressed)
        return met = 1;
    if (until == UNTIL_COUNTED && pressed && direction > 0) {
        motion_stop_dead(HALT_BY_SWITCH);
        return 1;
    }
    if (until == UNTIL_COUNTED && direction < 0 && turner_between()) {
        motion_stop_dead(HALT_BY_TURNER);
        return 1;
    }
    return 0;
}

/* Equal acceleration without a square root: c(n) = c(n-1) - 2 c(n-1) / (4 n + 1). */
static void next_interval(void) {
    uint32_t c = interval;
    if (left <= ramp) {
        c += 2 * c / (4UL * ramp - 1);
        ramp--;
    } else if (c >> 8 > shortest) {
        ramp++;
        c -= 2 * c / (4UL * ramp + 1);
        if (c >> 8 < shortest)
            c = (uint32_t)shortest << 8;
    }
    interval = c;
    OCR1A += c >> 8;
}

ISR(TIMER1_COMPA_vect) {
    if (switch_says_stop()) {
        steps_off();
        return;
    }
    PORTD |= _BV(STEP_BIT);
    position += direction;
    mirror -= direction;
    if (direction > 0) {
        closing = 0;
    } else {
        closed++;
        if (closing != UINT16_MAX)
            closing++;
    }
    left--;
    if (stopping && left > ramp)
        left = ramp;
    if (left) {
        next_interval(); /* takes longer than the driver needs the pulse to last */
    } else {
        steps_off();
        _delay_loop_1(12); /* 36 cycles, 2 us */
    }
    PORTD &= ~_BV(STEP_BIT);
}

void motion_go(int32_t steps, uint32_t feed, uint8_t wanted) {
    met = 0;
    if (!steps)
        return;
    uint32_t ticks = TICKS_PER_FEED / feed;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        stopping = ramp = 0;
        until = wanted;
        direction = steps > 0 ? 1 : -1;
        left = steps > 0 ? steps : -steps;
        shortest = ticks > UINT16_MAX ? UINT16_MAX : ticks;
        interval = (shortest > FIRST_INTERVAL ? (uint32_t)shortest : FIRST_INTERVAL) << 8;
        if (!locked) {
            if (direction > 0)
                PORTD |= _BV(DIR_BIT);
            else
                PORTD &= ~_BV(DIR_BIT);
            running = 1;
            OCR1A = TCNT1 + 400; /* DIR leads STEP by 200 us */
            TIFR1 = _BV(OCF1A);
            TIMSK1 |= _BV(OCIE1A);
        }
    }
}

uint8_t motion_running(void) {
    return running;
}

void motion_ramp_down(void) {
    stopping = 1;
}

void motion_stop_dead(uint8_t cause) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        steps_off();
        turner_void();
        current_off(BY_HALT);
        locked = 1;
        halt_cause = cause;
    }
}

uint8_t motion_take_halt(void) {
    uint8_t cause;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        cause = halt_cause;
        halt_cause = 0;
    }
    return cause;
}

void motion_unlock(void) {
    locked = 0;
}

uint8_t motion_met(void) {
    return met;
}

int32_t motion_position(void) {
    int32_t p;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        p = position;
    }
    return p;
}

void motion_set_position(int32_t steps) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        position = steps;
        closed = 0;
    }
}

uint8_t motion_surely_above(int32_t steps) {
    uint8_t above;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        above = (int32_t)(HOME_STEPS - closed) >= steps;
    }
    return above;
}

uint8_t motion_counted(void) {
    uint8_t counted;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        counted = mirror == ~position && position > -SEEK_STEPS &&
                  position < HOME_STEPS + SEEK_STEPS;
    }
    return counted;
}

void motion_count_from_here(void) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        mirror = ~position;
    }
}

void motion_forget(void) {
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        mirror = -position;
    }
}

uint16_t motion_closing(void) {
    uint16_t c;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        c = closing;
    }
    return c;
}
