/* What each guarded request does. */
#include "internal.h"

static uint8_t clear(struct sx *s, uint32_t id) {
    if (!s->stop || s->stop != id) {
        return SX_REASON_STOP_ID;
    }
    if (SX_FLAGS(s) & SX_STOP_OPEN) {
        return SX_REASON_STOP_INPUT;
    }
    s->stop = 0;
    s->due_reports |= 1u;
    return SX_YES;
}

static uint8_t arm(struct sx *s, uint8_t p, uint8_t sources) {
    struct sx_prop *prop = sx_prop_at(s, p);
    uint8_t no = sx_refusal(s, p, false);
    if (no != SX_YES) {
        return no;
    }
    if (!sx_sequence_is(s, prop->selected, p, SX_SEQUENCE_KIND_CYCLE) ||
        (prop->idle && !sx_sequence_is(s, prop->idle, p, SX_SEQUENCE_KIND_IDLE))) {
        return SX_REASON_SEQUENCE;
    }
    prop->sources = sources;
    sx_show(s, p);
    if (!(prop->flags & SX_ARMED)) {
        if (!prop->running) {
            sx_prop_off(s, p, false);
        }
        prop->flags |= SX_ARMED;
        if (!(prop->flags & SX_RESTING)) {
            prop->idle_at = 0;
            if (!prop->running) {
                sx_look_at_inputs(s, p);
            }
        }
    }
    return SX_YES;
}

static uint8_t fire(struct sx *s, uint8_t p) {
    uint8_t no = sx_start_refusal(s, p, SX_SOURCES_OPERATOR);
    if (no == SX_YES) {
        sx_trigger(s, p, SX_TRIGGER_OPERATOR);
    }
    return no;
}

static uint8_t test(struct sx *s, uint8_t p, uint8_t sequence) {
    uint8_t no = sx_refusal(s, p, true);
    if (no != SX_YES) {
        return no;
    }
    if (!sx_sequence_is(s, sequence, p, SX_SEQUENCE_KIND_CYCLE)) {
        return SX_REASON_SEQUENCE;
    }
    sx_prop_off(s, p, false);
    sx_prop_at(s, p)->wanted = sequence;
    sx_start(s, p, sequence, SX_TRIGGER_TEST);
    return SX_YES;
}

static uint8_t select(struct sx *s, uint8_t p, uint8_t sequence) {
    if (!sx_sequence_is(s, sequence, p, SX_SEQUENCE_KIND_CYCLE)) {
        return SX_REASON_SEQUENCE;
    }
    sx_prop_at(s, p)->selected = sequence;
    sx_show(s, p);
    return SX_YES;
}

static uint8_t hold(struct sx *s, uint8_t o, uint16_t ms) {
    uint8_t number = sx_prop_of(sx_output_at(s, o)->prop_kind);
    uint8_t p = (uint8_t)(number ? number - 1u : 0u);
    uint8_t no = sx_refusal(s, p, true);
    if (no == SX_REASON_RESTING) {
        no = sx_prop_at(s, p)->area_input && !sx_active(s, sx_prop_at(s, p)->area_input)
                 ? (uint8_t)SX_REASON_AREA
                 : (uint8_t)SX_YES;
    }
    if (no != SX_YES) {
        return no;
    }
    if (!number || !(SX_FLAGS(s) & SX_SETUP_OK)) {
        return SX_REASON_SETUP;
    }
    if (!ms) {
        sx_switch(s, o, false);
        return SX_YES;
    }
    uint8_t until = (uint8_t)((s->now + ms + 7u) >> 3);
    sx_output_at(s, o)->hold_until = until ? until : 1;
    sx_switch(s, o, true);
    return SX_YES;
}

static uint8_t tag(struct sx *s, uint8_t p, bool on) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if (on) {
        sx_disarm(s, p);
        prop->flags |= SX_IS_TAGGED;
    } else {
        prop->flags &= (uint8_t)~SX_IS_TAGGED;
    }
    s->tag_todo |= (uint8_t)SX_BIT(p);
    return SX_YES;
}

static uint8_t of_prop(struct sx *s, uint8_t verb, const uint32_t *v) {
    uint8_t p = (uint8_t)(v[3] - 1u);
    switch (verb) {
    case SX_REQ_ARM:
        return arm(s, p, (uint8_t)v[4]);
    case SX_REQ_FIRE:
        return fire(s, p);
    case SX_REQ_TEST:
        return test(s, p, (uint8_t)v[4]);
    case SX_REQ_SELECT:
        return select(s, p, (uint8_t)v[4]);
    case SX_REQ_MEND:
        sx_prop_at(s, p)->flags &= (uint8_t)~SX_FAULT;
        return SX_YES;
    default:
        return tag(s, p, verb == SX_REQ_TAG);
    }
}

/* `words` are the words after the boot, or those of the field that takes any number. */
SX_APART uint8_t sx_act(struct sx *s, uint8_t verb, const uint32_t *v, uint8_t *words) {
    switch (verb) {
    case SX_REQ_POLL:
        return SX_YES_CLOCK;
    case SX_REQ_CLEAR:
        return clear(s, v[3]);
    case SX_REQ_HOLD:
        return hold(s, (uint8_t)(v[3] - 1u), (uint16_t)v[4]);
    case SX_REQ_LAMP:
        sx_board_lamp(SX_BOARD(s), v[3] == 1);
        return SX_YES;
    case SX_REQ_ACK:
        if (v[4] && v[4] <= SX_PROPS) {
            sx_record_acknowledge(s, v[3], (uint8_t)(v[4] - 1u), v[5]);
        }
        return SX_YES;
    case SX_REQ_SEEN:
        sx_event_seen(s, v[3]);
        return SX_YES;
    case SX_REQ_METERS:
        return SX_YES_METERS;
    case SX_REQ_BEGIN:
        return sx_setup_begin(s, v, words);
    case SX_REQ_SETPROP:
        return sx_set_prop(s, v, words);
    case SX_REQ_SETOUT:
        return sx_set_output(s, v, words);
    case SX_REQ_SETIN:
        return sx_set_input(s, v, words);
    case SX_REQ_SETUP:
        return sx_setup_end(s, (uint16_t)v[3]);
    case SX_REQ_SEQ:
        return sx_sequence_begin(s, v, words);
    case SX_REQ_STEPS:
        return sx_sequence_steps(s, v, words);
    default:
        return of_prop(s, verb, v);
    }
}
