#include "lift.h"
#include "clock.h"
#include "config.h"
#include "current.h"
#include "home.h"
#include "motion.h"
#include "report.h"
#include "turner.h"

lift_t lift;

static int32_t last_leg;
static uint32_t move_feed, stood_since, wait_until, heard_at;
static uint16_t host_watch, rest_asked;
static uint8_t turning; /* the motion under way is the turner's */
static uint8_t early; /* result of a motion that is being ended before its time, else DONE */

uint16_t lift_nonce(void) {
    return lift.session.nonce;
}

void lift_report_place(void) {
    int32_t p = motion_position();
    report_thousandths('Z', p < 0 ? -STEPS_TO_UM(-p) : STEPS_TO_UM(p));
    report_word('S', p);
    report_word('H', lift.homed);
    report_word('M', lift.state);
}

void lift_report_error(void) {
    report_word('E', lift.home_error);
    if (lift.error_kept)
        report_flag(PSTR("kept"));
}

void lift_report_angle(void) {
    if (!turner_fitted())
        return;
    if (turner_at_end())
        report_thousandths('A', turner_angle());
    else
        report_flag(PSTR("A?"));
    report_word('Q', turner_slip());
}

static void say_ended(uint16_t number) {
    report_begin(PSTR("dn"));
    report_word('N', number);
    report_word('K', lift_nonce());
    report_word('R', lift.result);
    lift_report_place();
    lift_report_error();
    lift_report_angle();
    report_end();
}

static uint8_t under_way(void) {
    return lift.state == MOVING || lift.state == HOMING || lift.state == WAITING;
}

static void finish(uint8_t result) {
    lift.ended = lift.number;
    lift.result = result;
    if (lift.state != HALTED)
        lift.state = AT_REST;
    say_ended(lift.ended);
}

static void begin(uint8_t state, uint16_t number) {
    lift.state = state;
    lift.number = number;
    early = DONE;
    turning = 0;
    if (state != WAITING)
        current_off(BY_MOTION);
}

static void go_to(int32_t target) {
    motion_go(target - motion_position(), move_feed, UNTIL_COUNTED);
}

void lift_move(uint16_t number, int32_t first, int32_t last, uint32_t feed) {
    begin(MOVING, number);
    move_feed = feed;
    last_leg = last;
    go_to(first);
}

void lift_home(uint16_t number) {
    begin(HOMING, number);
    motion_power(1);
    home_begin();
}

void lift_wait(uint16_t number, uint16_t ms) {
    begin(WAITING, number);
    wait_until = clock_ms() + ms;
}

void lift_turn(uint16_t number, uint8_t turned) {
    begin(MOVING, number);
    turning = 1;
    turner_go(turned);
}

static void end_early(uint8_t result) {
    if (lift.state == WAITING) {
        finish(result);
    } else {
        early = result;
        motion_ramp_down();
        turner_stop();
    }
}

void lift_hold(void) {
    if (lift.state == HOMING)
        motion_stop_dead(HALT_BY_COMMAND);
    else if (under_way())
        end_early(HELD);
}

void lift_tell_rest(uint16_t number) {
    rest_asked = number;
}

void lift_leave_halt(void) {
    if (lift.state == HALTED) {
        lift.state = AT_REST;
        motion_unlock();
    }
}

void lift_host_watch(uint16_t ms) {
    host_watch = ms;
}

uint8_t lift_host_watched(void) {
    return host_watch != 0;
}

void lift_host_heard(void) {
    heard_at = clock_ms();
}

static void halt(uint8_t cause) {
    uint8_t ran = under_way();
    lift.homed = 0;
    lift.state = HALTED;
    report_begin(PSTR("ha"));
    report_word('K', lift_nonce());
    report_word('C', cause);
    lift_report_place();
    lift_report_angle();
    report_end();
    if (ran)
        finish(WAS_HALTED);
}

/* The motor stands: what comes next. */
static void next_leg(void) {
    if (early != DONE) {
        finish(early);
    } else if (lift.state == HOMING) {
        uint8_t result = home_next();
        if (result != GOING_ON)
            finish(result);
    } else if (turning) {
        finish(turner_at_end() ? DONE : NO_ANGLE);
    } else if (motion_position() != last_leg) {
        go_to(last_leg);
    } else {
        finish(DONE);
    }
}

void lift_run(void) {
    uint8_t cause = motion_take_halt();
    if (cause)
        halt(cause);
    uint8_t silent = clock_ms() - heard_at > host_watch;
    if (host_watch && under_way() && early == DONE && silent)
        end_early(HOST_SILENT);
    if (current_way() && (silent || !host_watch))
        current_off(BY_SILENCE);
    if (current_take_off()) {
        report_begin(PSTR("cu"));
        report_word('K', lift_nonce());
        current_report();
        report_end();
    }
    if (motion_running() || turner_running())
        stood_since = clock_ms();
    else if (lift.state == WAITING && (int32_t)(clock_ms() - wait_until) >= 0)
        finish(DONE);
    else if ((lift.state == MOVING || lift.state == HOMING) && clock_ms() - stood_since >= REST_MS)
        next_leg();
    if (rest_asked && !under_way()) {
        say_ended(rest_asked);
        rest_asked = 0;
    }
}
