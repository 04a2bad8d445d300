#include "home.h"
#include "config.h"
#include "lift.h"
#include "motion.h"

enum { START, FOUND, BACKED_OFF, FOUND_AGAIN, AT_EDGE, CLEAR };

static uint8_t phase;

void home_begin(void) {
    phase = START;
}

static uint8_t run(int32_t steps, uint32_t feed, uint8_t until) {
    phase++;
    motion_go(steps, feed, until);
    return GOING_ON;
}

static uint8_t failed(void) {
    lift.homed = 0;
    return NO_SWITCH;
}

uint8_t home_next(void) {
    switch (phase) {
    case START:
        if (!switch_pressed())
            return run(SEEK_STEPS, SEEK_FEED, UNTIL_PRESSED);
        phase = BACKED_OFF;
        motion_go(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_COUNTED);
        return GOING_ON;
    case FOUND:
        return motion_met() ? run(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_COUNTED) : failed();
    case BACKED_OFF: /* a switch that stays pressed is stuck, or its wire is broken */
        return switch_pressed() ? failed() : run(2 * BACK_OFF_STEPS, SECOND_FEED, UNTIL_PRESSED);
    case FOUND_AGAIN: /* the edge on the closing flank, which all measurements use */
        return motion_met() ? run(-BACK_OFF_STEPS, EDGE_FEED, UNTIL_RELEASED) : failed();
    case AT_EDGE:
        if (!motion_met())
            return failed();
        lift.home_error = lift.homed ? motion_position() - HOME_STEPS : 0;
        motion_set_position(HOME_STEPS);
        lift.homed = 1;
        return run(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_COUNTED);
    default:
        return DONE;
    }
}
