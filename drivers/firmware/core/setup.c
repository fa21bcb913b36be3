/* What hangs where, as the console uploads it. It lives in RAM until the next reset. */
#include "internal.h"

/* The verb is still at the beginning of the frame. */
static uint8_t check_text(struct sx *s, const uint8_t *words) {
    uint16_t crc = s->setup_sum;
    for (const uint8_t *verb = s->frame + 3; *verb; verb++) {
        crc = sx_crc(crc, *verb);
    }
    while (*words) {
        crc = sx_crc(crc, ' ');
        for (; *words; words++) {
            crc = sx_crc(crc, *words);
        }
        words++;
    }
    s->setup_sum = sx_crc(crc, '\n');
    return SX_YES;
}

uint8_t sx_setup_begin(struct sx *s, const uint32_t *v, const uint8_t *words) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (sx_prop_at(s, p)->flags & SX_ARMED) {
            return SX_REASON_ARMED;
        }
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (sx_prop_at(s, p)->running || sx_held(s, p)) {
            return SX_REASON_RUNNING;
        }
    }
    if (v[3] < 100 || v[3] > 60000 || v[4] < 50 || v[4] > 60000) {
        return SX_REASON_VALUE;
    }
    uint8_t lock = sx_board_lock(SX_BOARD(s));
    s->stop_keep = 0;
    s->stop_on = 0;
    sx_board_unlock(SX_BOARD(s), lock);
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        sx_switch(s, o, false);
        sx_output_at(s, o)->prop_kind = 0;
        sx_output_at(s, o)->at_stop_wait = 0;
    }
    for (uint8_t i = 0; i < SX_INPUTS; i++) {
        sx_input_at(s, i)->prop_kind = 0;
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        sx_prop_at(s, p)->sequence = 0;
        sx_prop_at(s, p)->area_input = 0;
        sx_prop_at(s, p)->idle = 0;
        sx_prop_at(s, p)->selected = 0;
    }
    s->setup_last[0] = s->setup_last[1] = s->setup_last[2] = 0;
    s->inputs = 0;
    s->heartbeat_ms = (uint16_t)v[3];
    s->report_ms = (uint16_t)v[4];
    s->setup_sum = 0xFFFF;
    SX_FLAGS(s) = (uint8_t)((SX_FLAGS(s) & ~SX_SETUP_OK) | SX_SETUP_OPEN);
    s->due_reports = 0xFF;
    return check_text(s, words);
}

/* Numbers of each kind come in ascending order and within what the board has. */
static uint8_t numbered(struct sx *s, uint8_t kind, uint8_t number) {
    if (!(SX_FLAGS(s) & SX_SETUP_OPEN)) {
        return SX_REASON_SETUP;
    }
    return number > s->setup_last[kind] ? SX_YES : SX_REASON_VALUE;
}

uint8_t sx_set_prop(struct sx *s, const uint32_t *v, const uint8_t *words) {
    uint8_t no = numbered(s, 0, (uint8_t)v[3]);
    if (no != SX_YES) {
        return no;
    }
    if (v[8] > v[9]) {
        return SX_REASON_VALUE;
    }
    struct sx_prop *prop = sx_prop_at(s, (uint8_t)(v[3] - 1));
    prop->rest_ms = (sx_ms24)v[4];
    prop->sequence = SX_FIT(4, (uint8_t)v[5]);
    prop->area_input = SX_FIT(4, (uint8_t)v[6]);
    prop->idle = (uint8_t)v[7];
    prop->idle_least_ms = (sx_ms24)v[8];
    prop->idle_most_ms = (sx_ms24)v[9];
    s->setup_last[0] = (uint8_t)v[3];
    return check_text(s, words);
}

uint8_t sx_set_output(struct sx *s, const uint32_t *v, const uint8_t *words) {
    uint8_t no = numbered(s, 1, (uint8_t)v[3]);
    if (no != SX_YES) {
        return no;
    }
    if (!sx_prop_at(s, (uint8_t)(v[4] - 1))->sequence) {
        return SX_REASON_VALUE;
    }
    struct sx_output *out = sx_output_at(s, (uint8_t)(v[3] - 1));
    out->prop_kind = (uint8_t)(v[4] | v[5] << 4);
    out->at_stop_wait = (uint8_t)(v[5] == SX_OUTPUT_KIND_LIGHT ? v[6] : SX_AT_STOP_OFF);
    out->longest_on_ms = (sx_ms24)v[7];
    out->out_input = SX_FIT(4, (uint8_t)v[8]);
    out->home_input = SX_FIT(4, (uint8_t)v[9]);
    out->travel_ms = (uint16_t)v[10];
    s->setup_last[1] = (uint8_t)v[3];
    return check_text(s, words);
}

uint8_t sx_set_input(struct sx *s, const uint32_t *v, const uint8_t *words) {
    uint8_t no = numbered(s, 2, (uint8_t)v[3]);
    if (no != SX_YES) {
        return no;
    }
    if (!sx_prop_at(s, (uint8_t)(v[4] - 1))->sequence) {
        return SX_REASON_VALUE;
    }
    struct sx_input *in = sx_input_at(s, (uint8_t)(v[3] - 1));
    in->prop_kind = (uint8_t)(v[4] | v[5] << 4);
    in->flags = (uint8_t)((v[9] ? SX_CLEAR_FIRST : 0) | (v[6] == SX_LEVEL_LOW ? SX_ACTIVE_LOW : 0));
    in->debounce_ms = (uint16_t)v[7];
    in->warm_up_ms = (sx_ms24)v[8];
    s->setup_last[2] = (uint8_t)v[3];
    return check_text(s, words);
}

static void draw_stop_picture(struct sx *s) {
    sx_set keep = 0, on = 0;
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        uint8_t at_stop = sx_output_at(s, o)->at_stop_wait & SX_AT_STOP_MASK;
        if (!sx_output_at(s, o)->prop_kind || at_stop == SX_AT_STOP_OFF) {
            continue;
        }
        keep |= (sx_set)SX_BIT(o);
        if (at_stop == SX_AT_STOP_ON) {
            on |= (sx_set)SX_BIT(o);
        }
    }
    uint8_t lock = sx_board_lock(SX_BOARD(s));
    s->stop_keep = keep;
    s->stop_on = on;
    sx_board_unlock(SX_BOARD(s), lock);
}

SX_APART sx_set sx_stop_picture(const struct sx *s) {
    return (sx_set)((s->outputs & s->stop_keep) | s->stop_on);
}

uint8_t sx_setup_end(struct sx *s, uint16_t checksum) {
    if (!(SX_FLAGS(s) & SX_SETUP_OPEN)) {
        return SX_REASON_SETUP;
    }
    SX_FLAGS(s) &= (uint8_t)~SX_SETUP_OPEN;
    uint16_t crc = s->setup_sum ? s->setup_sum : 0xFFFF;
    if (checksum != crc) {
        return SX_REASON_CHECKSUM;
    }
    s->setup_sum = crc;
    SX_FLAGS(s) |= SX_SETUP_OK;
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        sx_prop_at(s, p)->selected = sx_prop_at(s, p)->sequence;
    }
    draw_stop_picture(s);
    sx_inputs_reset(s);
    s->due_reports = 0xFF;
    return SX_YES;
}
