/* The UART: 57600 baud 8N1, ring buffers both ways, the two real-time bytes seen on arrival. */
#ifndef SERIAL_H
#define SERIAL_H
#include <stdint.h>

void serial_init(void);

/* Next byte from the host; -1 when there is none. A receive error comes as byte 0, which no legal
 * line contains. */
int16_t serial_get(void);
uint8_t serial_waiting(void);

/* Waits while the buffer is full. */
void serial_put(uint8_t byte);

/* Whether the hold byte has come since the last call. */
uint8_t serial_take_hold(void);

#endif
