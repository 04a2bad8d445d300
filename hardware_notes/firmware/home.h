/* Homing at the wide end (protocol, section 6): a failed homing drives away from the balance. First
 * up, then the turner's angle. */
#ifndef HOME_H
#define HOME_H
#include <stdint.h>

void home_begin(void);

/* The motor stands: begins the next run and returns GOING_ON, or returns how homing ended. */
uint8_t home_next(void);

#endif
