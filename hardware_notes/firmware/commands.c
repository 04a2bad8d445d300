#include "commands.h"
#include "config.h"
#include "current.h"
#include "lift.h"
#include "motion.h"
#include "report.h"
#include "telemetry.h"
#include "turner.h"

static uint16_t boots;
static uint8_t reset_cause;

void commands_init(uint16_t boots_ever, uint8_t cause) {
    boots = boots_ever;
    reset_cause = cause;
}

/* Exactly these letters, no fewer and no more. */
static const struct {
    char kind;
    uint16_t code;
    uint8_t letters;
} GRAMMAR[] PROGMEM = {
    {'G', 0, WORD_Z},
    {'G', 0, WORD_A},
    {'G', 1, WORD_Z | WORD_F},
    {'G', 60, WORD_Z | WORD_F | WORD_R},
    {'G', 4, WORD_P},
    {'G', 21, 0},
    {'G', 28, 0},
    {'G', 90, 0},
    {'M', 3, WORD_S},
    {'M', 4, WORD_S},
    {'M', 5, 0},
    {'M', 17, 0},
    {'M', 18, 0},
    {'M', 105, 0},
    {'M', 110, WORD_K},
    {'M', 113, WORD_S},
    {'M', 114, 0},
    {'M', 115, 0},
    {'M', 155, WORD_S},
    {'M', 211, WORD_Z},
    {'M', 212, WORD_Z},
    {'M', 213, WORD_I | WORD_R},
    {'M', 400, 0},
    {'M', 999, 0},
};

static uint8_t grammar(const frame_t *w) {
    uint8_t found = UNSUPPORTED;
    for (uint8_t i = 0; i < sizeof GRAMMAR / sizeof *GRAMMAR; i++)
        if (pgm_read_byte(&GRAMMAR[i].kind) == w->kind &&
            pgm_read_word(&GRAMMAR[i].code) == w->code) {
            if (pgm_read_byte(&GRAMMAR[i].letters) == w->have)
                return OK;
            found = SYNTAX;
        }
    return found;
}

static uint8_t at_rest(void) {
    if (lift.state == HALTED)
        return IN_HALT;
    return lift.state == AT_REST ? OK : BUSY;
}

static uint8_t move(const frame_t *w) {
    uint8_t outcome = at_rest();
    if (outcome)
        return outcome;
    if (!lift.homed)
        return UNHOMED;
    int32_t feed = w->have & WORD_F ? w->f : FASTEST;
    int32_t here = motion_position(), last = UM_TO_STEPS(w->z), first = last;
    if (feed < SLOWEST || feed > FASTEST || w->z > HIGHEST_UM || last < lift.floor)
        return OUT_OF_RANGE;
    if (w->have & WORD_R) { /* one-sided: arrive closing, with at least R of closing behind */
        int32_t take_up = UM_TO_STEPS(w->r);
        if (w->r > LARGEST_TAKE_UP || w->z + w->r > HIGHEST_UM)
            return OUT_OF_RANGE;
        if (last > here || motion_closing() + (here - last) < take_up)
            first = last + take_up;
    }
    if (last < here && turner_between())
        return UNHOMED; /* the angle is not known */
    lift_move(w->number, first, last, feed);
    return OK;
}

static uint8_t turn(const frame_t *w) {
    uint8_t outcome = at_rest();
    if (!turner_fitted())
        return UNSUPPORTED;
    if (outcome)
        return outcome;
    if (!lift.homed || turner_between())
        return UNHOMED;
    if (w->a != 0 && w->a != 180000)
        return OUT_OF_RANGE;
    if (!turner_high_enough())
        return INTERLOCK;
    lift_turn(w->number, w->a != 0);
    return OK;
}

static uint8_t obey_g(const frame_t *w) {
    uint8_t outcome;
    switch (w->code) {
    case 4:
        if (!(outcome = at_rest()))
            lift_wait(w->number, w->p);
        return outcome;
    case 28:
        if (!(outcome = at_rest()))
            lift_home(w->number);
        return outcome;
    case 21: /* statements that are always true here */
    case 90:
        return OK;
    default:
        return w->have & WORD_A ? turn(w) : move(w);
    }
}

static uint8_t in_range(uint16_t value, uint16_t low, uint16_t high) {
    return !value || (value >= low && value <= high);
}

static uint8_t switch_current(const frame_t *w) {
    uint8_t outcome = at_rest();
    if (outcome)
        return outcome;
    if (!w->s || w->s > LONGEST_CURRENT)
        return OUT_OF_RANGE;
    if (!current_ready() || !lift_host_watched())
        return INTERLOCK;
    current_go(w->code == 3 ? 1 : -1, w->s);
    return OK;
}

static uint8_t of_the_source(uint16_t code) {
    return code == 3 || code == 4 || code == 5 || code == 213;
}

static uint8_t obey_m(const frame_t *w) {
    uint8_t outcome;
    if (of_the_source(w->code) && !current_fitted())
        return UNSUPPORTED;
    switch (w->code) {
    case 3:
    case 4:
        return switch_current(w);
    case 5:
        current_off(0);
        return OK;
    case 17:
        motion_power(1);
        return OK;
    case 18:
        if ((outcome = at_rest()))
            return outcome;
        motion_power(0);
        motion_forget();
        turner_void();
        lift.homed = lift.error_known = 0;
        return OK;
    case 105:
        telemetry_ask();
        return OK;
    case 110:
        if (!w->k)
            return SYNTAX;
        lift.session.nonce = w->k;
        lift_host_watch(0);
        return OK;
    case 113:
        if (!in_range(w->s, 500, 60000))
            return OUT_OF_RANGE;
        lift_host_watch(w->s);
        return OK;
    case 155:
        if (!in_range(w->s, 100, 5000))
            return OUT_OF_RANGE;
        telemetry_every(w->s);
        return OK;
    case 211:
        if (w->z > HIGHEST_UM)
            return OUT_OF_RANGE;
        lift.floor = UM_TO_STEPS(w->z);
        return OK;
    case 212:
        if (!turner_fitted())
            return UNSUPPORTED;
        if (w->z < TURNING_UM || w->z > HIGHEST_TURNING_UM)
            return OUT_OF_RANGE;
        turner_set_height(UM_TO_STEPS(w->z));
        return OK;
    case 213:
        return current_limit(w->i, w->r) ? OK : OUT_OF_RANGE;
    case 400:
        lift_tell_rest(w->number);
        return OK;
    case 999:
        if (lift.state == HALTED && button_pressed())
            return IN_HALT;
        lift_leave_halt();
        return OK;
    default: /* M114, M115: the answer says it all */
        return OK;
    }
}

static void report_reason(uint8_t outcome) {
    static const char REASONS[][12] PROGMEM = {"ok",    "frame", "crc",     "syntax", "unsupported",
                                               "range", "busy",  "unhomed", "halt",   "interlock"};
    report_flag(REASONS[outcome]);
}

static void answer_begin(const char *tag, uint16_t number) {
    report_begin(tag);
    report_word('N', number);
    report_word('K', lift_nonce());
}

static void answer(const frame_t *w, uint8_t outcome, uint8_t repeated) {
    answer_begin(outcome ? PSTR("er") : PSTR("ok"), w->number);
    if (outcome)
        report_reason(outcome);
    if (repeated)
        report_flag(PSTR("dup"));
    if (!outcome && w->kind == 'G' && (w->have & WORD_Z))
        report_thousandths('Z', w->z);
    if (!outcome && w->kind == 'G' && (w->have & WORD_A))
        report_thousandths('A', w->a);
    if (!outcome && w->kind == 'M' && w->code == 114) {
        lift_report_place();
        report_word('D', lift.ended);
        report_word('R', lift.result);
        lift_report_error();
        report_word('L', motion_closing());
        report_word('W', switch_pressed() | button_pressed() << 1);
        lift_report_angle();
        current_report();
    }
    if (!outcome && w->kind == 'M' && w->code != 213 && of_the_source(w->code))
        current_report();
    if (!outcome && w->kind == 'M' && (w->code == 110 || w->code == 115)) {
        report_flag(PSTR("lift1"));
        report_word('B', boots);
        report_word('C', reset_cause);
    }
    if (!outcome && w->kind == 'M' && w->code == 115) {
        if (turner_fitted())
            report_flag(PSTR("ZA"));
        if (current_fitted())
            report_flag(PSTR("source"));
        report_thousandths('Z', HIGHEST_UM);
        report_thousandths('F', FASTEST);
    }
    report_end();
}

static uint8_t obey(const frame_t *w) {
    uint8_t outcome = grammar(w);
    if (outcome)
        return outcome;
    return w->kind == 'G' ? obey_g(w) : obey_m(w);
}

void commands_line(const incoming_t *line) {
    static frame_t w;
    if (line->stop) {
        motion_stop_dead(HALT_BY_COMMAND);
        return;
    }
    uint8_t outcome = frame_parse(line, &w);
    if (outcome == BAD_FRAME || outcome == BAD_CHECK) {
        answer_begin(PSTR("rs"), session_expects(&lift.session));
        report_reason(outcome);
        report_end();
        return;
    }
    uint8_t place = session_place(&lift.session, &w);
    if (place == NO_SESSION || place == NOT_NEXT) {
        answer_begin(PSTR("er"), w.number);
        report_flag(place == NO_SESSION ? PSTR("nosession") : PSTR("sequence"));
        if (place == NOT_NEXT)
            report_word('X', session_expects(&lift.session));
        report_end();
        return;
    }
    lift_host_heard();
    if (place == REPEATED) {
        outcome = lift.session.outcome;
    } else {
        if (outcome == OK)
            outcome = obey(&w);
        session_taken(&lift.session, &w, outcome);
    }
    answer(&w, outcome, place == REPEATED);
}
