/* A whole line of the host: checked, obeyed at most once, answered. */
#ifndef COMMANDS_H
#define COMMANDS_H
#include "frames.h"

void commands_init(uint16_t boots, uint8_t reset_cause);
void commands_line(const incoming_t *line);

#endif
