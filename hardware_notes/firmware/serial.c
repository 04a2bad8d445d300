#include "serial.h"
#include "motion.h"
#include "frames.h"
#include <avr/interrupt.h>
#include <avr/io.h>

#define BAUD_TOL 2
#include <util/setbaud.h>

#define RING 128 /* a power of two */
#define AFTER(index) (((index) + 1) & (RING - 1))

static volatile uint8_t in[RING], in_head, in_tail;
static volatile uint8_t out[RING], out_head, out_tail;
static volatile uint8_t hold;

void serial_init(void) {
    UCSR0A = USE_2X ? _BV(U2X0) : 0;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = UBRR_VALUE;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

/* Stop does not wait for the main loop, which may be busy talking. */
ISR(USART_RX_vect) {
    uint8_t errors = UCSR0A & (_BV(FE0) | _BV(DOR0) | _BV(UPE0));
    uint8_t byte = UDR0;
    if (errors)
        byte = 0;
    if (byte == STOP_BYTE) {
        motion_stop_dead(HALT_BY_COMMAND);
    } else if (byte == HOLD_BYTE) {
        hold = 1;
    } else if (AFTER(in_head) != in_tail) { /* a byte that finds no room spoils its line's check */
        in[in_head] = byte;
        in_head = AFTER(in_head);
    }
}

ISR(USART_UDRE_vect) {
    if (out_tail == out_head) {
        UCSR0B &= ~_BV(UDRIE0);
    } else {
        UDR0 = out[out_tail];
        out_tail = AFTER(out_tail);
    }
}

uint8_t serial_waiting(void) {
    return in_tail != in_head;
}

int16_t serial_get(void) {
    if (!serial_waiting())
        return -1;
    uint8_t byte = in[in_tail];
    in_tail = AFTER(in_tail);
    return byte;
}

void serial_put(uint8_t byte) {
    while (AFTER(out_head) == out_tail) {
    }
    out[out_head] = byte;
    out_head = AFTER(out_head);
    UCSR0B |= _BV(UDRIE0);
}

uint8_t serial_take_hold(void) {
    uint8_t was = hold;
    hold = 0;
    return was;
}
