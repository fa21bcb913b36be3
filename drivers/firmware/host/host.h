/* The host board: the core as a process, behind a pseudo-terminal, its pins on a bench socket. */
#ifndef SX_HOST_H
#define SX_HOST_H

#include <stdbool.h>
#include <stdint.h>

#include "../core/sexton.h"
#include "bench.h"
#include "line.h"
#include "options.h"

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

struct host {
    struct host_board boards[BOARDS];
    struct line line;
    struct bench bench;
    int board_count;
};

#endif
