/* Command line and main loop of the host board. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "host.h"

static volatile sig_atomic_t ended;

static uint32_t seed(void) {
    uint32_t value = (uint32_t)line_now_us() ^ (uint32_t)getpid() << 16;
    int fd = open("/dev/urandom", O_RDONLY);
    if (fd >= 0) {
        if (read(fd, &value, sizeof value) != (ssize_t)sizeof value) {
            value ^= 0x5A5A5A5Au;
        }
        (void)close(fd);
    }
    return value;
}

/* --- the board layer of the core --- */

const char *sx_board_name(void *board) { return ((struct host_board *)board)->name; }

void sx_board_outputs(void *board, uint16_t on) {
    struct host_board *b = board;
    if (b->outputs != on) {
        b->outputs = on;
        bench_pins(&b->host->bench, (int)(b - b->host->boards));
    }
}

void sx_board_lamp(void *board, bool on) {
    struct host_board *b = board;
    if (b->lamp != on) {
        b->lamp = on;
        bench_pins(&b->host->bench, (int)(b - b->host->boards));
    }
}

uint8_t sx_board_lock(void *board) {
    (void)board;
    return 0;
}

void sx_board_unlock(void *board, uint8_t was) {
    (void)board;
    (void)was;
}

bool sx_board_nv_ready(void *board) {
    (void)board;
    return true;
}

uint8_t sx_board_nv_read(void *board, uint16_t at) { return ((struct host_board *)board)->nv[at]; }

void sx_board_nv_write(void *board, uint16_t at, uint8_t byte) {
    ((struct host_board *)board)->nv[at] = byte;
}

/* Bytes in a shared mapping outlive the process; that this machine may lose power is not its part. */
bool sx_board_nv_settle(void *board) {
    (void)board;
    return true;
}

/* --- one board --- */

static void board_start(struct host_board *b, uint8_t cause) {
    b->on = true;
    b->boot_us = line_now_us();
    sx_begin(&b->core, b, b->address, b->shared, seed(), cause, 0);
    b->due_ms = 0;
}

/* Power gone: outputs fall, and what was on its way through the core is lost. */
static void board_cut(struct host_board *b) {
    sx_board_outputs(b, 0);
    sx_board_lamp(b, false);
    b->on = false;
}

static uint32_t board_ms(const struct host_board *b) {
    return (uint32_t)((line_now_us() - b->boot_us) / 1000u);
}

static void send_all(struct host_board *b) {
    uint8_t bytes[SX_TX_FRAME];
    size_t n = 0;
    while (n < sizeof bytes && sx_transmit(&b->core, &bytes[n])) {
        n++;
    }
    if (n) {
        line_send(&b->host->line, bytes, n);
    }
}

/* Steps until nothing is due now. */
static void board_run(struct host_board *b) {
    while (b->on) {
        uint32_t now = board_ms(b);
        uint32_t wait = sx_step(&b->core, now, &b->pins);
        send_all(b);
        if (wait) {
            b->due_ms = now + wait;
            return;
        }
    }
}

static void feed(struct host *h, const uint8_t *bytes, ssize_t n) {
    for (int i = 0; i < h->board_count; i++) {
        struct host_board *b = &h->boards[i];
        for (ssize_t at = 0; b->on && at < n; at++) {
            while (!sx_receive(&b->core, bytes[at])) {
                (void)sx_step(&b->core, board_ms(b), &b->pins);
                send_all(b);
            }
        }
        board_run(b);
    }
}

/* --- the process --- */

static void add_boards(struct host *h, const struct options *o) {
    for (int i = 0; i < o->count; i++) {
        struct host_board *b = &h->boards[h->board_count++];
        strcpy(b->name, o->boards[i].name);
        b->address = o->boards[i].address;
        b->shared = o->shared;
        b->nv = options_memory(o->boards[i].nv, SX_NV_BYTES);
        b->host = h;
        b->pins.inputs = 0xFFFF;
        b->pins.stop_closed = true;
    }
}

static int patience(const struct host *h) {
    int least = 60000;
    for (int i = 0; i < h->board_count; i++) {
        const struct host_board *b = &h->boards[i];
        if (b->on) {
            int64_t left = (int64_t)(b->boot_us / 1000u) + b->due_ms + 1 -
                           (int64_t)(line_now_us() / 1000u);
            int wait = left < 0 ? 0 : left > 60000 ? 60000 : (int)left;
            least = wait < least ? wait : least;
        }
    }
    return least;
}

static const char *act(void *owner, int board, const char *verb, const long *numbers) {
    struct host_board *b = &((struct host *)owner)->boards[board];
    if (strcmp(verb, "set") == 0 && numbers[0] == 0) {
        b->pins.stop_closed = numbers[1] == 1;
    } else if (strcmp(verb, "set") == 0) {
        uint16_t bit = (uint16_t)(1u << (numbers[0] - 1));
        b->pins.inputs = (uint16_t)(numbers[1] ? b->pins.inputs | bit : b->pins.inputs & ~bit);
    } else if (strcmp(verb, "supply") == 0) {
        b->pins.supply_mv = (uint16_t)numbers[0];
    } else if (strcmp(verb, "pressure") == 0) {
        b->pins.pressure_mv = (uint16_t)numbers[0];
    } else if (strcmp(verb, "reset") == 0) {
        if (b->on) {
            board_cut(b);
            board_start(b, SX_RESET_CAUSE_BUTTON);
        }
    } else if (strcmp(verb, "cut") == 0) {
        board_cut(b);
        bench_pins(&b->host->bench, board);
    } else if (strcmp(verb, "power") == 0) {
        if (!b->on) {
            board_start(b, SX_RESET_CAUSE_POWER);
            bench_pins(&b->host->bench, board);
        }
    } else {
        return "not on this kind of board";
    }
    board_run(b);
    return 0;
}

static void look(void *owner, int board, struct bench_pins *out) {
    const struct host_board *b = &((struct host *)owner)->boards[board];
    *out = (struct bench_pins){b->name, line_now_us(), b->outputs, b->lamp, b->on};
}

static void serve(struct host *h) {
    struct pollfd polled[4 + BENCH_CLIENTS];
    while (!ended) {
        polled[0] = (struct pollfd){.fd = h->line.master, .events = POLLIN};
        polled[1] = (struct pollfd){.fd = STDIN_FILENO, .events = POLLIN};
        polled[2] = (struct pollfd){.fd = h->bench.listener, .events = POLLIN};
        polled[3] = (struct pollfd){.fd = h->line.watch, .events = POLLIN};
        for (int i = 0; i < BENCH_CLIENTS; i++) {
            polled[4 + i] = (struct pollfd){.fd = h->bench.clients[i].fd, .events = POLLIN};
        }
        if (poll(polled, 4 + BENCH_CLIENTS, patience(h)) < 0 && errno != EINTR) {
            line_fail("poll", strerror(errno));
        }
        uint8_t bytes[512];
        ssize_t n;
        if (polled[0].revents && (n = read(h->line.master, bytes, sizeof bytes)) > 0) {
            feed(h, bytes, n);
        }
        if (polled[1].revents && read(STDIN_FILENO, bytes, sizeof bytes) <= 0) {
            ended = 1;
        }
        if (polled[2].revents) {
            bench_accept(&h->bench);
        }
        if (polled[3].revents) {
            line_watch(&h->line);
        }
        for (int i = 0; i < BENCH_CLIENTS; i++) {
            if (h->bench.clients[i].fd >= 0 && polled[4 + i].revents) {
                bench_read(&h->bench, &h->bench.clients[i]);
            }
        }
        for (int i = 0; i < h->board_count; i++) {
            board_run(&h->boards[i]);
        }
    }
}

static void on_signal(int number) {
    (void)number;
    ended = 1;
}

static struct host the_host;

int main(int argc, char **argv) {
    struct host *h = &the_host;
    struct options options = {0};
    struct sigaction end = {.sa_handler = on_signal};
    (void)sigaction(SIGTERM, &end, 0);
    (void)sigaction(SIGINT, &end, 0);
    (void)signal(SIGPIPE, SIG_IGN);
    options_read(&options, argc, argv);
    add_boards(h, &options);
    h->line.port = options.port;
    h->bench.path = options.bench;
    h->bench.boards = h->board_count;
    h->bench.owner = h;
    h->bench.act = act;
    h->bench.look = look;
    line_open(&h->line);
    bench_open(&h->bench);
    for (int i = 0; i < h->board_count; i++) {
        board_start(&h->boards[i], SX_RESET_CAUSE_POWER);
        board_run(&h->boards[i]);
    }
    (void)printf("ready %s\n", h->line.port);
    (void)fflush(stdout);
    serve(h);
    for (int i = 0; i < h->board_count; i++) {
        board_cut(&h->boards[i]);
    }
    line_close(&h->line);
    if (h->bench.path) {
        (void)unlink(h->bench.path);
    }
    return 0;
}
