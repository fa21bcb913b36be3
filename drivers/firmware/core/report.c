/* What the board says on its own account: changes, the state at a set rate, cycles, events. */
#include "internal.h"

#define REPEAT_MS 500u

static void drop_event(struct sx *s, uint8_t at) {
    s->events_count--;
    s->event_told = s->event_told && at;
    for (; at < s->events_count; at++) {
        s->events[at] = s->events[at + 1];
    }
}

/* When they are too many, a missed trigger gives way first. */
static bool make_room(struct sx *s, uint8_t kind) {
    if (s->events_count < SX_EVENTS) {
        return true;
    }
    if (kind == SX_EVENT_KIND_MISSED) {
        return false;
    }
    for (uint8_t at = 0; at < SX_EVENTS; at++) {
        if ((s->events[at].kind_prop & 15u) == SX_EVENT_KIND_MISSED) {
            drop_event(s, at);
            return true;
        }
    }
    drop_event(s, 0);
    return true;
}

SX_APART void sx_show(struct sx *s, uint8_t p) { s->due_reports |= (uint8_t)SX_BIT(p + 1u); }

void sx_event(struct sx *s, uint8_t kind, uint8_t prop, uint8_t detail, uint16_t value) {
    if (!make_room(s, kind)) {
        return;
    }
    struct sx_event *e = &s->events[s->events_count++];
    s->event_number++;
    e->ms = s->now;
    e->number = s->event_number;
    e->value = value;
    e->kind_prop = (uint8_t)(kind | prop << 4);
    e->detail = detail;
    SX_FLAGS(s) |= SX_AGAIN;
}

void sx_event_seen(struct sx *s, uint32_t number) {
    for (uint8_t at = 0; at < s->events_count; at++) {
        if (s->events[at].number == number) {
            drop_event(s, at);
            SX_FLAGS(s) |= SX_AGAIN;
            return;
        }
    }
}

uint8_t sx_board_flags(const struct sx *s) {
    return (uint8_t)((SX_FLAGS(s) & SX_STOP_OPEN ? SX_BOARD_FLAGS_STOP_INPUT_OPEN : 0u) |
                     (SX_FLAGS(s) & SX_LOW ? SX_BOARD_FLAGS_LOW_SUPPLY : 0u) |
                     (SX_FLAGS(s) & SX_SHARED ? SX_BOARD_FLAGS_SHARED_LINE : 0u));
}

SX_APART static bool in_setup(const struct sx *s, uint8_t p) {
    return SX_FLAGS(s) & SX_SETUP_OK && sx_prop_at(s, p)->sequence;
}

void sx_look_for_changes(struct sx *s) {
    if (s->outputs != s->shown_outputs || sx_board_flags(s) != s->shown_board_flags) {
        s->shown_outputs = s->outputs;
        s->shown_board_flags = sx_board_flags(s);
        s->due_reports |= 1u;
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        struct sx_prop *prop = sx_prop_at(s, p);
        uint8_t state = sx_state(s, p), flags = sx_prop_flags(s, p);
        if (state != prop->shown_state) {
            prop->shown_state = state;
            prop->state_at = s->now;
            sx_show(s, p);
        }
        if (flags != prop->shown_flags) {
            prop->shown_flags = flags;
            sx_show(s, p);
        }
    }
    if (s->session && !(SX_FLAGS(s) & SX_SHARED)) {
        uint16_t every = SX_FLAGS(s) & SX_SETUP_OK ? s->report_ms : 500u;
        if (sx_past(s, s->report_at, every)) {
            s->report_at = (uint16_t)s->now;
            s->due_reports = 0xFF;
        }
    }
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (!in_setup(s, p)) {
            s->due_reports = (uint8_t)(s->due_reports & ~SX_BIT(p + 1));
        }
    }
    s->due_reports &= (uint8_t)(SX_BIT(SX_PROPS + 1) - 1u);
}

static void send_boot(struct sx *s) {
    const uint32_t v[] = {s->boot, s->cause};
    SX_FLAGS(s) |= SX_BOOT_TOLD;
    sx_out_shape(s, SX_OUT_BOOT, v);
    sx_out_end(s);
}

static void send_event(struct sx *s) {
    const struct sx_event *e = &s->events[0];
    const uint32_t v[] = {e->number, s->boot,   e->ms,   e->kind_prop & 15u, e->kind_prop >> 4,
                          e->detail, e->value};
    s->event_told = true;
    s->event_sent = (uint16_t)s->now;
    sx_out_shape(s, SX_OUT_EVENT, v);
    sx_out_end(s);
}

static bool event_due(struct sx *s) {
    return s->events_count && (!s->event_told || sx_past(s, s->event_sent, REPEAT_MS));
}

/* Chooses the record to send: the outstanding one until it is acknowledged, then the next prop's
 * oldest. */
static bool send_cycle(struct sx *s) {
    if (!sx_board_nv_ready(SX_BOARD(s))) {
        return false;
    }
    uint8_t p = (uint8_t)(s->cycle_prop - 1u);
    bool outstanding = s->cycle_prop && sx_prop_at(s, p)->held & SX_BIT(s->cycle_slot) &&
                       sx_record_oldest(s, p) % SX_RECORDS == s->cycle_slot;
    if (outstanding && !sx_past(s, s->cycle_sent, REPEAT_MS)) {
        return false;
    }
    for (uint8_t i = 0; i < SX_PROPS && !outstanding; i++) {
        p = s->cycle_prop >= SX_PROPS ? 0u : s->cycle_prop;
        s->cycle_prop = (uint8_t)(p + 1u);
        sx_number number = sx_record_oldest(s, p);
        s->cycle_slot = (uint8_t)(number % SX_RECORDS);
        outstanding = number != 0;
    }
    if (!outstanding) {
        s->cycle_prop = 0;
        return false;
    }
    s->cycle_sent = (uint16_t)s->now;
    return sx_record_send(s, p, s->cycle_slot);
}

static void send_state(struct sx *s) {
    const uint32_t v[] = {s->boot,   s->session, s->now,       s->stop,       sx_board_flags(s),
                          s->inputs, s->outputs, s->supply_mv, s->pressure_mv};
    sx_out_shape(s, SX_OUT_STATE, v);
    sx_out_end(s);
}

static void send_prop(struct sx *s, uint8_t p) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    bool waits = prop->flags & SX_PENDING && !prop->running;
    const uint32_t v[] = {p + 1u,
                          prop->shown_state,
                          prop->shown_flags,
                          prop->sources,
                          prop->selected,
                          waits ? prop->wanted : prop->running,
                          s->now - prop->state_at,
                          prop->life,
                          prop->number,
                          sx_record_oldest(s, p)};
    sx_out_shape(s, SX_OUT_PROP, v);
    sx_out_end(s);
}

static void send_item(struct sx *s, uint8_t item) {
    s->due_reports = (uint8_t)(s->due_reports & ~SX_BIT(item));
    if (item == 0) {
        send_state(s);
    } else {
        send_prop(s, (uint8_t)(item - 1u));
    }
}

/* Sends the most urgent report; with `fill` the next in turn when none is due. */
bool sx_send_report(struct sx *s, bool fill) {
    if (!(SX_FLAGS(s) & SX_BOOT_TOLD)) {
        send_boot(s);
        return true;
    }
    if (!s->session) {
        return false;
    }
    if (event_due(s)) {
        send_event(s);
        return true;
    }
    if (send_cycle(s)) {
        return true;
    }
    for (uint8_t item = 0; item <= SX_PROPS; item++) {
        if (s->due_reports & SX_BIT(item)) {
            send_item(s, item);
            return true;
        }
    }
    if (fill) {
        do {
            s->poll_turn = s->poll_turn >= SX_PROPS ? 0u : (uint8_t)(s->poll_turn + 1u);
        } while (s->poll_turn && !in_setup(s, (uint8_t)(s->poll_turn - 1u)));
        send_item(s, s->poll_turn);
    }
    return fill;
}
