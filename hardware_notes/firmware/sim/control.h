/* SPDX-License-Identifier: GPL-3.0-or-later
 * A socket for tests: one command a line, answered by one line of JSON. */
#ifndef CONTROL_H
#define CONTROL_H

/* 0 when the socket stands at that path. */
int control_open(const char *path);
void control_poll(void);

#endif
