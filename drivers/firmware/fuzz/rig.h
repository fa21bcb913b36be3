/* A virtual board for the fuzzers, with a console that knows session and boot, and a judge: an
 * output may go on only after a valid arm, test or hold of its prop that no stop, disarm or reset
 * has ended, and at such an end nothing may stay on. Lights that a stop switches on or leaves on are
 * free. */
#ifndef SX_FUZZ_RIG_H
#define SX_FUZZ_RIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../virtual/virtual.h"

struct rig {
    struct sx_virtual *board;
    uint64_t now_us;
    uint32_t boot;
    uint16_t request;
    bool asked[SX_PROPS + 1]; /* a valid arm, test or hold since the last end of everything */
    uint8_t owner[SX_OUTPUTS];
    bool lit[SX_OUTPUTS];   /* a light that a stop switches on */
    bool stays[SX_OUTPUTS]; /* or leaves as it is */
    uint16_t outputs;       /* as judged last */
};

#define RIG_SESSION 0x5E21AA07UL

/* A board with this memory, anew each time; a rig that was never begun is all zero. */
void rig_begin(struct rig *r, const uint8_t *nv);
/* Takes the state of another; both have begun. */
void rig_copy(struct rig *r, const struct rig *from);
void rig_reset(struct rig *r);
/* Sends raw bytes. Stop bytes among them end everything. */
void rig_send(struct rig *r, const uint8_t *bytes, size_t n);
/* Sends `VERB id [session boot] rest` as a whole frame. */
void rig_ask(struct rig *r, const char *verb, bool guarded, const char *rest);
void rig_pass(struct rig *r, uint32_t ms);
/* Levels at the pins, for a millisecond; an open stop input ends everything. */
void rig_pins(struct rig *r, uint16_t inputs, bool stop_closed, uint16_t supply_mv);
/* Hello, a session, and a setup with a prop of two outputs, an idle movement and a sensor. */
void rig_prepare(struct rig *r);

#endif
