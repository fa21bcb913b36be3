/* Non-volatile memory. Whatever must be written is kept in RAM and written a byte at a time, most
 * urgent first, whenever the memory is ready. Power may go at any byte: every item has a checksum
 * over all of it, and the one before it stays whole in another slot. */
#include "internal.h"

#define NOTHING 0xFFu
#define LAYOUT ((uint8_t)(SX_PROPS * 67 + SX_OUTPUTS * 31 + SX_TRAVELS * 7 + 1))

static uint8_t header_byte(uint8_t i) {
    return i == 0 ? 'S' : i == 1 ? 'X' : i == 2 ? LAYOUT : (uint8_t)~LAYOUT;
}

static uint16_t boot_at(uint8_t slot) {
    return (uint16_t)(SX_NV_BOOTS + slot * SX_BOOT_BYTES);
}

static uint8_t boot_byte(uint32_t boot, uint8_t i) {
    if (i < 4) {
        return (uint8_t)(boot >> (8u * i));
    }
    uint16_t crc = 0xFFFF;
    for (i = 0; i < 4; i++) {
        crc = sx_crc(crc, (uint8_t)(boot >> (8u * i)));
    }
    return (uint8_t)(crc ^ (crc >> 8));
}

static uint8_t life_byte(uint32_t life, uint8_t p, uint8_t i) {
    if (i < 4) {
        return (uint8_t)(life >> (8u * i));
    }
    uint16_t crc = sx_crc(0xFFFF, p);
    for (uint8_t k = 0; k < 4; k++) {
        crc = sx_crc(crc, (uint8_t)(life >> (8u * k)));
    }
    return (uint8_t)(i == 4 ? crc >> 8 : crc);
}

static uint16_t life_at(uint8_t p) { return (uint16_t)(SX_NV_LIVES + p * SX_LIFE_BYTES); }

static void read_lives(struct sx *s, bool formatted) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        uint32_t life = 0;
        bool good = formatted;
        for (uint8_t i = 0; i < SX_LIFE_BYTES; i++) {
            uint8_t byte = sx_board_nv_read(s->board, (uint16_t)(life_at(p) + i));
            if (i < 4) {
                life |= (uint32_t)byte << (8u * i);
            }
            good = good && byte == life_byte(life, p, i);
        }
        if (!good) {
            life = sx_random(s);
            s->life_todo |= (uint8_t)SX_BIT(p);
        }
        s->props[p].life = life;
        uint8_t tag = sx_board_nv_read(s->board, (uint16_t)(SX_NV_TAGS + p));
        if (formatted && tag != SX_UNTAGGED) {
            s->props[p].flags |= SX_IS_TAGGED;
        }
    }
}

static void read_boots(struct sx *s, bool formatted) {
    uint8_t newest = NOTHING;
    uint32_t boot = 0;
    uint16_t bad = 0;
    for (uint8_t slot = 0; slot < SX_BOOT_SLOTS; slot++) {
        uint32_t value = 0;
        bool good = formatted;
        for (uint8_t i = 0; i < SX_BOOT_BYTES; i++) {
            uint8_t byte = sx_board_nv_read(s->board, (uint16_t)(boot_at(slot) + i));
            if (i < 4) {
                value |= (uint32_t)byte << (8u * i);
            }
            good = good && byte == boot_byte(value, i);
        }
        if (!good && value != 0xFFFFFFFFUL) {
            bad |= SX_BIT(slot);
        }
        if (good && (newest == NOTHING || value - boot < 0x80000000UL)) {
            newest = slot;
            boot = value;
        }
    }
    s->boot = newest == NOTHING ? sx_random(s) : boot + 1u;
    s->boot_slot = (uint8_t)(newest == NOTHING ? 0u : (newest + 1u) % SX_BOOT_SLOTS);
    if (bad & SX_BIT(s->boot_slot)) { /* torn, or the newest rotted: one id may have been used */
        s->boot++;
    }
    s->boot += !s->boot;
    s->boot_pos = 0;
}

void sx_memory_begin(struct sx *s) {
    bool formatted = true;
    for (uint8_t i = 0; i < 4; i++) {
        formatted = formatted && sx_board_nv_read(s->board, i) == header_byte(i);
    }
    s->format_pos = formatted ? NOTHING : 0;
    s->life_pos = 0;
    read_lives(s, formatted);
    read_boots(s, formatted);
    sx_records_begin(s);
    sx_strokes_begin(s);
    if (!formatted) {
        s->tag_todo = (uint8_t)(SX_BIT(SX_PROPS) - 1u);
    }
}

/* Whether the board's identity is durable, so that it may speak. */
bool sx_memory_ready(const struct sx *s) {
    return s->boot_pos > SX_BOOT_BYTES && s->format_pos == NOTHING && !s->life_todo;
}

static void write(struct sx *s, uint16_t at, uint8_t byte) {
    sx_board_nv_write(s->board, at, byte);
    s->flags |= SX_AGAIN;
}

static uint8_t lowest(uint8_t bits) {
    uint8_t p = 0;
    while (!(bits & SX_BIT(p))) {
        p++;
    }
    return p;
}

/* The header is the last of a format, so that a cut one begins anew. */
static bool identity_step(struct sx *s) {
    if (s->life_todo) {
        uint8_t p = lowest(s->life_todo);
        write(s, (uint16_t)(life_at(p) + s->life_pos), life_byte(s->props[p].life, p, s->life_pos));
        if (++s->life_pos == SX_LIFE_BYTES) {
            s->life_pos = 0;
            s->life_todo = (uint8_t)(s->life_todo & ~SX_BIT(p));
        }
    } else if (s->tag_todo) {
        uint8_t p = lowest(s->tag_todo);
        bool tagged = s->props[p].flags & SX_IS_TAGGED;
        s->tag_todo = (uint8_t)(s->tag_todo & ~SX_BIT(p));
        write(s, (uint16_t)(SX_NV_TAGS + p), tagged ? SX_TAGGED : SX_UNTAGGED);
    } else if (s->boot_pos < SX_BOOT_BYTES) {
        write(s, (uint16_t)(boot_at(s->boot_slot) + s->boot_pos), boot_byte(s->boot, s->boot_pos));
        s->boot_pos++;
    } else if (s->format_pos != NOTHING) {
        write(s, (uint16_t)(SX_NV_HEADER + s->format_pos), header_byte(s->format_pos));
        s->format_pos = s->format_pos == 3 ? NOTHING : (uint8_t)(s->format_pos + 1u);
    } else if (s->boot_pos == SX_BOOT_BYTES && sx_board_nv_settle(s->board)) {
        s->boot_pos++;
        s->flags |= SX_AGAIN;
    } else {
        return false;
    }
    return true;
}

static bool records_step(struct sx *s, uint8_t stage) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (s->props[p].rec_stage == stage && sx_record_step(s, p, stage)) {
            return true;
        }
    }
    return false;
}

void sx_memory_step(struct sx *s) {
    while (sx_board_nv_ready(s->board)) {
        if (!identity_step(s) && !records_step(s, SX_HEAD) && !records_step(s, SX_TAIL) &&
            !sx_strokes_step(s)) {
            return;
        }
    }
    (void)sx_due(s, s->now + 1u);
}
