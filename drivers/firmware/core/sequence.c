/* Sequences share one pool of steps, in the order of their numbers. */
#include "internal.h"

#define WHOLE 0x80u

uint32_t sx_step_ms(const struct sx_step_bytes *step) {
    return (uint32_t)(step->b[0] | (uint16_t)(step->b[1] << 8)) | (uint32_t)(step->b[2] & 7u) << 16;
}

uint16_t sx_sequence_first(const struct sx *s, uint8_t q) {
    uint16_t first = 0;
    while (q) {
        first = (uint16_t)(first + sx_sequence_at(s, --q)->steps);
    }
    return first;
}

/* Whether this is a whole sequence of this kind and prop that switches no other prop's outputs. */
bool sx_sequence_is(const struct sx *s, uint8_t number, uint8_t p, uint8_t kind) {
    unsigned meta = WHOLE | (unsigned)kind << 4 | (p + 1u);
    uint8_t q = (uint8_t)(number - 1u);
    if (!number || number > SX_SEQUENCES || sx_sequence_at(s, q)->meta != meta) {
        return false;
    }
    const struct sx_step_bytes *step = &s->steps[sx_sequence_first(s, q)];
    for (sx_count n = sx_sequence_at(s, q)->steps; n; n--, step++) {
        uint8_t owner = sx_prop_of(sx_output_at(s, (uint8_t)(step->b[2] >> 4))->prop_kind);
        if (owner && owner != (uint8_t)(p + 1u)) {
            return false;
        }
    }
    return true;
}

uint16_t sx_sequence_sum(const struct sx *s, uint8_t q) {
    return sx_sequence_at(s, q)->meta & WHOLE ? sx_sequence_at(s, q)->sum : 0;
}

/* Takes a sequence's steps out of the pool. */
static void void_sequence(struct sx *s, uint8_t q) {
    struct sx_sequence *one = sx_sequence_at(s, q);
    for (uint16_t i = sx_sequence_first(s, q); i + one->steps < SX_STEPS; i++) {
        s->steps[i] = s->steps[i + one->steps];
    }
    one->steps = 0;
    one->have = 0;
    one->meta = 0;
}

static void check_word(struct sx_sequence *one, const uint8_t *word) {
    for (; *word; word++) {
        one->crc = sx_crc(one->crc, *word);
    }
}

static const uint8_t *after(const uint8_t *word) {
    while (*word++) {
    }
    return word;
}

SX_APART uint8_t sx_sequence_begin(struct sx *s, const uint32_t *v, const uint8_t *words) {
    uint8_t q = (uint8_t)(v[3] - 1u);
    struct sx_sequence *one = sx_sequence_at(s, q);
    uint8_t owner = one->meta & 15u;
    uint8_t props[2] = {(uint8_t)(v[4] - 1u), (uint8_t)(owner ? owner - 1u : v[4] - 1u)};
    for (uint8_t i = 0; i < 2; i++) {
        if (sx_prop_at(s, props[i])->flags & SX_ARMED) {
            return SX_REASON_ARMED;
        }
        if (sx_prop_at(s, props[i])->running || sx_held(s, props[i])) {
            return SX_REASON_RUNNING;
        }
    }
    void_sequence(s, q);
    if (v[7] > (uint16_t)(SX_STEPS - sx_sequence_first(s, SX_SEQUENCES))) {
        return SX_REASON_FULL;
    }
    uint16_t n = (uint16_t)v[7], end = (uint16_t)(sx_sequence_first(s, q) + n);
    for (uint16_t i = SX_STEPS; i-- > end;) {
        s->steps[i] = s->steps[i - n];
    }
    one->meta = (uint8_t)(v[4] | v[5] << 4);
    one->length_ms = (sx_ms24)v[6];
    one->steps = (sx_count)v[7];
    one->sum = (uint16_t)v[8];
    one->crc = 0xFFFF;
    for (uint8_t i = 0; i < 5; i++, words = after(words)) {
        if (i) {
            one->crc = sx_crc(one->crc, ' ');
        }
        check_word(one, words);
    }
    return SX_YES;
}

/* A step word such as 350:2+ ; an answer code. */
SX_APART static uint8_t parse_step(const struct sx_sequence *one, const uint8_t *word,
                                   uint32_t least, struct sx_step_bytes *step) {
    uint32_t ms = 0;
    uint16_t output = 0;
    uint8_t digits = 0;
    for (; *word >= '0' && *word <= '9'; word++, digits++) {
        ms = ms > 99999999UL ? ms : ms * 10u + (uint8_t)(*word - '0');
    }
    if (!digits || *word++ != ':') {
        return SX_IS_UNKNOWN;
    }
    for (digits = 0; *word >= '0' && *word <= '9' && digits < 4; word++, digits++) {
        output = (uint16_t)(output * 10u + (uint8_t)(*word - '0'));
    }
    if (!digits || (*word != '+' && *word != '-') || word[1]) {
        return SX_IS_UNKNOWN;
    }
    if (ms < least || ms > one->length_ms || !output || output > SX_OUTPUTS) {
        return SX_REASON_VALUE;
    }
    step->b[0] = (uint8_t)ms;
    step->b[1] = (uint8_t)(ms >> 8);
    step->b[2] = (uint8_t)((uint8_t)(ms >> 16) | (*word == '+' ? 8u : 0u) | (output - 1u) << 4);
    return SX_YES;
}

SX_APART uint8_t sx_sequence_steps(struct sx *s, const uint32_t *v, uint8_t *words) {
    uint8_t q = (uint8_t)(v[3] - 1u);
    struct sx_sequence *one = sx_sequence_at(s, q);
    if (!one->meta || one->meta & WHOLE) {
        return SX_REASON_SEQUENCE;
    }
    if (v[4] != one->have) {
        return SX_REASON_VALUE;
    }
    uint16_t first = sx_sequence_first(s, q);
    sx_count have = one->have;
    uint32_t least = have ? sx_step_ms(&s->steps[first + have - 1]) : 0;
    for (const uint8_t *word = words; *word; word = after(word)) {
        if (have == one->steps) {
            return SX_REASON_FULL;
        }
        uint8_t code = parse_step(one, word, least, &s->steps[first + have]);
        if (code != SX_YES) {
            return code;
        }
        least = sx_step_ms(&s->steps[first + have]);
        have++;
    }
    for (const uint8_t *word = words; *word; word = after(word)) {
        one->crc = sx_crc(one->crc, ' ');
        check_word(one, word);
    }
    one->have = have;
    if (have == one->steps) {
        if ((one->crc ? one->crc : 0xFFFF) != one->sum) {
            void_sequence(s, q);
            return SX_REASON_CHECKSUM;
        }
        one->meta |= WHOLE;
    }
    return SX_YES;
}
