/* What the shared library offers; drivers/firmware/library.py binds it. */
#ifndef SX_VIRTUAL_H
#define SX_VIRTUAL_H

#include <stddef.h>

#include "../core/sexton.h"

#define SX_CHANGES 4096

struct sx_change {
    uint64_t at_us;
    uint16_t outputs;
};

struct sx_virtual;

size_t sx_virtual_nv_bytes(void);
size_t sx_virtual_ram_bytes(void);
struct sx_virtual *sx_virtual_new(const uint8_t *nv, uint32_t nv_write_us);
void sx_virtual_free(struct sx_virtual *v);
/* As sx_virtual_new() makes it, without power. */
void sx_virtual_renew(struct sx_virtual *v, const uint8_t *nv, uint32_t nv_write_us);
/* Brings a board into the state of another. */
void sx_virtual_copy(struct sx_virtual *to, const struct sx_virtual *from);
void sx_virtual_start(struct sx_virtual *v, const char *name, uint8_t address, bool shared,
                      uint32_t seed, uint8_t cause, uint64_t now_us);
void sx_virtual_cut(struct sx_virtual *v);
/* Power goes at this write from now, which leaves `torn` in its cell; 0: never. */
void sx_virtual_cut_after(struct sx_virtual *v, uint64_t writes, uint8_t torn);
bool sx_virtual_dead(const struct sx_virtual *v);
uint16_t sx_virtual_outputs(const struct sx_virtual *v);
bool sx_virtual_lamp(const struct sx_virtual *v);
void sx_virtual_pins(struct sx_virtual *v, uint16_t inputs, bool stop_closed, uint16_t supply_mv,
                     uint16_t pressure_mv);
const uint8_t *sx_virtual_nv(const struct sx_virtual *v);
const uint32_t *sx_virtual_writes(const struct sx_virtual *v);
uint64_t sx_virtual_written(const struct sx_virtual *v);
/* Takes the changes of the outputs since the last call. */
size_t sx_virtual_changes(struct sx_virtual *v, struct sx_change *out, size_t room);
/* Feeds bytes at one moment; gives the bytes sent and when the next step is due. */
size_t sx_virtual_step(struct sx_virtual *v, uint64_t now_us, const uint8_t *rx, size_t rx_count,
                       uint8_t *tx, size_t room, uint64_t *due_us);
/* The moment of the last step. */
uint64_t sx_virtual_now(const struct sx_virtual *v);
/* Runs until something is sent or `until_us` has come; gives when the next step is due. */
uint64_t sx_virtual_run(struct sx_virtual *v, uint64_t now_us, uint64_t until_us, uint8_t *tx,
                        size_t room, size_t *tx_count);
/* The same, with nobody at the other end of the line. */
uint64_t sx_virtual_skip(struct sx_virtual *v, uint64_t now_us, uint64_t until_us);

#endif
