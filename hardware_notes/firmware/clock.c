#include "clock.h"
#include "config.h"
#include "current.h"
#include "motion.h"
#include "telemetry.h"
#include "turner.h"
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

static volatile uint32_t ms;

void clock_init(void) {
    TCCR1A = 0;
    TCCR1B = _BV(CS11);
    OCR1B = TICKS_PER_MS;
    TIMSK1 = _BV(OCIE1B);
}

/* The stop button is looked at here, so that it works whatever the main loop is doing. It stays
 * told once: motion.c is locked until the host has left the halt. */
ISR(TIMER1_COMPB_vect) {
    static uint8_t was_pressed;
    uint8_t pressed = button_pressed();
    OCR1B += TICKS_PER_MS;
    ms++;
    if (pressed && !was_pressed)
        motion_stop_dead(HALT_BY_BUTTON);
    was_pressed = pressed;
    turner_tick();
    current_tick();
    telemetry_sample();
}

uint32_t clock_ms(void) {
    uint32_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        now = ms;
    }
    return now;
}
