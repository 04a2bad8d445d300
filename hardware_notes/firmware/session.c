#include "session.h"

uint16_t session_expects(const session_t *s) {
    if (!s->nonce)
        return 0;
    return s->number == 65535 ? 1 : s->number + 1;
}

uint8_t session_place(const session_t *s, const frame_t *w) {
    uint8_t opens = w->kind == 'M' && w->code == 110 && w->have == WORD_K && w->k;
    if (!s->nonce)
        return opens ? NEW_LINE : NO_SESSION;
    if (w->number == s->number && w->check == s->check)
        return REPEATED;
    return opens || w->number == session_expects(s) ? NEW_LINE : NOT_NEXT;
}

void session_taken(session_t *s, const frame_t *w, uint8_t outcome) {
    s->number = w->number;
    s->check = w->check;
    s->outcome = outcome;
}
