/* The host board: the core as a process, behind a pseudo-terminal, its pins on a bench socket. */
#ifndef SX_HOST_H
#define SX_HOST_H

#include <poll.h>
#include <stdbool.h>
#include <stdint.h>

#include "../core/sexton.h"

#define HOST_BOARDS 30
#define HOST_CLIENTS 8

struct host_board {
    struct sx core;
    struct sx_pins pins;
    char name[13];
    uint8_t address;
    bool shared, on, lamp;
    uint16_t outputs;
    uint8_t *nv;
    uint64_t boot_us;
    uint32_t due_ms;
    struct host *host;
};

struct host_client {
    int fd;
    size_t used;
    char line[200];
};

struct host {
    struct host_board boards[HOST_BOARDS];
    struct host_client clients[HOST_CLIENTS];
    int board_count, master, slave, watch, openers, listener;
    const char *port, *bench;
};

uint64_t host_now_us(void);
_Noreturn void host_fail(const char *what, const char *which);

/* board.c */
void host_start(struct host_board *b, uint8_t cause);
void host_cut(struct host_board *b);
void host_run(struct host_board *b);

/* line.c: the pseudo-terminal */
void host_line_open(struct host *h);
void host_line_close(struct host *h);
void host_line_watch(struct host *h);
void host_line_send(struct host *h, const uint8_t *bytes, size_t n);

/* bench.c */
void host_bench_open(struct host *h);
void host_bench_accept(struct host *h);
void host_bench_read(struct host *h, struct host_client *c);
void host_bench_pins(struct host *h, const struct host_board *b);

#endif
