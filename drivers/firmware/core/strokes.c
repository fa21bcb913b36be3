/* Lifetime strokes of every output, in a ring of slots that hold all totals each.
 *
 * Strokes gather in RAM and are written together: within two minutes, sooner at a disarm or a stop
 * as long as that keeps the average over 100 seconds, and before a count in RAM runs over. So no
 * cell sees more than a write in 500 seconds. */
#include "internal.h"

#define LATEST_MS 118000UL
#define TOKEN_MS 100000UL
#define TOKENS 10u
#define MANY 100u
#define NOTHING 0xFFu

static uint16_t slot_at(uint8_t slot) {
    return (uint16_t)(SX_NV_STROKES + slot * SX_STROKE_BYTES);
}

static uint8_t nv(const struct sx *s, uint16_t at) { return sx_board_nv_read(SX_BOARD(s), at); }

static uint16_t total_at(uint8_t slot, uint8_t o) {
    return (uint16_t)(slot_at(slot) + 2 + 4 * o);
}

static uint32_t stored(const struct sx *s, uint8_t o) {
    uint32_t total = 0;
    if (s->strokes_slot != NOTHING) {
        uint16_t at = total_at(s->strokes_slot, o);
        for (uint8_t i = 4; i--;) {
            total = total << 8 | nv(s, (uint16_t)(at + i));
        }
    }
    return total;
}

/* How many of an output's strokes are in the slot that is being written, whose first byte of that
 * total is in its place. */
static uint8_t flushing(const struct sx *s, uint8_t slot, uint8_t o) {
    return (uint8_t)(nv(s, total_at(slot, o)) - (uint8_t)stored(s, o));
}

void sx_strokes_begin(struct sx *s) {
    s->strokes_slot = NOTHING;
    s->strokes_pos = NOTHING;
    s->strokes_tokens = TOKENS;
    for (uint8_t slot = 0; slot < SX_STROKE_SLOTS; slot++) {
        uint16_t at = slot_at(slot), crc = 0xFFFF;
        for (uint8_t i = 0; i < SX_STROKE_BYTES - 2; i++) {
            crc = sx_crc(crc, nv(s, at++));
        }
        uint16_t given = (uint16_t)(nv(s, at) << 8 | nv(s, (uint16_t)(at + 1)));
        at = slot_at(slot);
        uint16_t seq = (uint16_t)(nv(s, at) | nv(s, (uint16_t)(at + 1)) << 8);
        bool newer = s->strokes_slot == NOTHING || (uint16_t)(seq - s->strokes_seq) < 0x8000u;
        if (given == crc && newer) {
            s->strokes_slot = slot;
            s->strokes_seq = seq;
        }
    }
}

void sx_stroke(struct sx *s, uint8_t o) {
    struct sx_output *out = sx_output_at(s, o);
    if (out->strokes < 0xFF) {
        out->strokes++;
    }
    if (!s->strokes_due) {
        s->strokes_due = s->now + LATEST_MS;
        s->strokes_due += !s->strokes_due;
    }
    if (out->strokes == MANY) {
        s->strokes_due = s->now + !s->now;
    }
}

void sx_strokes_soon(struct sx *s) {
    if (s->strokes_due && s->strokes_tokens && s->strokes_pos == NOTHING) {
        s->strokes_tokens--;
        s->strokes_due = s->now + !s->now;
        SX_FLAGS(s) |= SX_AGAIN;
    }
}

uint32_t sx_strokes(struct sx *s, uint8_t o) {
    return stored(s, o) + sx_output_at(s, o)->strokes;
}

static void flush(struct sx *s) {
    s->strokes_due = 0;
    s->strokes_pos = 0;
    s->nv_crc = 0xFFFF;
}

static void flushed(struct sx *s, uint8_t slot) {
    for (uint8_t o = 0; o < SX_OUTPUTS; o++) {
        struct sx_output *out = sx_output_at(s, o);
        out->strokes = (uint8_t)(out->strokes - flushing(s, slot, o));
    }
    s->strokes_slot = slot;
    s->strokes_seq++;
    s->strokes_pos = NOTHING;
}

/* Writes one byte, if any is due. */
bool sx_strokes_step(struct sx *s) {
    if (s->strokes_tokens < TOKENS && sx_due(s, s->strokes_token_at + TOKEN_MS)) {
        s->strokes_tokens++;
        s->strokes_token_at = s->now;
    } else if (s->strokes_tokens == TOKENS) {
        s->strokes_token_at = s->now;
    }
    if (s->strokes_pos == NOTHING) {
        if (!s->strokes_due || !sx_due(s, s->strokes_due)) {
            return false;
        }
        flush(s);
    }
    uint8_t slot = (uint8_t)(s->strokes_slot + 1u < SX_STROKE_SLOTS ? s->strokes_slot + 1u : 0u);
    uint8_t i = s->strokes_pos, byte;
    SX_FLAGS(s) |= SX_AGAIN;
    if (s->strokes_slot == NOTHING) {
        slot = 0;
    }
    if (i == SX_STROKE_BYTES) {
        if (!sx_board_nv_settle(SX_BOARD(s))) {
            return false;
        }
        flushed(s, slot);
        return true;
    }
    if (i < 2) {
        byte = (uint8_t)((uint16_t)(s->strokes_seq + 1u) >> (8u * i));
    } else if (i < SX_STROKE_BYTES - 2) {
        uint8_t o = (uint8_t)((i - 2u) >> 2), k = (uint8_t)((i - 2u) & 3u);
        uint8_t more = k ? flushing(s, slot, o) : sx_output_at(s, o)->strokes;
        byte = (uint8_t)((stored(s, o) + more) >> (8u * k));
    } else {
        byte = (uint8_t)(i == SX_STROKE_BYTES - 2 ? s->nv_crc >> 8 : s->nv_crc);
    }
    if (i < SX_STROKE_BYTES - 2) {
        s->nv_crc = sx_crc(s->nv_crc, byte);
    }
    sx_board_nv_write(SX_BOARD(s), (uint16_t)(slot_at(slot) + i), byte);
    s->strokes_pos++;
    return true;
}
