#include "crc32.h"

uint32_t crc32_add(uint32_t crc, uint8_t byte) {
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = (crc & 1) ? (crc >> 1) ^ 0xEDB88320UL : crc >> 1;
    return crc;
}
