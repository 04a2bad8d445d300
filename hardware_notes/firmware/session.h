/* Which line may be obeyed: the host's session and the order of its lines (protocol, section 3).
 * Portable C, as frames.h. */
#ifndef SESSION_H
#define SESSION_H
#include "frames.h"

enum { NEW_LINE, REPEATED, NOT_NEXT, NO_SESSION };

typedef struct {
    uint16_t nonce;  /* 0: no session, as after a reset */
    uint16_t number; /* of the last line taken */
    uint32_t check;
    uint8_t outcome; /* what it was answered */
} session_t;

uint8_t session_place(const session_t *session, const frame_t *frame);
void session_taken(session_t *session, const frame_t *frame, uint8_t outcome);
uint16_t session_expects(const session_t *session);

#endif
