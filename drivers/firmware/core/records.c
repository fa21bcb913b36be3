/* The record of each cycle, in a ring of 16 slots for each prop.
 *
 * The head is written when the cycle begins and the tail when it is over; each has a checksum, and
 * the tail's covers the head, so an old tail never fits a new head. A head without its tail is a
 * cycle that a reset cut. Acknowledgements are not written: each head says how many records before
 * it were held, so after a reset at most those are sent again, and the ledger stores each once. */
#include "internal.h"

static uint16_t slot_at(uint8_t p, uint8_t slot) {
    return (uint16_t)(SX_NV_RECORDS + (uint16_t)(p * SX_RECORDS + slot) * SX_RECORD_BYTES);
}

static uint16_t seed(const struct sx *s, uint8_t p) {
    uint32_t life = sx_prop_at(s, p)->life;
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 0; i < 4; i++, life <<= 8) {
        crc = sx_crc(crc, (uint8_t)(life >> 24));
    }
    return sx_crc(crc, p);
}

#define NO_TRAVEL 0xFFFFu

/* Numbers lie lowest byte first. */
static uint8_t *store(uint8_t *b, uint32_t value, uint8_t n) {
    for (; n--; value >>= 8) {
        *b++ = (uint8_t)value;
    }
    return b;
}

SX_APART static uint32_t load(const uint8_t *b, uint8_t n) {
    uint32_t value = 0;
    while (n--) {
        value = value << 8 | b[n];
    }
    return value;
}

static void make_head(const struct sx *s, const struct sx_prop *prop, uint8_t *b) {
    b = store(b, prop->number + 1u, 3);
    b = store(b, s->boot, 2);
    b = store(b, prop->started, 4);
    *b++ = (uint8_t)((unsigned)prop->wanted | (unsigned)prop->trigger << 5);
    *b = prop->rec_held;
}

/* 21 bits of duration, 3 of outcome, then the travels. */
static void make_tail(const struct sx_prop *prop, uint8_t *b) {
    uint32_t most = 0x1FFFFFUL, ms = prop->ended - prop->started;
    ms = ms < most ? ms : most;
    b = store(b, ms | (uint32_t)prop->rec_outcome << 21, 3);
    for (uint8_t k = 0; k < SX_TRAVELS; k++) {
        b = store(b, prop->rec_travel[k], 2);
    }
}

/* A record as it lies in its slot; `whole` is 0 without a head, 1 without a tail, 2 with both. */
struct slot {
    uint8_t head[SX_HEAD_BYTES];
    uint8_t tail[SX_TAIL_BYTES];
    sx_number number;
    uint16_t crc, given; /* of the head: as it should be, as it is */
    uint8_t whole;
};

/* The tail's checksum begins with the head's and the number, so that no old tail fits. */
static uint16_t tail_seed(uint16_t head_crc, sx_number number) {
    return sx_crc((uint16_t)~head_crc, (uint8_t)number);
}

static uint16_t crc_of(uint16_t crc, const uint8_t *b, uint8_t n) {
    while (n--) {
        crc = sx_crc(crc, *b++);
    }
    return crc;
}

static bool tail_fits(const struct slot *r, uint16_t head_crc, sx_number number) {
    uint16_t crc = crc_of(tail_seed(head_crc, number), r->tail, SX_TAIL_BYTES - 2);
    return r->tail[SX_TAIL_BYTES - 2] == (uint8_t)(crc >> 8) &&
           r->tail[SX_TAIL_BYTES - 1] == (uint8_t)crc;
}

static void read_slot(const struct sx *s, uint8_t p, uint8_t slot, struct slot *r) {
    uint16_t at = slot_at(p, slot);
    uint8_t *b = r->head;
    for (uint8_t i = 0; i < SX_RECORD_BYTES; i++) {
        if (i == SX_HEAD_BYTES) {
            b = r->tail;
        }
        *b++ = sx_board_nv_read(SX_BOARD(s), at++);
    }
    r->whole = 0;
    r->number = (sx_number)load(r->head, 3);
    r->crc = crc_of(seed(s, p), r->head, SX_HEAD_BYTES - 2);
    r->given = (uint16_t)(r->head[11] << 8 | r->head[12]);
    if (r->given == r->crc && (uint8_t)r->number % SX_RECORDS == slot && r->number &&
        r->head[9] >> 5 < SX_TRIGGER_COUNT) {
        bool finished = tail_fits(r, r->crc, r->number) && r->tail[2] >> 5 < SX_OUTCOME_COUNT;
        r->whole = finished ? 2 : 1;
    }
}

static void begin(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    struct slot r;
    uint16_t good = 0;
    uint8_t held = 0;
    prop->number = 0;
    for (uint8_t slot = 0; slot < SX_RECORDS; slot++) {
        read_slot(s, p, slot, &r);
        if (!r.whole) {
            continue;
        }
        good |= SX_BIT(slot);
        if (r.number > prop->number) {
            prop->number = r.number;
            held = r.head[10];
        }
    }
    /* A head that rotted after its tail was written was published: its number is never used again. */
    sx_number next = prop->number + 1u;
    read_slot(s, p, (uint8_t)(next % SX_RECORDS), &r);
    if (tail_fits(&r, r.crc, next) || tail_fits(&r, r.given, next)) {
        prop->number = next;
        held = SX_RECORDS - 1;
    }
    if (!prop->number) {
        return;
    }
    for (uint8_t k = 0; k <= held && k < SX_RECORDS; k++) {
        uint8_t slot = (uint8_t)((prop->number - k) % SX_RECORDS);
        if (good & SX_BIT(slot)) {
            prop->held |= SX_BIT(slot);
        } else if (prop->number > k) {
            sx_event(s, SX_EVENT_KIND_MEMORY, (uint8_t)(p + 1u), SX_NO_DETAIL, slot);
        }
    }
}

void sx_records_begin(struct sx *s) {
    for (uint8_t p = 0; p < SX_PROPS; p++) {
        begin(s, p);
    }
}

void sx_record_start(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if (prop->number == SX_LARGEST_NUMBER) { /* 16 million cycles: the next life */
        prop->life = sx_random(s);
        prop->number = 0;
        prop->held = 0;
        s->life_todo |= (uint8_t)SX_BIT(p);
    }
    prop->held = (uint16_t)(prop->held & ~SX_BIT((prop->number + 1u) % SX_RECORDS));
    prop->rec_held = 0;
    for (uint8_t k = 0; k < SX_RECORDS - 1; k++) { /* back to the oldest that is held */
        if (prop->held & SX_BIT((prop->number - k) % SX_RECORDS)) {
            prop->rec_held = (uint8_t)(k + 1u);
        }
    }
    for (uint8_t k = 0; k < SX_TRAVELS; k++) {
        prop->rec_travel[k] = NO_TRAVEL;
    }
    prop->rec_outcome = SX_OUTCOME_COUNT;
    prop->flags &= (uint8_t)~SX_OVER;
    prop->rec_stage = SX_HEAD;
    prop->rec_pos = 0;
}

/* The cycle is over; the tail follows as soon as the head is in its place. */
void sx_record_finish(struct sx *s, uint8_t p) {
    struct sx_prop *prop = sx_prop_at(s, p);
    prop->flags |= SX_OVER;
    if (prop->rec_stage == SX_OPEN_RECORD) {
        prop->rec_stage = SX_TAIL;
    }
    SX_FLAGS(s) |= SX_AGAIN;
}

bool sx_record_busy(const struct sx *s, uint8_t p) {
    return sx_prop_at(s, p)->rec_stage != SX_IDLE_STAGE;
}

/* A travel in 16 bits: home in the highest, the output in four, then ms; from 1024 on in steps
 * of 8. */
void sx_record_travel(struct sx *s, uint8_t p, uint8_t output, bool home, uint32_t ms) {
    struct sx_prop *prop = sx_prop_at(s, p);
    if (prop->rec_stage == SX_IDLE_STAGE || prop->flags & (SX_OVER | SX_IDLING)) {
        return;
    }
    uint8_t k = 0;
    while (prop->rec_travel[k] != NO_TRAVEL) {
        if (++k == SX_TRAVELS) {
            return;
        }
    }
    uint32_t code = ms < 1024 ? ms : 1024u + ((ms - 1024u) >> 3);
    code = code < 2046 ? code : 2046;
    prop->rec_travel[k] =
        (uint16_t)((uint16_t)(uint8_t)((home ? 0x80u : 0u) | (unsigned)output << 3) << 8 |
                   (uint16_t)code);
}

/* The head or the tail is durable. */
static void written(struct sx *s, uint8_t p, bool head) {
    struct sx_prop *prop = sx_prop_at(s, p);
    prop->rec_pos = 0;
    if (head) {
        prop->rec_stage = prop->flags & SX_OVER ? SX_TAIL : SX_OPEN_RECORD;
    } else {
        prop->number++;
        prop->held |= SX_BIT((uint8_t)prop->number % SX_RECORDS);
        prop->rec_stage = SX_IDLE_STAGE;
        sx_show(s, p);
    }
}

/* Writes one byte of the head or the tail of the record under way. */
bool sx_record_step(struct sx *s, uint8_t p, uint8_t stage) {
    struct sx_prop *prop = sx_prop_at(s, p);
    bool head = stage == SX_HEAD;
    uint8_t n = head ? SX_HEAD_BYTES : SX_TAIL_BYTES, i = prop->rec_pos;
    if (i == n) {
        if (!sx_board_nv_settle(SX_BOARD(s))) {
            return false;
        }
        written(s, p, head);
    } else {
        uint8_t b[SX_RECORD_BYTES];
        make_head(s, prop, b);
        uint16_t crc = crc_of(seed(s, p), b, SX_HEAD_BYTES - 2);
        if (!head) {
            crc = tail_seed(crc, prop->number + 1u);
            make_tail(prop, b);
            crc = crc_of(crc, b, SX_TAIL_BYTES - 2);
        }
        b[n - 2] = (uint8_t)(crc >> 8);
        b[n - 1] = (uint8_t)crc;
        uint16_t at = slot_at(p, (uint8_t)(prop->number + 1u) % SX_RECORDS);
        sx_board_nv_write(SX_BOARD(s), (uint16_t)(at + (head ? 0u : SX_HEAD_BYTES) + i), b[i]);
        prop->rec_pos++;
    }
    SX_FLAGS(s) |= SX_AGAIN;
    return true;
}

static sx_number number_in(const struct sx_prop *prop, uint8_t slot) {
    return prop->number - ((prop->number - slot) % SX_RECORDS);
}

void sx_record_acknowledge(struct sx *s, uint32_t life, uint8_t p, uint32_t number) {
    struct sx_prop *prop = sx_prop_at(s, p);
    uint8_t slot = (uint8_t)(number % SX_RECORDS);
    if (life == prop->life && number_in(prop, slot) == number) {
        prop->held = (uint16_t)(prop->held & ~SX_BIT(slot));
        SX_FLAGS(s) |= SX_AGAIN;
    }
}

/* The number of the oldest record that is held; 0 if none is. */
sx_number sx_record_oldest(const struct sx *s, uint8_t p) {
    const struct sx_prop *prop = sx_prop_at(s, p);
    sx_number found = 0;
    for (uint8_t k = 0; k < SX_RECORDS && k < prop->number; k++) {
        if (prop->held & SX_BIT((prop->number - k) % SX_RECORDS)) {
            found = prop->number - k;
        }
    }
    return found;
}

/* Sends a record; false if it is damaged, and then it is held no longer. */
bool sx_record_send(struct sx *s, uint8_t p, uint8_t slot) {
    struct sx_prop *prop = sx_prop_at(s, p);
    struct slot r;
    read_slot(s, p, slot, &r);
    if (!r.whole || r.number != number_in(prop, slot)) {
        prop->held = (uint16_t)(prop->held & ~SX_BIT(slot));
        sx_event(s, SX_EVENT_KIND_MEMORY, (uint8_t)(p + 1u), SX_NO_DETAIL, slot);
        return false;
    }
    uint16_t boot = (uint16_t)load(r.head + 3, 2);
    uint32_t ms = load(r.head + 5, 4), end = r.whole == 2 ? load(r.tail, 3) : 0;
    const uint32_t v[] = {prop->life, p + 1u, r.number, r.head[9] & 31u, r.head[9] >> 5,
                          r.whole == 2 ? end >> 21 : (uint32_t)SX_OUTCOME_POWER,
                          s->boot - (uint16_t)((uint16_t)s->boot - boot), ms, end & 0x1FFFFFUL};
    sx_out_shape(s, SX_OUT_CYCLE, v);
    for (uint8_t k = 0; k < SX_TRAVELS && r.whole == 2; k++) {
        uint16_t travel = (uint16_t)load(r.tail + 3 + 2 * k, 2);
        uint16_t code = travel & 0x7FFu;
        if (travel != NO_TRAVEL) {
            sx_out_space(s);
            sx_out_dec(s, (travel >> 11 & 15u) + 1u);
            sx_out_char(s, travel & 0x8000u ? '<' : '>');
            sx_out_dec(s, code < 1024u ? code : 1024u + ((uint32_t)(code - 1024u) << 3));
        }
    }
    sx_out_end(s);
    return true;
}
