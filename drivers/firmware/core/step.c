/* The order in which everything is looked at: stops first, then what moves, then words. */
#include "internal.h"

SX_APART void sx_begin(struct sx *s, void *board, uint8_t address, bool shared, uint32_t seed,
                       uint8_t cause, uint32_t now_ms) {
    uint8_t *bytes = (uint8_t *)s;
    for (uint16_t i = 0; i < sizeof *s; i++) {
        bytes[i] = 0;
    }
#ifdef SX_BOARD_KEPT
    s->board = board;
#endif
    s->address = address;
    s->cause = cause;
    s->now = now_ms;
    s->random = seed ? seed : 1u;
    s->frame_len = 0xFF;
    SX_FLAGS(s) = shared ? SX_SHARED : 0;
    s->stop_since = (uint16_t)now_ms;
    sx_apply(s);
    sx_board_lamp(board, false);
    sx_memory_begin(s);
    s->now = now_ms - 1u; /* the first step is a tick */
}

SX_APART bool sx_past(struct sx *s, uint16_t from, uint16_t ms) {
    uint16_t past = (uint16_t)((uint16_t)s->now - from);
    if (past >= ms) {
        return true;
    }
#ifndef SX_TICKING
    if ((uint32_t)(ms - past) < s->next) {
        s->next = (uint32_t)(ms - past);
    }
#endif
    return false;
}

#define STOP_CLOSED_MS 20u

/* Open counts at once, closed when it has been so for a while. */
static void stop_input(struct sx *s, bool closed) {
    if (!closed) {
        s->stop_since = (uint16_t)s->now;
        if (!(SX_FLAGS(s) & SX_STOP_OPEN)) {
            SX_FLAGS(s) |= SX_STOP_OPEN;
            sx_stop(s, 0, SX_STOP_SOURCE_INPUT);
            sx_event(s, SX_EVENT_KIND_STOP_INPUT, 0, SX_NO_DETAIL, 1);
        } else if (!s->stop) {
            sx_stop(s, 0, SX_STOP_SOURCE_INPUT);
        }
    } else if (SX_FLAGS(s) & SX_STOP_OPEN) {
        if (sx_past(s, s->stop_since, STOP_CLOSED_MS)) {
            SX_FLAGS(s) &= (uint8_t)~SX_STOP_OPEN;
            sx_event(s, SX_EVENT_KIND_STOP_INPUT, 0, SX_NO_DETAIL, 0);
        }
    }
}

static void supply(struct sx *s, uint16_t mv) {
    s->supply_mv = mv;
    if (mv && mv < SX_LOW_SUPPLY_MV) {
        if (!(SX_FLAGS(s) & SX_LOW)) {
            SX_FLAGS(s) |= SX_LOW;
            sx_event(s, SX_EVENT_KIND_SUPPLY, 0, SX_NO_DETAIL, mv);
        }
    } else if (!mv || mv >= SX_LOW_SUPPLY_MV + SX_LOW_SUPPLY_HYSTERESIS_MV) {
        SX_FLAGS(s) &= (uint8_t)~SX_LOW;
    }
}

static void heartbeat(struct sx *s) {
    bool alive = false;
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        const struct sx_prop *prop = sx_prop_at(s, p);
        alive = alive || sx_held(s, p) || prop->flags & SX_ARMED || prop->running;
    }
    sx_mark silent = (sx_mark)((sx_mark)s->now - s->heard);
    if (!alive) {
        return;
    }
    if (silent <= s->heartbeat_ms) {
        (void)sx_due(s, s->now - silent + s->heartbeat_ms + 1u);
        return;
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        sx_disarm(s, p);
    }
    sx_event(s, SX_EVENT_KIND_SILENT, 0, SX_NO_DETAIL, 0);
}

/* At most one frame taken and one made in a step, so that no step is long. */
static void line(struct sx *s) {
    if (!sx_memory_ready(s)) {
        return;
    }
    if (s->answers_count < SX_ANSWERS && sx_take_frame(s)) {
        sx_request(s);
        SX_FLAGS(s) |= SX_AGAIN;
    }
    if (!sx_tx_free(s)) {
        return;
    }
    sx_look_for_changes(s);
    bool own = !(SX_FLAGS(s) & SX_SHARED);
    if (own && !(SX_FLAGS(s) & SX_BOOT_TOLD)) {
        (void)sx_send_report(s, false);
    } else if (!sx_send_answer(s) && own) {
        (void)sx_send_report(s, false);
    }
    if (!sx_tx_free(s)) {
        SX_FLAGS(s) |= SX_AGAIN;
    }
}

/* Moves are made on the ticks of the clock only, so that steps keep their distances. */
static void move(struct sx *s) {
    sx_inputs_step(s);
    sx_props_step(s);
    sx_outputs_step(s);
    heartbeat(s);
}

uint32_t sx_step(struct sx *s, uint32_t now_ms, const struct sx_pins *pins) {
    bool tick = now_ms != s->now;
#ifndef SX_TICKING
    bool stirred = SX_FLAGS(s) & SX_AGAIN || (sx_set)pins->inputs != s->levels;
    s->next = 60000UL;
#endif
    s->now = now_ms;
    s->levels = (sx_set)pins->inputs;
    s->pressure_mv = pins->pressure_mv;
    SX_FLAGS(s) &= (uint8_t)~SX_AGAIN;
    if (s->stop_seen) {
        sx_stop(s, 0, SX_STOP_SOURCE_BYTE);
        s->stop_seen = 0;
    }
    stop_input(s, pins->stop_closed);
    if (tick) {
        if (now_ms > SX_MS24_MAX) {
            SX_FLAGS(s) |= SX_WARM;
        }
        supply(s, pins->supply_mv);
        move(s);
    }
#ifndef SX_TICKING
    if (tick) {
        s->wake = now_ms + s->next;
    } else if (stirred) {
        s->wake = now_ms + 1u;
    }
    if (s->wake - now_ms < s->next) {
        s->next = s->wake - now_ms;
    }
#endif
    line(s);
    sx_memory_step(s);
    if (!sx_tx_free(s)) {
        (void)sx_due(s, s->now + 1u);
    }
    if (SX_FLAGS(s) & SX_AGAIN || s->rx_in != s->rx_out) {
        return 0;
    }
#ifdef SX_TICKING
    return 1;
#else
    return s->next;
#endif
}
