/* Words and fields, by the tables that are generated from the definition. */
#include "internal.h"

#define SX_DEFINE_LIST(letter, name, text) static const char list_##name[] SX_FLASH = text;
SX_WORD_LISTS(SX_DEFINE_LIST)

static const char request_verbs[] SX_FLASH = SX_REQ_VERBS;
static const char request_shapes[] SX_FLASH = SX_REQ_SHAPES;
static const char out_verbs[] SX_FLASH = SX_OUT_VERBS;
static const char out_shapes[] SX_FLASH = SX_OUT_SHAPES;

/* The ranges of each request's own fields, a letter each; see within(). BEGIN looks itself. */
static const char ranges[] SX_FLASH =
    "-\0" "-\0" "-\0" "-\0" "*\0" "*\0" "P7\0" "P\0" "PQ\0" "PQ\0" "Om\0" "P\0" "P\0" "P\0" "b\0"
    "***\0" "*\0" "O\0" "**\0" "PlQiqll\0" "OP**liiw\0" "IP**dlb\0" "*\0" "QP*TS*\0" "Q*\0";

static char flash(const char *p) { return (char)SX_FLASH_BYTE(p); }

static const char *list_of(char letter) {
    switch (letter) {
#define SX_CASE_LIST(l, name, text)                                                                \
    case l:                                                                                        \
        return list_##name;
        SX_WORD_LISTS(SX_CASE_LIST)
    default:
        return 0;
    }
}

/* Entry `at` of a list of words; a list ends with an empty word. */
static const char *entry(const char *list, uint8_t at) {
    while (at--) {
        while (flash(list++)) {
        }
    }
    return list;
}

static uint8_t find(const char *list, const uint8_t *word) {
    for (uint8_t at = 0; flash(list); at++) {
        const uint8_t *w = word;
        const char *l = list;
        while (flash(l) && (uint8_t)flash(l) == *w) {
            l++;
            w++;
        }
        if (!flash(l) && !*w) {
            return at;
        }
        list = entry(list, 1);
    }
    return 0xFF;
}

void sx_out_flash(struct sx *s, const char *text) {
    sx_out_space(s);
    for (char c; (c = flash(text)) != 0; text++) {
        sx_out_char(s, (uint8_t)c);
    }
}

void sx_out_verb(struct sx *s, uint8_t verb) { sx_out_flash(s, entry(out_verbs, verb)); }

void sx_out_word(struct sx *s, char list, uint8_t at) { sx_out_flash(s, entry(list_of(list), at)); }

static void out_detail(struct sx *s, uint8_t detail) {
    if (detail == SX_NO_DETAIL) {
        sx_out_space(s);
        sx_out_char(s, '-');
    } else if (detail & SX_DETAIL_FAULT) {
        sx_out_word(s, 'F', detail & 0x3Fu);
    } else if (detail & SX_DETAIL_STOP) {
        sx_out_word(s, 'P', detail & 0x3Fu);
    } else {
        sx_out_word(s, 'R', detail);
    }
}

/* A report by its shape; words that the shape leaves open (*) are the caller's to add. */
void sx_out_shape(struct sx *s, uint8_t verb, const uint32_t *values) {
    const char *shape = entry(out_shapes, verb);
    sx_out_begin(s);
    sx_out_verb(s, verb);
    for (char kind; (kind = flash(shape)) != 0 && kind != '*'; shape++, values++) {
        if (kind == 's') {
            out_detail(s, (uint8_t)*values);
        } else if (list_of(kind)) {
            sx_out_word(s, kind, (uint8_t)*values);
        } else {
            sx_out_space(s);
            if (kind == 'i') {
                sx_out_dec(s, *values);
            } else {
                sx_out_hex(s, *values, kind == 'H' ? 8 : 4);
            }
        }
    }
}

/* The largest value of each letter, its bits from the lowest; capitals begin at 1. */
#define LIMIT(letter, most)                                                                        \
    letter, (uint8_t)(most), (uint8_t)((most + 0UL) >> 8), (uint8_t)((most + 0UL) >> 16)
static const uint8_t limits[] SX_FLASH = {
    LIMIT('P', SX_PROPS),         LIMIT('O', SX_OUTPUTS),   LIMIT('I', SX_INPUTS),
    LIMIT('i', SX_INPUTS),        LIMIT('Q', SX_SEQUENCES), LIMIT('q', SX_SEQUENCES),
    LIMIT('7', 7),                LIMIT('b', 1),            LIMIT('m', 1000),
    LIMIT('d', 30000),            LIMIT('w', 0xFFFF),       LIMIT('l', SX_MS24_MAX),
    LIMIT('T', SX_MAX_LENGTH_MS), LIMIT('S', SX_MS24_MAX),
};

static bool within(char letter, uint32_t v) {
    for (const uint8_t *l = limits; l < limits + sizeof limits; l += 4) {
        if (SX_FLASH_BYTE(l) == (uint8_t)letter) {
            uint32_t most = (uint32_t)(uint16_t)(SX_FLASH_BYTE(l + 1) | SX_FLASH_BYTE(l + 2) << 8) |
                            (uint32_t)SX_FLASH_BYTE(l + 3) << 16;
            return v <= most && (v || letter >= 'a' || letter == '7');
        }
    }
    return true;
}

/* Whether a guarded request's own fields, which begin at values[3], are in their ranges. */
bool sx_in_range(uint8_t verb, const uint32_t *values) {
    const char *letters = entry(ranges, verb);
    for (values += 3; flash(letters); letters++, values++) {
        if (!within(flash(letters), *values)) {
            return false;
        }
    }
    return true;
}

uint8_t sx_find_verb(const uint8_t *word) { return find(request_verbs, word); }

static bool parse_dec(const uint8_t *word, uint32_t *value) {
    uint32_t v = 0;
    uint8_t n = 0;
    for (; *word; word++, n++) {
        uint8_t digit = (uint8_t)(*word - '0');
        if (digit > 9 || n == 10) {
            return false;
        }
        v = v > 429496728UL ? 0xFFFFFFFFUL : v * 10u + digit;
    }
    *value = v;
    return n != 0;
}

static bool parse_hex(const uint8_t *word, uint8_t digits, uint32_t *value) {
    uint32_t v = 0;
    while (digits--) {
        uint8_t digit = sx_hex_digit(*word++);
        if (digit > 15) {
            return false;
        }
        v = v << 4 | digit;
    }
    *value = v;
    return *word == 0;
}

static uint8_t *after(uint8_t *word) {
    while (*word++) {
    }
    return word;
}

/* An id that makes no sense is left 0 in values[0]. */
bool sx_parse(struct sx *s, uint8_t verb, uint32_t *values, uint8_t **words, uint8_t *rest) {
    uint8_t *word = after(s->frame + 3);
    const char *shape = verb == 0xFF ? 0 : entry(request_shapes, verb);
    uint8_t at = 0;
    values[0] = 0;
    if (!*word || !parse_dec(word, &values[0]) || values[0] > SX_LARGEST_REQUEST_ID) {
        values[0] = 0;
    }
    if (!values[0] || !shape) {
        return false;
    }
    *words = 0;
    for (char kind; (kind = flash(shape)) != 0; shape++, at++) {
        if (at == 3) {
            *words = word;
        }
        if (kind == '*') {
            *rest = (uint8_t)(word - s->frame);
            return true;
        }
        bool good;
        if (!*word) {
            return false;
        }
        if (kind == 'i') {
            good = parse_dec(word, &values[at]);
        } else if (kind == 'H' || kind == 'h') {
            good = parse_hex(word, kind == 'H' ? 8 : 4, &values[at]);
        } else {
            values[at] = find(list_of(kind), word);
            good = values[at] != 0xFF;
        }
        if (!good) {
            return false;
        }
        word = after(word);
    }
    return *word == 0;
}
