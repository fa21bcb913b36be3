/* What each prop is doing: cycles, idle movements, rests, and why one cannot start. */
#include "internal.h"

uint32_t sx_random(struct sx *s) {
    uint32_t r = s->random;
    r ^= r << 13;
    r ^= r >> 17;
    r ^= r << 5;
    s->random = r;
    return r;
}

static bool not_home(const struct sx *s, uint8_t p) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        const struct sx_output *out = sx_output_at(s, o);
        if (sx_prop_of(out->prop_kind) == (uint8_t)(p + 1u) && out->home_input &&
            !(s->outputs & SX_BIT(o)) && !sx_active(s, out->home_input)) {
            return true;
        }
    }
    return false;
}

static bool area_taken(const struct sx *s, uint8_t p) {
    return sx_prop_at(s, p)->area_input && !sx_active(s, sx_prop_at(s, p)->area_input);
}

/* Why prop `p` cannot be armed, or (`test`) tested or held; SX_YES if it can. */
uint8_t sx_refusal(const struct sx *s, uint8_t p, bool test) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    if (s->stop) {
        return SX_REASON_LATCHED;
    }
    if (SX_FLAGS(s) & SX_STOP_OPEN) {
        return SX_REASON_STOP_INPUT;
    }
    if (prop->flags & SX_IS_TAGGED) {
        return SX_REASON_TAGGED;
    }
    if (prop->flags & SX_FAULT) {
        return SX_REASON_FAULT;
    }
    if (!test) {
        if (!(prop->flags & SX_ARMED) && (prop->running || sx_held(s, p))) {
            return SX_REASON_RUNNING;
        }
    } else {
        if (prop->flags & SX_ARMED) {
            return SX_REASON_ARMED;
        }
        if (prop->running) {
            return SX_REASON_RUNNING;
        }
        if (prop->flags & SX_RESTING) {
            return SX_REASON_RESTING;
        }
        if (area_taken(s, p)) {
            return SX_REASON_AREA;
        }
    }
    return SX_FLAGS(s) & SX_SETUP_OK && prop->sequence ? SX_YES : SX_REASON_SETUP;
}

/* Why a trigger from this source cannot start a cycle; SX_YES if it can. */
uint8_t sx_start_refusal(const struct sx *s, uint8_t p, uint8_t source) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    uint8_t no = sx_refusal(s, p, false);
    if (no != SX_YES && no != SX_REASON_SETUP && no != SX_REASON_RUNNING) {
        return no;
    }
    if (!(prop->flags & SX_ARMED)) {
        return SX_REASON_DISARMED;
    }
    if (prop->flags & SX_PENDING || (prop->running && !(prop->flags & SX_IDLING))) {
        return SX_REASON_RUNNING;
    }
    if (prop->flags & SX_RESTING) {
        return SX_REASON_RESTING;
    }
    if (!(prop->sources & source)) {
        return SX_REASON_SOURCE_OFF;
    }
    if (area_taken(s, p)) {
        return SX_REASON_AREA;
    }
    /* An idle movement under way began at home, and the cycle begins where it is. */
    if (!prop->running && not_home(s, p)) {
        return SX_REASON_NOT_HOME;
    }
    return SX_YES;
}

void sx_missed(struct sx *s, uint8_t p, uint8_t reason, uint8_t input) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if ((uint16_t)((uint16_t)s->now - prop->missed_at) >= 1000) {
        prop->missed_at = (uint16_t)s->now;
        prop->missed = 0;
    }
    if (prop->missed < 4) {
        prop->missed++;
        sx_event(s, SX_EVENT_KIND_MISSED, (uint8_t)(p + 1u), reason, input);
    }
}

static void rest(struct sx *s, uint8_t p) {
    sx_prop_at(s, p)->flags |= SX_RESTING;
    sx_prop_at(s, p)->ended = s->now;
    SX_FLAGS(s) |= SX_AGAIN;
}

static void end(struct sx *s, uint8_t p, uint8_t outcome) {
    struct sx_prop *prop = sx_prop_at(s, p);
    bool idle = prop->flags & SX_IDLING;
    bool settle = outcome == SX_OUTCOME_DONE;
    if (prop->running && !idle) {
        prop->rec_outcome = outcome;
        rest(s, p);
        sx_record_finish(s, p);
        if (!(prop->flags & SX_ARMED)) { /* a test: nothing may follow for hours */
            sx_strokes_soon(s);
        }
    }
    prop->running = 0;
    prop->flags &= (uint8_t)~SX_IDLING;
    if (!s->stop) {
        sx_prop_off(s, p, settle);
    }
}

void sx_cut(struct sx *s, uint8_t p, uint8_t outcome) {
    sx_prop_at(s, p)->flags &= (uint8_t)~(SX_PENDING | SX_ARMED);
    end(s, p, outcome);
}

void sx_disarm(struct sx *s, uint8_t p) {
    bool armed = sx_prop_at(s, p)->flags & SX_ARMED;
    sx_cut(s, p, SX_OUTCOME_DISARMED);
    if (armed) {
        sx_strokes_soon(s);
    }
}

void sx_fault(struct sx *s, uint8_t p, uint8_t kind, uint8_t output) {
    sx_cut(s, p, SX_OUTCOME_FAULT);
    sx_prop_at(s, p)->flags |= SX_FAULT;
    sx_event(s, SX_EVENT_KIND_FAULT, (uint8_t)(p + 1u), (uint8_t)(SX_DETAIL_FAULT | kind), output);
}

/* All-stop. `id` 0: the board makes one, unless a stop is latched already. */
void sx_stop(struct sx *s, uint32_t id, uint8_t source) {
    bool fresh = !s->stop;
    if (fresh || id) {
        s->stop = id ? id : sx_random(s);
        s->due_reports |= 1u;
    }
    sx_set picture = sx_stop_picture(s);
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        bool on = picture & SX_BIT(o);
        if (fresh || !on) {
            sx_switch(s, o, on);
            sx_output_at(s, o)->at_stop_wait &= SX_AT_STOP_MASK;
        }
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        sx_cut(s, p, SX_OUTCOME_STOPPED);
    }
    if (fresh) {
        sx_event(s, SX_EVENT_KIND_STOPPED, 0, (uint8_t)(SX_DETAIL_STOP | source), 0);
        sx_strokes_soon(s);
    }
}

void sx_trigger(struct sx *s, uint8_t p, uint8_t trigger) {
    struct sx_prop *prop = sx_prop_at(s, p);
    prop->trigger = trigger;
    prop->wanted = prop->selected;
    prop->flags |= SX_PENDING;
    SX_FLAGS(s) |= SX_AGAIN;
}

void sx_start(struct sx *s, uint8_t p, uint8_t sequence, uint8_t trigger) {
    struct sx_prop *prop = sx_prop_at(s, p);
    prop->running = sequence;
    prop->step = 0;
    prop->started = s->now;
    prop->trigger = trigger;
    SX_FLAGS(s) |= SX_AGAIN;
    if (!(prop->flags & SX_IDLING)) {
        sx_record_start(s, p);
    }
}

/* Begins the cycle that waits, if this is a safe point. */
static void begin_pending(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if (!(prop->flags & SX_PENDING) || (prop->running && !sx_motions_off(s, p))) {
        return;
    }
    prop->flags &= (uint8_t)~SX_PENDING;
    if (prop->running) {
        end(s, p, SX_OUTCOME_DONE);
    }
    if (area_taken(s, p)) {
        sx_missed(s, p, SX_REASON_AREA, 0);
        return;
    }
    sx_start(s, p, prop->wanted, prop->trigger);
}

static void play(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    uint8_t q = (uint8_t)(prop->running - 1u);
    const struct sx_sequence *one = sx_sequence_at(s, q);
    const struct sx_step_bytes *steps = &s->steps[sx_sequence_first(s, q)];
    while (prop->step < one->steps) {
        const struct sx_step_bytes *step = &steps[prop->step];
        if (!sx_due(s, prop->started + sx_step_ms(step))) {
            return;
        }
        prop->step++;
        uint8_t o = step->b[2] >> 4;
        if (sx_prop_of(sx_output_at(s, o)->prop_kind) == (uint8_t)(p + 1u)) {
            sx_switch(s, o, step->b[2] & 8u);
        }
        if (prop->flags & SX_PENDING) {
            begin_pending(s, p);
            if (!(prop->flags & SX_IDLING)) {
                return;
            }
        }
    }
    if (sx_due(s, prop->started + one->length_ms)) {
        end(s, p, SX_OUTCOME_DONE);
    }
}

static void idle(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if (!prop->idle) {
        return;
    }
    if (!prop->idle_at) {
        uint32_t range = prop->idle_most_ms - prop->idle_least_ms + 1u;
        prop->idle_at = s->now + prop->idle_least_ms + sx_random(s) % range;
        prop->idle_at += !prop->idle_at;
    }
    if (sx_due(s, prop->idle_at)) {
        prop->idle_at = 0;
        if (!area_taken(s, p) && !not_home(s, p)) {
            prop->flags |= SX_IDLING;
            sx_start(s, p, prop->idle, 0);
        }
        SX_FLAGS(s) |= SX_AGAIN;
    }
}

SX_APART void sx_props_step(struct sx *s) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        struct sx_prop *prop = sx_prop_at(s, p);
        if (prop->flags & SX_RESTING && sx_due(s, prop->ended + prop->rest_ms) &&
            !sx_record_busy(s, p)) {
            prop->flags &= (uint8_t)~SX_RESTING;
            prop->idle_at = 0;
            if (prop->flags & SX_ARMED) {
                sx_look_at_inputs(s, p);
            }
        }
        begin_pending(s, p);
        if (!prop->running && (prop->flags & (SX_ARMED | SX_RESTING)) == SX_ARMED) {
            idle(s, p);
        }
        if (prop->running) {
            play(s, p);
        }
    }
}

uint8_t sx_state(const struct sx *s, uint8_t p) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    if (s->stop) {
        return SX_STATE_STOPPED;
    }
    if (prop->flags & SX_FAULT) {
        return SX_STATE_FAULT;
    }
    if (prop->flags & SX_PENDING || (prop->running && !(prop->flags & SX_IDLING))) {
        return SX_STATE_RUNNING;
    }
    if (!(prop->flags & SX_ARMED)) {
        return SX_STATE_DISARMED;
    }
    return prop->flags & SX_RESTING ? SX_STATE_RESTING : SX_STATE_ARMED;
}

uint8_t sx_prop_flags(const struct sx *s, uint8_t p) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    unsigned flags = (prop->flags & SX_IS_TAGGED ? SX_PROP_FLAGS_TAGGED : 0u) |
                     (prop->flags & SX_IDLING ? SX_PROP_FLAGS_IDLE_RUNNING : 0u);
    if (!(SX_FLAGS(s) & SX_SETUP_OK)) {
        return (uint8_t)flags;
    }
    flags |= (area_taken(s, p) ? SX_PROP_FLAGS_AREA_NOT_CLEAR : 0u) |
             (not_home(s, p) ? SX_PROP_FLAGS_NOT_HOME : 0u);
    for (uint8_t i = 0; i < SX_INPUTS; i++) {
        const struct sx_input *in = sx_input_at(s, i);
        if (sx_prop_of(in->prop_kind) == (uint8_t)(p + 1u)) {
            flags |= (in->flags & SX_COLD ? SX_PROP_FLAGS_WARMING_UP : 0u) |
                     (in->flags & SX_BLOCKED ? SX_PROP_FLAGS_SENSOR_BLOCKED : 0u);
        }
    }
    return (uint8_t)flags;
}
