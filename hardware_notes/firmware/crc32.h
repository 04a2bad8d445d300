/* CRC-32 of IEEE 802.3 (the one of zlib), bit by bit: 32 bytes of code instead of a table. */
#ifndef CRC32_H
#define CRC32_H
#include <stdint.h>

#define CRC32_START 0xFFFFFFFFUL

/* One byte more. Invert the result after the last byte. */
uint32_t crc32_add(uint32_t crc, uint8_t byte);

#endif
