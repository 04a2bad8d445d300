/* What the lift is doing, and when that ends. */
#ifndef LIFT_H
#define LIFT_H
#include "session.h"
#include <stdint.h>

enum { AT_REST, MOVING, HOMING, WAITING, HALTED };                           /* M words */
enum { DONE, HELD, WAS_HALTED, NO_SWITCH, NO_ANGLE, HOST_SILENT, GOING_ON = 255 }; /* R words */

typedef struct {
    uint8_t state, homed;
    uint16_t number; /* of the motion under way */
    uint16_t ended;  /* of the last one that ended, */
    uint8_t result;  /* and how */
    int32_t home_error;  /* of the last homing, 0 where no count could be compared */
    uint8_t error_known; /* one could, */
    uint8_t error_kept;  /* and it was one that the host had given up */
    int32_t floor; /* steps */
    session_t session;
} lift_t;

extern lift_t lift;

/* Begin, when at rest. `first` and then, if it is another place, `last`: steps from the closest
 * position. */
void lift_move(uint16_t number, int32_t first, int32_t last, uint32_t feed);
void lift_home(uint16_t number);
void lift_wait(uint16_t number, uint16_t ms);
void lift_turn(uint16_t number, uint8_t turned);

void lift_hold(void);
void lift_tell_rest(uint16_t number); /* M400 */
void lift_leave_halt(void);
void lift_host_watch(uint16_t ms);
uint8_t lift_host_watched(void);
void lift_host_heard(void);

void lift_run(void); /* from the main loop */

uint16_t lift_nonce(void);
void lift_report_place(void); /* Z S H M */
void lift_report_error(void); /* E */
void lift_report_angle(void); /* A Q, where there is a turner */

#endif
