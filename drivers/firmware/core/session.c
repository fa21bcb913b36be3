/* Who may ask, and that nothing is done twice. */
#include "internal.h"

void sx_answer(struct sx *s, uint16_t req, uint8_t code, uint16_t value) {
    struct sx_answer *a = &s->answers[s->answers_count++];
    a->req = req;
    a->code = code;
    a->value = value;
    SX_FLAGS(s) |= SX_AGAIN;
}

SX_APART static struct sx_answer *remembered(struct sx *s, uint16_t req) {
    for (uint8_t i = 0; i < s->remembered_count; i++) {
        if (s->remembered[i].req == req) {
            return &s->remembered[i];
        }
    }
    return 0;
}

/* How far `a` lies after `b`, with ids going from 65535 to 1; over half way round is before. */
static bool newer(uint16_t a, uint16_t b) {
    uint16_t ahead = (uint16_t)(a >= b ? a - b : a - b - 1);
    return ahead != 0 && ahead < 0x8000u;
}

static struct sx_answer *oldest(struct sx *s) {
    struct sx_answer *found = &s->remembered[0];
    for (uint8_t i = 1; i < s->remembered_count; i++) {
        if (newer(found->req, s->remembered[i].req)) {
            found = &s->remembered[i];
        }
    }
    return found;
}

static void remember(struct sx *s, uint16_t req, uint8_t code, uint16_t value) {
    struct sx_answer *a = s->remembered_count < SX_REMEMBERED
                              ? &s->remembered[s->remembered_count++]
                              : oldest(s);
    a->req = req;
    a->code = code;
    a->value = value;
}

static uint8_t open_session(struct sx *s, const uint32_t *v) {
    if (v[1] != s->boot) {
        return SX_REASON_BOOT;
    }
    if (!v[2]) {
        return SX_IS_UNKNOWN;
    }
    if (v[2] != s->session) {
        for (uint8_t p = 0; p < SX_PROPS; p++) {
            sx_disarm(s, p);
        }
        s->session = v[2];
        s->remembered_count = 0;
        s->event_told = false;
        s->cycle_prop = 0;
        s->heard = (sx_mark)s->now;
        s->due_reports = 0xFF;
    }
    if (v[3]) {
        sx_stop(s, v[3], SX_STOP_SOURCE_OPENED);
    }
    return SX_YES;
}

static uint8_t disarm(struct sx *s, uint32_t prop) {
    if (prop > SX_PROPS) {
        return SX_REASON_VALUE;
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (!prop || p == prop - 1) {
            sx_disarm(s, p);
        }
    }
    return SX_YES;
}

static void guarded(struct sx *s, uint8_t verb, const uint32_t *v, uint8_t *words, uint8_t rest) {
    uint16_t req = (uint16_t)v[0];
    if (v[2] != s->boot) {
        sx_answer(s, req, SX_REASON_BOOT, 0);
        return;
    }
    if (!s->session || v[1] != s->session) {
        sx_answer(s, req, SX_REASON_SESSION, 0);
        return;
    }
    s->heard = (sx_mark)s->now;
    struct sx_answer *known = remembered(s, req);
    if (known) {
        uint8_t code = known->code == SX_YES_CLOCK ? (uint8_t)SX_YES_CLOCK_AGAIN : known->code;
        sx_answer(s, req, code, known->value);
        return;
    }
    if (s->remembered_count && newer(oldest(s)->req, req)) {
        sx_answer(s, req, SX_REASON_VALUE, 0);
        return;
    }
    uint8_t code = sx_in_range(verb, v) ? sx_act(s, verb, v, rest ? s->frame + rest : words)
                                        : (uint8_t)SX_REASON_VALUE;
    uint16_t value = (uint16_t)(v[3] > 0xFFFF ? 0xFFFF : v[3]);
    if (code != SX_IS_UNKNOWN) {
        remember(s, req, code, value);
    }
    sx_answer(s, req, code, value);
}

/* Acts on the frame at hand. The caller has seen to it that there is room for an answer. */
void sx_request(struct sx *s) {
    uint32_t v[SX_FIELDS];
    uint8_t *words = 0;
    uint8_t rest = 0;
    uint8_t verb = sx_find_verb(s->frame + 3);
    if (!sx_parse(s, verb, v, &words, &rest)) {
        sx_answer(s, (uint16_t)v[0], SX_IS_UNKNOWN, 0);
        return;
    }
    uint16_t req = (uint16_t)v[0];
    uint8_t code;
    switch (verb) {
    case SX_REQ_HELLO:
        code = SX_YES_HELLO;
        break;
    case SX_REQ_OPEN:
        code = open_session(s, v);
        break;
    case SX_REQ_STOP:
        sx_stop(s, v[1], SX_STOP_SOURCE_FRAME);
        code = SX_YES;
        break;
    case SX_REQ_DISARM:
        code = disarm(s, v[1]);
        break;
    default:
        guarded(s, verb, v, words, rest);
        return;
    }
    sx_answer(s, req, code, 0);
}

#define TEXT(n) #n
#define DIGITS(n) TEXT(n)
static const char firmware[] SX_FLASH = SX_FIRMWARE;
static const char capacities[] SX_FLASH =
    DIGITS(SX_PROPS) " " DIGITS(SX_OUTPUTS) " " DIGITS(SX_INPUTS) " " DIGITS(SX_SEQUENCES) " "
    DIGITS(SX_STEPS) " " DIGITS(SX_FRAME) " " DIGITS(SX_RECORDS);

static void send_hello(struct sx *s) {
    sx_out_space(s);
    sx_out_hex(s, s->boot, 8);
    sx_out_flash(s, sx_board_name(SX_BOARD(s)));
    sx_out_flash(s, firmware);
    sx_out_space(s);
    sx_out_hex(s, SX_PROTOCOL_HASH, 8);
    sx_out_flash(s, capacities);
    sx_out_space(s);
    sx_out_hex(s, s->stop, 8);
    sx_out_space(s);
    sx_out_hex(s, sx_board_flags(s), 4);
    sx_out_space(s);
    sx_out_hex(s, SX_FLAGS(s) & SX_SETUP_OK ? s->setup_sum : 0, 4);
    for (uint8_t q = 0; q < SX_SEQUENCES; q++) {
        sx_out_space(s);
        sx_out_hex(s, sx_sequence_sum(s, q), 4);
    }
}

static void send_meters(struct sx *s, uint16_t first) {
    for (uint8_t n = 0; n < 8 && first <= SX_OUTPUTS; n++, first++) {
        sx_out_space(s);
        sx_out_dec(s, sx_strokes(s, (uint8_t)(first - 1u)));
    }
}

/* Sends what answers the request at the head of the queue; before a POLL's answer come reports
 * where the line is shared. False if there is nothing to send now. */
bool sx_send_answer(struct sx *s) {
    if (!s->answers_count) {
        return false;
    }
    struct sx_answer *a = &s->answers[0];
    if (a->code == SX_YES_CLOCK && (SX_FLAGS(s) & SX_SHARED) && a->value) {
        a->value--;
        if (sx_send_report(s, true)) {
            return true;
        }
    }
    /* A tag is granted once it would outlive the power. */
    if ((a->code == SX_YES_METERS && !sx_board_nv_ready(SX_BOARD(s))) ||
        (a->code == SX_YES && s->tag_todo)) {
        return true;
    }
    uint32_t values[2] = {a->req, a->code};
    uint8_t verb = a->code >= SX_IS_UNKNOWN      ? (uint8_t)SX_OUT_UNKNOWN
                   : a->code < SX_REASON_COUNT ? (uint8_t)SX_OUT_NO
                                               : (uint8_t)SX_OUT_YES;
    sx_out_shape(s, verb, values);
    if (a->code == SX_YES_HELLO) {
        send_hello(s);
    } else if (a->code == SX_YES_CLOCK) {
        struct sx_answer *known = remembered(s, a->req);
        if (known) {
            known->value = (uint16_t)s->now;
        }
        sx_out_space(s);
        sx_out_dec(s, s->now);
    } else if (a->code == SX_YES_CLOCK_AGAIN) {
        sx_out_space(s);
        sx_out_dec(s, s->now - (uint16_t)((uint16_t)s->now - a->value));
    } else if (a->code == SX_YES_METERS) {
        send_meters(s, a->value);
    }
    sx_out_end(s);
    s->answers_count--;
    for (uint8_t i = 0; i < s->answers_count; i++) {
        s->answers[i] = s->answers[i + 1];
    }
    return true;
}
