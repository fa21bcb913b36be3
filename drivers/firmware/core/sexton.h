/* The portable core of a controller: no heap, no static state, one struct per board (only its flags
 * lie elsewhere where SX_FLAGS says so).
 *
 * A board layer owns a `struct sx`, calls sx_begin() once, sx_step() whenever something came in or
 * the time it asked for is over, sx_receive() for every byte from the line and sx_transmit() while
 * the line takes bytes; the last two may be called from interrupts. It implements the sx_board_
 * functions below. PROTOCOL.md says what the board does.
 */
#ifndef SX_SEXTON_H
#define SX_SEXTON_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "wire_words.h"

/* What the board layer reads before each step. */
struct sx_pins {
    uint16_t inputs; /* electrical levels, bit 0 is input 1 */
    uint16_t supply_mv;
    uint16_t pressure_mv;
    bool stop_closed; /* the hardwired stop input */
};

struct sx_output {
    uint8_t prop_kind; /* prop | kind << 4; prop 0: not in the setup */
    uint8_t at_stop_wait;
    uint8_t out_input SX_BITS(4), home_input SX_BITS(4);
    uint16_t travel_ms;
    sx_ms24 longest_on_ms;
    uint32_t changed_at;
    uint8_t hold_until; /* in units of 8 ms; 0: not held */
    uint8_t strokes;    /* not yet in non-volatile memory */
};

struct sx_input {
    uint8_t prop_kind; /* prop | kind << 4; prop 0: not in the setup */
    uint8_t flags;
    uint16_t debounce_ms;
    uint16_t since; /* low bits of the time at which the level last changed */
    sx_ms24 warm_up_ms;
};

struct sx_sequence {
    uint16_t sum;    /* as announced */
    uint16_t crc;    /* of what has come so far */
    sx_ms24 length_ms;
    uint8_t meta;    /* prop | kind << 4 | whole << 7; prop 0: none */
    sx_count steps, have;
};

struct sx_step_bytes {
    uint8_t b[3]; /* ms in 19 bits, on in 1, output - 1 in 4 */
};

struct sx_prop {
    sx_ms24 rest_ms, idle_least_ms, idle_most_ms;
    uint8_t sequence SX_BITS(4); /* of the setup; 0: the prop is not in it */
    uint8_t area_input SX_BITS(4);
    uint8_t idle;

    sx_count step;
    uint8_t flags, sources, selected, running;
    uint8_t trigger; /* of the last cycle, or of the one that waits for a safe point */
    uint8_t wanted;  /* the sequence of that cycle */
    uint8_t missed;  /* events in the second that began at missed_at */
    uint16_t missed_at;
    uint8_t shown_state, shown_flags;
    uint32_t started, state_at;
    union {
        uint32_t ended;   /* of the last cycle, while the prop rests */
        uint32_t idle_at; /* otherwise; 0: not drawn yet */
    };

    /* the record, see records.c */
    uint32_t life;
    sx_number number; /* newest whole record */
    uint16_t held;    /* by slot: whole and not acknowledged */
    uint8_t rec_stage, rec_outcome, rec_pos, rec_held;
    uint16_t rec_travel[SX_TRAVELS]; /* 0xFFFF: none */
};

struct sx_event {
    uint32_t ms;
    uint16_t number, value;
    uint8_t kind_prop; /* kind | prop << 4 */
    uint8_t detail;
};

struct sx_answer {
    uint16_t req;
    uint16_t value;
    uint8_t code;
};

struct sx {
#ifdef SX_BOARD_KEPT
    void *board;
#endif
#ifndef SX_TICKING
    uint32_t next, wake; /* ms to the next step; when what moves is to be looked at next */
#endif
    uint32_t now, random, boot, session, stop;
    sx_mark heard;
    uint16_t report_at, event_sent, cycle_sent; /* low bits */
    uint16_t heartbeat_ms, report_ms;
    sx_set outputs, inputs, levels; /* inputs: debounced, 1 is active */
    sx_set stop_keep, stop_on;      /* the picture of the outputs at a stop */
    uint16_t supply_mv, pressure_mv;
    uint16_t setup_sum, stop_since;
    uint8_t address, cause;
#ifdef SX_FLAGS_KEPT
    uint8_t flags;
#endif
    uint8_t setup_last[3]; /* highest prop, output and input number so far */
    uint8_t due_reports;   /* bit 0 STATE, bit n PROP n */
    sx_set shown_outputs;
    uint8_t shown_board_flags;

    /* non-volatile memory under way, see memory.c */
    uint16_t nv_crc, strokes_seq;
    uint8_t boot_slot, boot_stage, format_pos, item_pos, life_todo, tag_todo;
    uint8_t strokes_slot, strokes_pos, strokes_tokens;
    uint32_t strokes_due, strokes_token_at;

    /* the line */
    volatile uint8_t stop_seen; /* set by sx_receive(), which may be an interrupt */
    volatile uint8_t rx_in;
    uint8_t rx_out;
    uint8_t frame_len; /* 0xFF: between frames */
    volatile uint8_t tx_len, tx_at;
    uint8_t tx_fill;
    uint8_t answers_count, remembered_count;
    uint8_t events_count, cycle_prop, cycle_slot, poll_turn;
    uint16_t event_number;
    bool event_told; /* the first of them was sent in this session */

    struct sx_answer answers[SX_ANSWERS];
    struct sx_answer remembered[SX_REMEMBERED];
    struct sx_event events[SX_EVENTS];
    struct sx_prop props[SX_PROPS];
    struct sx_output output[SX_OUTPUTS];
    struct sx_input input[SX_INPUTS];
    struct sx_sequence sequence[SX_SEQUENCES];
    struct sx_step_bytes steps[SX_STEPS];
    uint8_t rx[SX_RX_RING];
    uint8_t frame[SX_FRAME - 2]; /* without ~ and line feed */
    uint8_t tx[SX_TX_FRAME];
};

/* Starts the core: everything off and disarmed, the memory read. `seed` is any number that differs
 * from start to start; `cause` is an enum sx_reset_cause. */
void sx_begin(struct sx *s, void *board, uint8_t address, bool shared, uint32_t seed,
              uint8_t cause, uint32_t now_ms);

/* Does what is due. Returns the ms after which it must be called again though nothing came in. */
uint32_t sx_step(struct sx *s, uint32_t now_ms, const struct sx_pins *pins);

/* One byte from the line; false if it found no room (call sx_step, give it again). The stop byte
 * acts at once, room or not. */
bool sx_receive(struct sx *s, uint8_t byte);

/* The next byte for the line; false if there is none. */
bool sx_transmit(struct sx *s, uint8_t *byte);

/* --- what a board layer implements --- */

/* What the board is called; in flash where a part has SX_FLASH. */
const char *sx_board_name(void *board);
/* Switches exactly these outputs on (bit 0 is output 1). Called from sx_receive(), too. */
void sx_board_outputs(void *board, uint16_t on);
void sx_board_lamp(void *board, bool on);
/* Keeps sx_receive() out until the unlock. */
uint8_t sx_board_lock(void *board);
void sx_board_unlock(void *board, uint8_t was);
/* Non-volatile memory of SX_NV_BYTES; reads and writes happen only while it is ready. */
bool sx_board_nv_ready(void *board);
uint8_t sx_board_nv_read(void *board, uint16_t at);
void sx_board_nv_write(void *board, uint16_t at, uint8_t byte);
/* Makes durable what was written since the last time; false if that takes longer. */
bool sx_board_nv_settle(void *board);

#include "layout.h"

#endif
