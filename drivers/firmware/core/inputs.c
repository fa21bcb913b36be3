/* Inputs: levels to active or not, debounced, and edges to triggers. */
#include "internal.h"

bool sx_active(const struct sx *s, uint8_t number) {
    return number && s->inputs & SX_BIT(number - 1);
}

static bool raw_level(const struct sx *s, uint8_t i) {
    return ((s->levels & SX_BIT(i)) != 0) != ((sx_input_at(s, i)->flags & SX_ACTIVE_LOW) != 0);
}

/* Takes what the pins are at now as if it had always been so. */
void sx_inputs_reset(struct sx *s) {
    s->inputs = 0;
    for (uint8_t i = 0; i < SX_INPUTS; i++) {
        struct sx_input *in = sx_input_at(s, i);
        in->flags &= SX_CLEAR_FIRST | SX_ACTIVE_LOW;
        if (sx_kind_of(in->prop_kind) == SX_INPUT_KIND_SENSOR && s->now < in->warm_up_ms &&
            !(SX_FLAGS(s) & SX_WARM)) { /* SX_WARM is for the day on which the clock begins anew */
            in->flags |= SX_COLD;
        }
        if (in->prop_kind && raw_level(s, i)) {
            in->flags |= SX_RAW;
            s->inputs |= (sx_set)SX_BIT(i);
        }
    }
}

static void trigger(struct sx *s, uint8_t i) {
    struct sx_input *in = sx_input_at(s, i);
    uint8_t p = (uint8_t)(sx_prop_of(in->prop_kind) - 1u);
    bool sensor = sx_kind_of(in->prop_kind) == SX_INPUT_KIND_SENSOR;
    uint8_t no = sx_start_refusal(s, p, sensor ? SX_SOURCES_SENSOR : SX_SOURCES_ACTOR);
    bool area_or_home = no == SX_REASON_AREA || no == SX_REASON_NOT_HOME || no == SX_YES;
    if (area_or_home && in->flags & SX_COLD) {
        no = SX_REASON_WARMING_UP;
    }
    if (no == SX_YES) {
        sx_trigger(s, p, sensor ? SX_TRIGGER_SENSOR : SX_TRIGGER_ACTOR);
    } else {
        sx_missed(s, p, no, (uint8_t)(i + 1u));
    }
}

SX_APART static bool is_trigger(const struct sx_input *in) {
    uint8_t kind = sx_kind_of(in->prop_kind);
    return in->prop_kind && (kind == SX_INPUT_KIND_SENSOR || kind == SX_INPUT_KIND_ACTOR);
}

static void changed(struct sx *s, uint8_t i) {
    struct sx_input *in = sx_input_at(s, i);
    bool active = s->inputs & SX_BIT(i);
    if (!active) {
        in->flags &= (uint8_t)~SX_BLOCKED;
    } else if (is_trigger(in)) {
        trigger(s, i);
    } else if (sx_kind_of(in->prop_kind) == SX_INPUT_KIND_END) {
        uint16_t ago = (uint16_t)((uint16_t)s->now - in->since);
        sx_end_sensor(s, (uint8_t)(i + 1u), s->now - ago);
    }
}

/* A prop begins to listen: an input that is active already must clear first, or counts once. */
static void look(struct sx *s, uint8_t i) {
    struct sx_input *in = sx_input_at(s, i);
    if (!is_trigger(in) || !sx_active(s, (uint8_t)(i + 1u))) {
        return;
    }
    if (in->flags & SX_CLEAR_FIRST) {
        in->flags |= SX_BLOCKED;
    } else if (!sx_prop_at(s, (uint8_t)(sx_prop_of(in->prop_kind) - 1))->running) {
        trigger(s, i);
    }
}

void sx_look_at_inputs(struct sx *s, uint8_t p) {
    for (uint8_t i = 0; i < SX_INPUTS; i++) {
        if (sx_prop_of(sx_input_at(s, i)->prop_kind) == (uint8_t)(p + 1u)) {
            look(s, i);
        }
    }
}

void sx_inputs_step(struct sx *s) {
    if (!(SX_FLAGS(s) & SX_SETUP_OK)) {
        return;
    }
    for (uint8_t i = 0; i < SX_INPUTS; i++) {
        struct sx_input *in = sx_input_at(s, i);
        if (!in->prop_kind) {
            continue;
        }
        if (in->flags & SX_COLD && sx_due(s, in->warm_up_ms)) {
            in->flags &= (uint8_t)~SX_COLD;
            uint8_t p = (uint8_t)(sx_prop_of(in->prop_kind) - 1u);
            if ((sx_prop_at(s, p)->flags & (SX_ARMED | SX_RESTING)) == SX_ARMED) {
                look(s, i);
            }
        }
        bool raw = raw_level(s, i);
        if (raw != ((in->flags & SX_RAW) != 0)) {
            in->flags ^= SX_RAW;
            in->since = (uint16_t)s->now;
        }
        if (raw == sx_active(s, (uint8_t)(i + 1u))) {
            continue;
        }
        if (sx_past(s, in->since, in->debounce_ms)) {
            s->inputs ^= (sx_set)SX_BIT(i);
            changed(s, i);
        }
    }
}
