/* Outputs, and what is measured from the moment they switch. */
#include "internal.h"

/* Brings the outputs to the pins; while a stop byte waits to be seen, only the picture of a stop. */
void sx_apply(struct sx *s) {
    uint8_t lock = sx_board_lock(SX_BOARD(s));
    sx_board_outputs(SX_BOARD(s), s->stop_seen ? sx_stop_picture(s) : s->outputs);
    sx_board_unlock(SX_BOARD(s), lock);
}

void sx_switch(struct sx *s, uint8_t o, bool on) {
    struct sx_output *out = sx_output_at(s, o);
    sx_set bit = (sx_set)SX_BIT(o);
    if (!on) {
        out->hold_until = 0;
    }
    if (((s->outputs & bit) != 0) == on) {
        return;
    }
    uint8_t lock = sx_board_lock(SX_BOARD(s));
    s->outputs ^= bit;
    sx_board_unlock(SX_BOARD(s), lock);
    sx_apply(s);
    out->changed_at = s->now;
    out->at_stop_wait &= SX_AT_STOP_MASK;
    if (on) {
        sx_stroke(s, o);
        if (out->out_input && !sx_active(s, out->out_input)) {
            out->at_stop_wait |= SX_WAIT_OUT;
        }
    } else if (out->home_input && !sx_active(s, out->home_input)) {
        out->at_stop_wait |= SX_WAIT_HOME;
    }
}

/* What the end of a sequence leaves on (`settle`): air, and lights that a stop leaves on, too. */
void sx_prop_off(struct sx *s, uint8_t p, bool settle) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        struct sx_output *out = sx_output_at(s, o);
        if (sx_prop_of(out->prop_kind) != (uint8_t)(p + 1u)) {
            continue;
        }
        bool stays = sx_kind_of(out->prop_kind) == SX_OUTPUT_KIND_DUMP ||
                     (out->at_stop_wait & SX_AT_STOP_MASK) != SX_AT_STOP_OFF;
        if (!settle || !stays) {
            sx_switch(s, o, false);
        }
        if (!settle) {
            out->at_stop_wait &= SX_AT_STOP_MASK;
        }
    }
}

bool sx_motions_off(const struct sx *s, uint8_t p) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        if (s->outputs & SX_BIT(o) &&
            sx_output_at(s, o)->prop_kind == (uint8_t)(SX_OUTPUT_KIND_MOTION << 4 | (p + 1))) {
            return false;
        }
    }
    return true;
}

bool sx_held(const struct sx *s, uint8_t p) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        const struct sx_output *out = sx_output_at(s, o);
        if (out->hold_until && sx_prop_of(out->prop_kind) == (uint8_t)(p + 1u)) {
            return true;
        }
    }
    return false;
}

/* An end sensor became active at `at`, before its debounce. */
void sx_end_sensor(struct sx *s, uint8_t number, uint32_t at) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        struct sx_output *out = sx_output_at(s, o);
        bool home = out->at_stop_wait & SX_WAIT_HOME;
        if ((home && out->home_input == number) ||
            (out->at_stop_wait & SX_WAIT_OUT && out->out_input == number)) {
            uint32_t ms = at - out->changed_at;
            out->at_stop_wait &= SX_AT_STOP_MASK;
            sx_record_travel(s, (uint8_t)(sx_prop_of(out->prop_kind) - 1u), o, home,
                             ms > 0x80000000UL ? 0 : ms);
        }
    }
}

static void limits(struct sx *s, uint8_t o) {
    struct sx_output *out = sx_output_at(s, o);
    uint8_t p = (uint8_t)(sx_prop_of(out->prop_kind) - 1u);
    /* The clock's tick may be almost over when an output goes on: one tick more is never early. */
    if (out->longest_on_ms && sx_due(s, out->changed_at + out->longest_on_ms + 1u)) {
        sx_switch(s, o, false);
        if (sx_kind_of(out->prop_kind) != SX_OUTPUT_KIND_LIGHT) {
            sx_fault(s, p, SX_FAULT_KIND_ON_TIME, (uint8_t)(o + 1u));
        }
    } else if (out->hold_until) {
        uint8_t left = (uint8_t)(out->hold_until - (uint8_t)(s->now >> 3));
        if (!left || left > 0x80u) {
            sx_switch(s, o, false);
            sx_strokes_soon(s);
        } else {
            (void)sx_due(s, ((s->now >> 3) + left) << 3);
        }
    }
}

void sx_outputs_step(struct sx *s) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        struct sx_output *out = sx_output_at(s, o);
        if (s->outputs & SX_BIT(o)) {
            limits(s, o);
        }
        if (out->travel_ms && out->at_stop_wait & (SX_WAIT_OUT | SX_WAIT_HOME) &&
            sx_due(s, out->changed_at + out->travel_ms + 1u)) {
            out->at_stop_wait &= SX_AT_STOP_MASK;
            sx_event(s, SX_EVENT_KIND_LATE, sx_prop_of(out->prop_kind), SX_NO_DETAIL,
                     (uint16_t)(o + 1u));
        }
    }
}
