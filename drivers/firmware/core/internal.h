/* What the parts of the core share among themselves. Props, outputs, inputs and sequences are
 * passed as indexes from 0 here, and are numbers from 1 on the wire. */
#ifndef SX_INTERNAL_H
#define SX_INTERNAL_H

#include "sexton.h"

#define SX_ONE(n) ((uint16_t)(1u << (n)))
#ifdef __AVR__ /* which has no shift by a number that it does not know */
#define SX_BIT(n) (__builtin_constant_p(n) ? SX_ONE(n) : sx_bit((uint8_t)(n)))
uint16_t sx_bit(uint8_t n);
#else
#define SX_BIT(n) SX_ONE(n)
#endif
#define SX_MAX_LENGTH_MS 0x7FFFFUL

enum { SX_ARMED = 1, SX_FAULT = 2, SX_RESTING = 4, SX_IDLING = 8, SX_PENDING = 16,
       SX_IS_TAGGED = 32, SX_OVER = 64 };                           /* sx_prop.flags */
enum { SX_CLEAR_FIRST = 1, SX_ACTIVE_LOW = 2, SX_RAW = 4, SX_BLOCKED = 8,
       SX_COLD = 16 };                                              /* sx_input.flags */
enum { SX_AT_STOP_MASK = 3, SX_WAIT_OUT = 4, SX_WAIT_HOME = 8 };   /* sx_output.at_stop_wait */
enum { SX_SETUP_OPEN = 1, SX_SETUP_OK = 2, SX_STOP_OPEN = 4, SX_LOW = 8, SX_SHARED = 16,
       SX_BOOT_TOLD = 32, SX_AGAIN = 64, SX_WARM = 128 };                          /* sx.flags */
enum { SX_IDLE_STAGE, SX_HEAD, SX_OPEN_RECORD, SX_TAIL };           /* sx_prop.rec_stage */

/* Answers: below SX_REASON_COUNT a refusal, else one of these. */
enum { SX_YES = 64, SX_YES_HELLO, SX_YES_CLOCK, SX_YES_CLOCK_AGAIN, SX_YES_METERS, SX_IS_UNKNOWN };

/* Event details: a list of words and one of them. */
#define SX_NO_DETAIL 0xFFu
#define SX_DETAIL_STOP 0x40u
#define SX_DETAIL_FAULT 0x80u

static inline uint8_t sx_prop_of(uint8_t prop_kind) { return prop_kind & 15u; }
static inline uint8_t sx_kind_of(uint8_t prop_kind) { return (prop_kind >> 4) & 7u; }

#ifdef __AVR__ /* where a call is shorter than what it calls */
#define SX_INLINE __attribute__((noinline, unused)) static
#else
#define SX_INLINE static inline
#endif

/* Whether `at` has come; if not, the core asks to be stepped then. */
SX_INLINE bool sx_due(struct sx *s, uint32_t at) {
    uint32_t left = at - s->now;
    if (left == 0 || left > 0x80000000UL) {
        return true;
    }
#ifndef SX_TICKING
    if (left < s->next) {
        s->next = left;
    }
#endif
    return false;
}

/* One of each, out of line where an index costs a multiplication. */
#define SX_AT(type, name, array)                                                                   \
    SX_INLINE struct type *name(const struct sx *s, uint8_t at) {                                  \
        return (struct type *)&s->array[at];                                                       \
    }
SX_AT(sx_prop, sx_prop_at, props)
SX_AT(sx_output, sx_output_at, output)
SX_AT(sx_input, sx_input_at, input)
SX_AT(sx_sequence, sx_sequence_at, sequence)

/* Whether `ms` have gone by since `from`; if not, the core asks to be stepped then. */
bool sx_past(struct sx *s, uint16_t from, uint16_t ms);

/* frame.c */
uint16_t sx_crc(uint16_t crc, uint8_t byte);
uint8_t sx_hex_digit(uint8_t c); /* more than 15 if it is none */
bool sx_take_frame(struct sx *s);
bool sx_tx_free(const struct sx *s);
void sx_out_begin(struct sx *s);
void sx_out_char(struct sx *s, uint8_t c);
void sx_out_space(struct sx *s);
void sx_out_dec(struct sx *s, uint32_t value);
void sx_out_hex(struct sx *s, uint32_t value, uint8_t digits);
void sx_out_end(struct sx *s);

/* wire.c */
void sx_out_verb(struct sx *s, uint8_t verb);
void sx_out_word(struct sx *s, char list, uint8_t at);
void sx_out_flash(struct sx *s, const char *text); /* in flash, see SX_FLASH */
void sx_out_shape(struct sx *s, uint8_t verb, const uint32_t *values);
uint8_t sx_find_verb(const uint8_t *word);
bool sx_in_range(uint8_t verb, const uint32_t *values);
#define SX_FIELDS 12
/* Parses the words after the verb; false if they make no sense. `rest` gets the first word after
 * the field of index `rest_at`. */
bool sx_parse(struct sx *s, uint8_t verb, uint32_t *values, uint8_t **words, uint8_t *rest);

/* session.c */
void sx_request(struct sx *s);
void sx_answer(struct sx *s, uint16_t req, uint8_t code, uint16_t value);
bool sx_send_answer(struct sx *s);
uint8_t sx_act(struct sx *s, uint8_t verb, const uint32_t *v, uint8_t *rest);

/* setup.c, sequence.c: answer codes */
uint8_t sx_setup_begin(struct sx *s, const uint32_t *v, const uint8_t *rest);
uint8_t sx_set_prop(struct sx *s, const uint32_t *v, const uint8_t *rest);
uint8_t sx_set_output(struct sx *s, const uint32_t *v, const uint8_t *rest);
uint8_t sx_set_input(struct sx *s, const uint32_t *v, const uint8_t *rest);
uint8_t sx_setup_end(struct sx *s, uint16_t checksum);
sx_set sx_stop_picture(const struct sx *s);
uint8_t sx_sequence_begin(struct sx *s, const uint32_t *v, const uint8_t *rest);
uint8_t sx_sequence_steps(struct sx *s, const uint32_t *v, uint8_t *rest);
bool sx_sequence_is(const struct sx *s, uint8_t number, uint8_t p, uint8_t kind);
uint16_t sx_sequence_sum(const struct sx *s, uint8_t q);
uint16_t sx_sequence_first(const struct sx *s, uint8_t q);
uint32_t sx_step_ms(const struct sx_step_bytes *step);

/* outputs.c */
void sx_apply(struct sx *s);
void sx_switch(struct sx *s, uint8_t o, bool on);
void sx_prop_off(struct sx *s, uint8_t p, bool settle);
void sx_outputs_step(struct sx *s);
bool sx_motions_off(const struct sx *s, uint8_t p);
bool sx_held(const struct sx *s, uint8_t p);
void sx_end_sensor(struct sx *s, uint8_t input, uint32_t at);

/* inputs.c */
void sx_inputs_reset(struct sx *s);
void sx_inputs_step(struct sx *s);
bool sx_active(const struct sx *s, uint8_t number);
void sx_look_at_inputs(struct sx *s, uint8_t p);

/* prop.c */
void sx_stop(struct sx *s, uint32_t id, uint8_t source);
uint8_t sx_refusal(const struct sx *s, uint8_t p, bool test);
uint8_t sx_start_refusal(const struct sx *s, uint8_t p, uint8_t source);
void sx_trigger(struct sx *s, uint8_t p, uint8_t trigger);
void sx_start(struct sx *s, uint8_t p, uint8_t sequence, uint8_t trigger);
void sx_cut(struct sx *s, uint8_t p, uint8_t outcome);
void sx_disarm(struct sx *s, uint8_t p);
void sx_fault(struct sx *s, uint8_t p, uint8_t kind, uint8_t output);
void sx_missed(struct sx *s, uint8_t p, uint8_t reason, uint8_t input);
void sx_props_step(struct sx *s);
uint8_t sx_state(const struct sx *s, uint8_t p);
uint8_t sx_prop_flags(const struct sx *s, uint8_t p);
uint32_t sx_random(struct sx *s);

/* memory.c, records.c, strokes.c */
void sx_memory_begin(struct sx *s);
void sx_memory_step(struct sx *s);
bool sx_memory_ready(const struct sx *s);
void sx_records_begin(struct sx *s);
bool sx_record_step(struct sx *s, uint8_t p, uint8_t stage);
void sx_record_start(struct sx *s, uint8_t p);
void sx_record_finish(struct sx *s, uint8_t p);
void sx_record_travel(struct sx *s, uint8_t p, uint8_t output, bool home, uint32_t ms);
bool sx_record_busy(const struct sx *s, uint8_t p);
void sx_record_acknowledge(struct sx *s, uint32_t life, uint8_t p, uint32_t number);
sx_number sx_record_oldest(const struct sx *s, uint8_t p);
bool sx_record_send(struct sx *s, uint8_t p, uint8_t slot);
void sx_strokes_begin(struct sx *s);
bool sx_strokes_step(struct sx *s);
void sx_strokes_soon(struct sx *s);
void sx_stroke(struct sx *s, uint8_t o);
uint32_t sx_strokes(struct sx *s, uint8_t o);

/* report.c */
void sx_show(struct sx *s, uint8_t p); /* soon: the prop has changed */
void sx_event(struct sx *s, uint8_t kind, uint8_t prop, uint8_t detail, uint16_t value);
void sx_event_seen(struct sx *s, uint32_t number);
void sx_look_for_changes(struct sx *s);
bool sx_send_report(struct sx *s, bool fill);
uint8_t sx_board_flags(const struct sx *s);

#endif
