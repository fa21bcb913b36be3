/* Non-volatile memory. Whatever must be written is kept in RAM and written a byte at a time, most
 * urgent first, whenever the memory is ready. Power may go at any byte: every item has a checksum
 * over all of it, and the one before it stays whole in another slot. */
#include "internal.h"

#define NOTHING 0xFFu

#define TAG_WRITTEN 0x80u /* in sx.tag_todo, beside a bit for each prop */

enum { BOOT_WRITING, BOOT_WRITTEN, BOOT_DURABLE }; /* sx.boot_stage */

#define LAYOUT ((uint8_t)(SX_PROPS * 67 + SX_OUTPUTS * 31 + SX_TRAVELS * 7 + 1))

static uint8_t header_byte(uint8_t i) {
    return i == 0 ? 'S' : i == 1 ? 'X' : i == 2 ? LAYOUT : (uint8_t)~LAYOUT;
}

/* An item is four bytes and a checksum, which begins with what the item is for. */
#define BOOT_SEED 0xB0u

static uint16_t boot_at(uint8_t slot) {
    return (uint16_t)(SX_NV_BOOTS + slot * SX_ITEM_BYTES);
}

static uint16_t life_at(uint8_t p) { return (uint16_t)(SX_NV_LIVES + p * SX_ITEM_BYTES); }

static void pack(uint32_t value, uint8_t seed, uint8_t *item) {
    uint16_t crc = sx_crc(0xFFFF, seed);
    for (uint8_t i = 0; i < 4; i++) {
        item[i] = (uint8_t)value;
        crc = sx_crc(crc, (uint8_t)value);
        value >>= 8;
    }
    item[4] = (uint8_t)(crc >> 8);
    item[5] = (uint8_t)crc;
}

static bool read_item(const struct sx *s, uint16_t at, uint8_t seed, uint32_t *value) {
    uint8_t item[SX_ITEM_BYTES];
    uint32_t v = 0;
    for (uint8_t i = 4; i--;) {
        v = v << 8 | sx_board_nv_read(SX_BOARD(s), (uint16_t)(at + i));
    }
    *value = v;
    pack(v, seed, item);
    return item[4] == sx_board_nv_read(SX_BOARD(s), (uint16_t)(at + 4)) &&
           item[5] == sx_board_nv_read(SX_BOARD(s), (uint16_t)(at + 5));
}

static void read_lives(struct sx *s, bool formatted) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        struct sx_prop *prop = sx_prop_at(s, p);
        if (!read_item(s, life_at(p), p, &prop->life) || !formatted) {
            prop->life = sx_random(s);
            s->life_todo |= (uint8_t)SX_BIT(p);
        }
        if (formatted && sx_board_nv_read(SX_BOARD(s), (uint16_t)(SX_NV_TAGS + p)) != SX_UNTAGGED) {
            prop->flags |= SX_IS_TAGGED;
        }
    }
}

static void read_boots(struct sx *s, bool formatted) {
    uint8_t newest = NOTHING;
    uint16_t bad = 0;
    s->boot = sx_random(s);
    for (uint8_t slot = 0; slot < SX_BOOT_SLOTS && formatted; slot++) {
        uint32_t value;
        if (!read_item(s, boot_at(slot), BOOT_SEED, &value)) {
            if (value != 0xFFFFFFFFUL) {
                bad |= SX_BIT(slot);
            }
        } else if (newest == NOTHING || value - s->boot < 0x80000000UL) {
            newest = slot;
            s->boot = value;
        }
    }
    s->boot++;
    s->boot_slot = (uint8_t)(newest == NOTHING ? 0u : (newest + 1u) % SX_BOOT_SLOTS);
    if (bad & SX_BIT(s->boot_slot)) { /* torn, or the newest rotted: one id may have been used */
        s->boot++;
    }
    s->boot += !s->boot;
}

void sx_memory_begin(struct sx *s) {
    bool formatted = true;
    for (uint8_t i = 0; i < 4; i++) {
        formatted = formatted && sx_board_nv_read(SX_BOARD(s), i) == header_byte(i);
    }
    s->format_pos = formatted ? NOTHING : 0;
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
    return s->boot_stage == BOOT_DURABLE && !s->life_todo;
}

static void write(struct sx *s, uint16_t at, uint8_t byte) {
    sx_board_nv_write(SX_BOARD(s), at, byte);
    SX_FLAGS(s) |= SX_AGAIN;
}

static uint8_t lowest(uint8_t bits) {
    uint8_t p = 0;
    while (!(bits & SX_BIT(p))) {
        p++;
    }
    return p;
}

/* Writes the next byte of an item; true with its last. */
static bool write_item(struct sx *s, uint16_t at, uint8_t seed, uint32_t value) {
    uint8_t item[SX_ITEM_BYTES];
    pack(value, seed, item);
    write(s, (uint16_t)(at + s->item_pos), item[s->item_pos]);
    if (++s->item_pos < SX_ITEM_BYTES) {
        return false;
    }
    s->item_pos = 0;
    return true;
}

/* The header is the last of a format, so that a cut one begins anew. */
static bool identity_step(struct sx *s) {
    if (s->life_todo) {
        uint8_t p = lowest(s->life_todo);
        if (write_item(s, life_at(p), p, sx_prop_at(s, p)->life)) {
            s->life_todo = (uint8_t)(s->life_todo & ~SX_BIT(p));
        }
    } else if (s->boot_stage == BOOT_WRITING) {
        if (write_item(s, boot_at(s->boot_slot), BOOT_SEED, s->boot)) {
            s->boot_stage = BOOT_WRITTEN;
        }
    } else if (s->tag_todo == TAG_WRITTEN) {
        if (!sx_board_nv_settle(SX_BOARD(s))) {
            return false;
        }
        s->tag_todo = 0;
        SX_FLAGS(s) |= SX_AGAIN;
    } else if (s->tag_todo) {
        uint8_t p = lowest(s->tag_todo);
        bool tagged = sx_prop_at(s, p)->flags & SX_IS_TAGGED;
        s->tag_todo = (uint8_t)((unsigned)(s->tag_todo & ~SX_BIT(p)) | TAG_WRITTEN);
        write(s, (uint16_t)(SX_NV_TAGS + p), tagged ? SX_TAGGED : SX_UNTAGGED);
    } else if (s->format_pos != NOTHING) {
        write(s, (uint16_t)(SX_NV_HEADER + s->format_pos), header_byte(s->format_pos));
        s->format_pos = s->format_pos == 3 ? NOTHING : (uint8_t)(s->format_pos + 1u);
    } else if (s->boot_stage == BOOT_WRITTEN && sx_board_nv_settle(SX_BOARD(s))) {
        s->boot_stage = BOOT_DURABLE;
        SX_FLAGS(s) |= SX_AGAIN;
    } else {
        return false;
    }
    return true;
}

static bool records_step(struct sx *s, uint8_t stage) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        if (sx_prop_at(s, p)->rec_stage == stage && sx_record_step(s, p, stage)) {
            return true;
        }
    }
    return false;
}

void sx_memory_step(struct sx *s) {
    while (sx_board_nv_ready(SX_BOARD(s))) {
        if (!identity_step(s) && !records_step(s, SX_HEAD) && !records_step(s, SX_TAIL) &&
            !sx_strokes_step(s)) {
            return;
        }
    }
    (void)sx_due(s, s->now + 1u);
}
