#include "home.h"
#include "config.h"
#include "lift.h"
#include "motion.h"
#include "turner.h"

enum { START, FOUND, BACKED_OFF, FOUND_AGAIN, AT_EDGE, CLEAR, TURNED, GIVEN_UP };

static uint8_t phase;
static uint8_t untold; /* the edge was found, but no homing has ended well since */

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

/* Where the count goes back to the last homing that was told, it was so wrong. */
static void note_error(int32_t error) {
    uint8_t known = motion_counted() || (untold && lift.error_known);
    lift.error_kept = known && (untold || !lift.homed || turner_between());
    lift.home_error = !known ? 0 : untold ? lift.home_error + error : error;
    lift.error_known = known;
    untold = 1;
}

static uint8_t succeeded(void) {
    untold = 0;
    motion_count_from_here();
    return DONE;
}

uint8_t home_next(void) {
    switch (phase) {
    case START:
        if (!switch_pressed())
            return run(SEEK_STEPS, SEEK_FEED, UNTIL_PRESSED);
        phase = BACKED_OFF;
        motion_go(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_CLEAR);
        return GOING_ON;
    case FOUND:
        return motion_met() ? run(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_CLEAR) : failed();
    case BACKED_OFF:
        if (!switch_pressed())
            return run(2 * BACK_OFF_STEPS, SECOND_FEED, UNTIL_PRESSED);
        phase = GIVEN_UP; /* stuck, or its wire is broken: back, so that no try leads nearer */
        motion_go(BACK_OFF_STEPS, SEEK_FEED, UNTIL_CLEAR);
        return GOING_ON;
    case FOUND_AGAIN: /* the edge on the closing flank, which all measurements use */
        return motion_met() ? run(-BACK_OFF_STEPS, EDGE_FEED, UNTIL_RELEASED) : failed();
    case AT_EDGE:
        if (!motion_met())
            return failed();
        note_error(motion_position() - HOME_STEPS);
        motion_set_position(HOME_STEPS);
        lift.homed = 1;
        return run(-BACK_OFF_STEPS, SEEK_FEED, UNTIL_CLEAR);
    case CLEAR: /* up, and clear of everything: now the angle */
        if (!turner_between())
            return succeeded();
        phase++;
        turner_find();
        return GOING_ON;
    case TURNED:
        return turner_at_end() ? succeeded() : NO_ANGLE;
    default:
        return failed();
    }
}
