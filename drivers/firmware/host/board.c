/* Command line and main loop of the host board. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "host.h"

static volatile sig_atomic_t ended;

uint64_t host_now_us(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000u + (uint64_t)t.tv_nsec / 1000u;
}

_Noreturn void host_fail(const char *what, const char *which) {
    (void)fprintf(stderr, "host board: %s: %s\n", what, which);
    exit(2);
}

static uint32_t seed(void) {
    uint32_t value = (uint32_t)host_now_us() ^ (uint32_t)getpid() << 16;
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

void sx_board_outputs(void *board, uint16_t on) {
    struct host_board *b = board;
    if (b->outputs != on) {
        b->outputs = on;
        host_bench_pins(b->host, b);
    }
}

void sx_board_lamp(void *board, bool on) {
    struct host_board *b = board;
    if (b->lamp != on) {
        b->lamp = on;
        host_bench_pins(b->host, b);
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

/* --- one board --- */

void host_start(struct host_board *b, uint8_t cause) {
    b->on = true;
    b->boot_us = host_now_us();
    sx_begin(&b->core, b, b->name, b->address, b->shared, seed(), cause, 0);
    b->due_ms = 0;
}

/* Power gone: outputs fall, and what was on its way through the core is lost. */
void host_cut(struct host_board *b) {
    sx_board_outputs(b, 0);
    sx_board_lamp(b, false);
    b->on = false;
}

static uint32_t board_ms(const struct host_board *b) {
    return (uint32_t)((host_now_us() - b->boot_us) / 1000u);
}

static void send_all(struct host_board *b) {
    uint8_t bytes[SX_TX_FRAME];
    size_t n = 0;
    while (n < sizeof bytes && sx_transmit(&b->core, &bytes[n])) {
        n++;
    }
    if (n) {
        host_line_send(b->host, bytes, n);
    }
}

/* Steps until nothing is due now. */
void host_run(struct host_board *b) {
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
        host_run(b);
    }
}

/* --- the process --- */

static uint8_t *map_memory(const char *path) {
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    struct stat status;
    if (fd < 0 || fstat(fd, &status) != 0) {
        host_fail(path, strerror(errno));
    }
    off_t had = status.st_size;
    if (had < SX_NV_BYTES && ftruncate(fd, SX_NV_BYTES) != 0) {
        host_fail(path, strerror(errno));
    }
    uint8_t *nv = mmap(0, SX_NV_BYTES, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (nv == MAP_FAILED) {
        host_fail(path, strerror(errno));
    }
    if (had < SX_NV_BYTES) {
        memset(nv + had, 0xFF, (size_t)(SX_NV_BYTES - had)); /* as a new part comes */
    }
    (void)close(fd);
    return nv;
}

static void add_board(struct host *h, const char *name, long address, const char *nv) {
    if (h->board_count == HOST_BOARDS || !*name || strlen(name) > 12 || address < 1 ||
        address > 255) {
        host_fail("a board needs a name of 1 to 12 characters and an address 1..255", name);
    }
    struct host_board *b = &h->boards[h->board_count++];
    strcpy(b->name, name);
    b->address = (uint8_t)address;
    b->nv = map_memory(nv);
    b->host = h;
    b->pins.inputs = 0xFFFF;
    b->pins.stop_closed = true;
}

/* NAME:ADDRESS:NV */
static void add_described(struct host *h, char *text) {
    char *address = strchr(text, ':');
    char *nv = address ? strchr(address + 1, ':') : 0;
    if (!nv) {
        host_fail("--board wants NAME:ADDRESS:NV", text);
    }
    *address++ = 0;
    *nv++ = 0;
    add_board(h, text, strtol(address, 0, 10), nv);
}

static void arguments(struct host *h, int argc, char **argv) {
    const char *nv = 0, *id = 0;
    long address = 1;
    bool shared = false;
    for (int i = 1; i < argc; i++) {
        char *value = i + 1 < argc ? argv[i + 1] : 0;
        if (strcmp(argv[i], "--shared") == 0) {
            shared = true;
            continue;
        }
        if (!value) {
            host_fail("needs a value", argv[i]);
        } else if (strcmp(argv[i], "--port") == 0) {
            h->port = value;
        } else if (strcmp(argv[i], "--nv") == 0) {
            nv = value;
        } else if (strcmp(argv[i], "--id") == 0) {
            id = value;
        } else if (strcmp(argv[i], "--address") == 0) {
            address = strtol(value, 0, 10);
        } else if (strcmp(argv[i], "--bench") == 0) {
            h->bench = value;
        } else if (strcmp(argv[i], "--board") == 0) {
            add_described(h, value);
        } else {
            host_fail("unknown option", argv[i]);
        }
        i++;
    }
    if (id && nv) {
        add_board(h, id, address, nv);
    }
    if (!h->port || !h->board_count) {
        host_fail("usage", "--port PATH (--nv FILE --id NAME [--address N] | --board "
                           "NAME:ADDRESS:NV ...) [--shared] [--bench PATH]");
    }
    for (int i = 0; i < h->board_count; i++) {
        h->boards[i].shared = shared;
    }
}

static int patience(const struct host *h) {
    int least = 60000;
    for (int i = 0; i < h->board_count; i++) {
        const struct host_board *b = &h->boards[i];
        if (b->on) {
            int64_t left = (int64_t)(b->boot_us / 1000u) + b->due_ms + 1 -
                           (int64_t)(host_now_us() / 1000u);
            int wait = left < 0 ? 0 : left > 60000 ? 60000 : (int)left;
            least = wait < least ? wait : least;
        }
    }
    return least;
}

static void serve(struct host *h) {
    struct pollfd polled[4 + HOST_CLIENTS];
    bool interactive = true;
    while (!ended) {
        polled[0] = (struct pollfd){.fd = h->master, .events = POLLIN};
        polled[1] = (struct pollfd){.fd = interactive ? STDIN_FILENO : -1, .events = POLLIN};
        polled[2] = (struct pollfd){.fd = h->listener, .events = POLLIN};
        polled[3] = (struct pollfd){.fd = h->watch, .events = POLLIN};
        for (int i = 0; i < HOST_CLIENTS; i++) {
            polled[4 + i] = (struct pollfd){.fd = h->clients[i].fd, .events = POLLIN};
        }
        if (poll(polled, 4 + HOST_CLIENTS, patience(h)) < 0 && errno != EINTR) {
            host_fail("poll", strerror(errno));
        }
        uint8_t bytes[512];
        ssize_t n;
        if (polled[0].revents && (n = read(h->master, bytes, sizeof bytes)) > 0) {
            feed(h, bytes, n);
        }
        if (polled[1].revents && read(STDIN_FILENO, bytes, sizeof bytes) <= 0) {
            ended = 1;
        }
        if (polled[2].revents) {
            host_bench_accept(h);
        }
        if (polled[3].revents) {
            host_line_watch(h);
        }
        for (int i = 0; i < HOST_CLIENTS; i++) {
            if (h->clients[i].fd >= 0 && polled[4 + i].revents) {
                host_bench_read(h, &h->clients[i]);
            }
        }
        for (int i = 0; i < h->board_count; i++) {
            host_run(&h->boards[i]);
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
    struct sigaction end = {.sa_handler = on_signal};
    (void)sigaction(SIGTERM, &end, 0);
    (void)sigaction(SIGINT, &end, 0);
    (void)signal(SIGPIPE, SIG_IGN);
    h->listener = -1;
    for (int i = 0; i < HOST_CLIENTS; i++) {
        h->clients[i].fd = -1;
    }
    arguments(h, argc, argv);
    host_line_open(h);
    if (h->bench) {
        host_bench_open(h);
    }
    for (int i = 0; i < h->board_count; i++) {
        host_start(&h->boards[i], SX_RESET_CAUSE_POWER);
        host_run(&h->boards[i]);
    }
    (void)printf("ready %s\n", h->port);
    (void)fflush(stdout);
    serve(h);
    for (int i = 0; i < h->board_count; i++) {
        host_cut(&h->boards[i]);
    }
    host_line_close(h);
    if (h->bench) {
        (void)unlink(h->bench);
    }
    return 0;
}
