/* The board layer on virtual time: everything that a board touches is in one struct, and the
 * caller moves the clock. Power can be cut at any byte that is written to the memory. */
#include "virtual.h"

#include <stdlib.h>
#include <string.h>

struct sx_virtual {
    struct sx core;
    struct sx_pins pins;
    char name[13];
    uint8_t nv[SX_NV_BYTES];
    uint32_t writes[SX_NV_BYTES];
    uint32_t nv_write_us;
    uint64_t now_us, boot_us, nv_ready_us, written;
    uint64_t cut_after; /* the write at which power goes; 0: never */
    uint8_t torn;
    bool dead, lamp;
    uint16_t outputs;
    size_t change_count;
    struct sx_change changes[SX_CHANGES];
};

const char *sx_board_name(void *board) { return ((struct sx_virtual *)board)->name; }

void sx_board_outputs(void *board, uint16_t on) {
    struct sx_virtual *v = board;
    if (v->dead || v->outputs == on) {
        return;
    }
    v->outputs = on;
    if (v->change_count < SX_CHANGES) {
        v->changes[v->change_count].at_us = v->now_us;
        v->changes[v->change_count++].outputs = on;
    }
}

void sx_board_lamp(void *board, bool on) { ((struct sx_virtual *)board)->lamp = on; }

uint8_t sx_board_lock(void *board) {
    (void)board;
    return 0;
}

void sx_board_unlock(void *board, uint8_t was) {
    (void)board;
    (void)was;
}

bool sx_board_nv_ready(void *board) {
    const struct sx_virtual *v = board;
    return !v->dead && v->now_us >= v->nv_ready_us;
}

uint8_t sx_board_nv_read(void *board, uint16_t at) { return ((struct sx_virtual *)board)->nv[at]; }

void sx_board_nv_write(void *board, uint16_t at, uint8_t byte) {
    struct sx_virtual *v = board;
    if (v->dead) {
        return;
    }
    if (v->nv[at] != byte) { /* a board layer does not write what is there already */
        v->nv_ready_us = v->now_us + v->nv_write_us;
        v->writes[at]++;
    }
    v->written++;
    v->dead = v->written == v->cut_after;
    v->nv[at] = v->dead ? v->torn : byte;
}

bool sx_board_nv_settle(void *board) { return sx_board_nv_ready(board); }

size_t sx_virtual_nv_bytes(void) { return SX_NV_BYTES; }

size_t sx_virtual_ram_bytes(void) { return sizeof(struct sx); }

struct sx_virtual *sx_virtual_new(const uint8_t *nv, uint32_t nv_write_us) {
    struct sx_virtual *v = malloc(sizeof *v);
    if (v) {
        sx_virtual_renew(v, nv, nv_write_us);
    }
    return v;
}

void sx_virtual_renew(struct sx_virtual *v, const uint8_t *nv, uint32_t nv_write_us) {
    memset(v, 0, sizeof *v);
    memcpy(v->nv, nv, SX_NV_BYTES);
    v->nv_write_us = nv_write_us;
    v->pins.inputs = 0xFFFF;
    v->pins.stop_closed = true;
    v->dead = true;
}

void sx_virtual_copy(struct sx_virtual *to, const struct sx_virtual *from) {
    *to = *from;
    to->core.board = to;
}

void sx_virtual_free(struct sx_virtual *v) { free(v); }

void sx_virtual_start(struct sx_virtual *v, const char *name, uint8_t address, bool shared,
                      uint32_t seed, uint8_t cause, uint64_t now_us) {
    (void)strncpy(v->name, name, sizeof v->name - 1);
    v->now_us = now_us;
    v->boot_us = now_us;
    v->nv_ready_us = now_us;
    v->dead = false;
    sx_board_outputs(v, 0);
    sx_begin(&v->core, v, address, shared, seed, cause, 0);
}

void sx_virtual_cut(struct sx_virtual *v) {
    sx_board_outputs(v, 0);
    v->dead = true;
}

void sx_virtual_cut_after(struct sx_virtual *v, uint64_t writes, uint8_t torn) {
    v->cut_after = writes ? v->written + writes : 0;
    v->torn = torn;
}

bool sx_virtual_dead(const struct sx_virtual *v) { return v->dead; }

uint16_t sx_virtual_outputs(const struct sx_virtual *v) { return v->dead ? 0 : v->outputs; }

bool sx_virtual_lamp(const struct sx_virtual *v) { return v->lamp && !v->dead; }

void sx_virtual_pins(struct sx_virtual *v, uint16_t inputs, bool stop_closed, uint16_t supply_mv,
                     uint16_t pressure_mv) {
    v->pins.inputs = inputs;
    v->pins.stop_closed = stop_closed;
    v->pins.supply_mv = supply_mv;
    v->pins.pressure_mv = pressure_mv;
}

const uint8_t *sx_virtual_nv(const struct sx_virtual *v) { return v->nv; }

const uint32_t *sx_virtual_writes(const struct sx_virtual *v) { return v->writes; }

uint64_t sx_virtual_written(const struct sx_virtual *v) { return v->written; }

size_t sx_virtual_changes(struct sx_virtual *v, struct sx_change *out, size_t room) {
    size_t n = v->change_count < room ? v->change_count : room;
    memcpy(out, v->changes, n * sizeof *out);
    v->change_count = 0;
    return n;
}

static size_t drain(struct sx_virtual *v, uint8_t *tx, size_t room, size_t n) {
    uint8_t byte;
    while (sx_transmit(&v->core, &byte)) {
        if (n < room && !v->dead) {
            tx[n++] = byte;
        }
    }
    return n;
}

size_t sx_virtual_step(struct sx_virtual *v, uint64_t now_us, const uint8_t *rx, size_t rx_count,
                       uint8_t *tx, size_t room, uint64_t *due_us) {
    size_t n = 0;
    v->now_us = now_us;
    uint32_t ms = (uint32_t)((now_us - v->boot_us) / 1000u), wait = 1;
    for (size_t at = 0; at < rx_count && !v->dead;) {
        if (sx_receive(&v->core, rx[at])) {
            at++;
        } else {
            (void)sx_step(&v->core, ms, &v->pins);
            n = drain(v, tx, room, n);
        }
    }
    do {
        if (v->dead) {
            *due_us = UINT64_MAX;
            return 0;
        }
        wait = sx_step(&v->core, ms, &v->pins);
        n = drain(v, tx, room, n);
    } while (!wait && n < room - SX_TX_FRAME);
    *due_us = v->dead ? UINT64_MAX : v->boot_us + (uint64_t)(ms + wait) * 1000u;
    return v->dead ? 0 : n;
}

uint64_t sx_virtual_now(const struct sx_virtual *v) { return v->now_us; }

uint64_t sx_virtual_run(struct sx_virtual *v, uint64_t now_us, uint64_t until_us, uint8_t *tx,
                        size_t room, size_t *tx_count) {
    uint64_t due = now_us;
    *tx_count = 0;
    while (now_us <= until_us && !v->dead) {
        *tx_count = sx_virtual_step(v, now_us, 0, 0, tx, room, &due);
        if (*tx_count || due > until_us) {
            break;
        }
        now_us = due > now_us ? due : now_us;
    }
    return due;
}

uint64_t sx_virtual_skip(struct sx_virtual *v, uint64_t now_us, uint64_t until_us) {
    uint8_t tx[4 * SX_TX_FRAME];
    uint64_t due = now_us;
    while (now_us <= until_us && !v->dead) {
        (void)sx_virtual_step(v, now_us, 0, 0, tx, sizeof tx, &due);
        if (due > until_us) {
            break;
        }
        now_us = due > now_us ? due : now_us;
    }
    return v->dead ? UINT64_MAX : due;
}
