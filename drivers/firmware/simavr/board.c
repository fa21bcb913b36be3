/* The ATmega328P binary itself, in real time: its UART on a pseudo-terminal, its EEPROM in a file,
 * its pins on the bench. Same command line as the host board, and --elf FILE. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include <errno.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "mcu.h"

static volatile sig_atomic_t ended;

#define BOOT_US 200000 /* a blank part formats its memory first */
#define SLICE_US 250
#define SLIPPED_US 100000
#define HAND_US 2500

static struct harness the_harness;

/* --- what the machine tells --- */

void harness_pins(struct mcu *m) {
    m->telling = true;
    bench_pins(&m->harness->bench, m->number);
    m->telling = false;
}

void harness_trace(struct mcu *m, const char *what, unsigned value) {
    char out[100];
    if (m->traced) {
        (void)snprintf(out, sizeof out, "trace %s %" PRIu64 " %s %X\n", m->name,
                       (uint64_t)m->avr->cycle, what, value);
        bench_say(&m->harness->bench, out);
    }
}

static void send_all(struct mcu *m) {
    if (m->tx_count) {
        line_send(&m->harness->line, m->tx, m->tx_count);
        m->tx_count = 0;
    }
}

/* Brings a board up to now. A machine that was not given time is not sped up without end: what is
 * over the limit is said, and the board's clock goes on from here. */
static void catch_up(struct mcu *m) {
    uint64_t now = line_now_us();
    if (!m->on) {
        return;
    }
    if (now > mcu_time_us(m, m->avr->cycle) + SLIPPED_US) {
        (void)fprintf(stderr, "slipped %s %" PRIu64 "\n", m->name,
                      now - mcu_time_us(m, m->avr->cycle));
        m->start_us = now - m->avr->cycle / MCU_MHZ;
    }
    mcu_run(m, (now - m->start_us) * MCU_MHZ);
    send_all(m);
}

/* No hand is quicker: a level lasts as long as this before the next is put there. */
static void hold_still(struct mcu *m) {
    (void)usleep(HAND_US);
    catch_up(m);
}

/* --- the bench --- */

static const char *act(void *owner, int board, const char *verb, const long *numbers) {
    struct mcu *m = &((struct harness *)owner)->mcus[board];
    if (strcmp(verb, "set") == 0) {
        if (numbers[0] > MCU_INPUTS) {
            return 0; /* a level at a pin that this board does not have */
        }
        mcu_set(m, (int)numbers[0], (int)numbers[1]);
        hold_still(m);
    } else if (strcmp(verb, "supply") == 0) {
        m->supply_mv = (uint32_t)numbers[0];
        mcu_levels(m);
    } else if (strcmp(verb, "pressure") == 0) {
        m->pressure_mv = (uint32_t)numbers[0];
        mcu_levels(m);
    } else if (strcmp(verb, "reset") == 0) {
        if (m->on) {
            mcu_reset(m, MCU_PIN_RESET);
        }
    } else if (strcmp(verb, "cut") == 0) {
        mcu_cut(m);
        harness_pins(m);
    } else if (strcmp(verb, "power") == 0) {
        if (!m->on) {
            mcu_reset(m, MCU_POWER);
            harness_pins(m);
        }
    } else if (strcmp(verb, "hang") == 0) {
        mcu_hang(m);
    } else {
        m->traced = numbers[0] == 1;
    }
    return 0;
}

static void look(void *owner, int board, struct bench_pins *out) {
    const struct mcu *m = &((struct harness *)owner)->mcus[board];
    uint64_t at_us = m->on && m->telling ? mcu_time_us(m, m->changed_cycle) : line_now_us();
    *out = (struct bench_pins){m->name, at_us, m->shown_outputs, m->shown_lamp, m->on};
}

/* --- the process --- */

/* Serves until a signal, or until the clock shows `until_us`. */
static void serve(struct harness *h, uint64_t until_us) {
    struct pollfd polled[4 + BENCH_CLIENTS];
    while (!ended && line_now_us() < until_us) {
        bool room = true; /* the line is no faster than its baud */
        for (int i = 0; i < h->count; i++) {
            room = room && mcu_has_room(&h->mcus[i]);
        }
        polled[0] = (struct pollfd){.fd = room ? h->line.master : -1, .events = POLLIN};
        polled[1] = (struct pollfd){.fd = STDIN_FILENO, .events = POLLIN};
        polled[2] = (struct pollfd){.fd = h->bench.listener, .events = POLLIN};
        polled[3] = (struct pollfd){.fd = h->line.watch, .events = POLLIN};
        for (int i = 0; i < BENCH_CLIENTS; i++) {
            polled[4 + i] = (struct pollfd){.fd = h->bench.clients[i].fd, .events = POLLIN};
        }
        struct timespec patience = {0, SLICE_US * 1000};
        if (ppoll(polled, 4 + BENCH_CLIENTS, &patience, 0) < 0 && errno != EINTR) {
            line_fail("poll", strerror(errno));
        }
        uint8_t bytes[256];
        ssize_t n;
        if (polled[0].revents && (n = read(h->line.master, bytes, sizeof bytes)) > 0) {
            for (int i = 0; i < h->count; i++) {
                mcu_receive(&h->mcus[i], bytes, (size_t)n);
            }
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
        for (int i = 0; i < h->count; i++) {
            catch_up(&h->mcus[i]);
        }
        for (int i = 0; i < BENCH_CLIENTS; i++) {
            if (h->bench.clients[i].fd >= 0 && polled[4 + i].revents) {
                bench_read(&h->bench, &h->bench.clients[i]);
            }
        }
    }
}

/* Whether every part had its time, however seldom this process was given any. */
static bool booted(const struct harness *h) {
    for (int i = 0; i < h->count; i++) {
        if (h->mcus[i].avr->cycle < BOOT_US * MCU_MHZ) {
            return false;
        }
    }
    return true;
}

static void on_signal(int number) {
    (void)number;
    ended = 1;
}

int main(int argc, char **argv) {
    struct harness *h = &the_harness;
    struct options options = {0};
    struct sigaction end = {.sa_handler = on_signal};
    (void)sigaction(SIGTERM, &end, 0);
    (void)sigaction(SIGINT, &end, 0);
    (void)signal(SIGPIPE, SIG_IGN);
    options_read(&options, argc, argv);
    if (!options.elf) {
        line_fail("usage", "--elf FILE, the firmware");
    }
    h->line.port = options.port;
    h->bench = (struct bench){.path = options.bench, .boards = options.count, .owner = h,
                              .act = act, .look = look};
    h->count = options.count;
    line_open(&h->line);
    bench_open(&h->bench);
    for (int i = 0; i < options.count; i++) {
        h->mcus[i].harness = h;
        h->mcus[i].number = i;
        mcu_open(&h->mcus[i], &options, i);
    }
    while (!ended && !booted(h)) {
        serve(h, line_now_us() + SLICE_US);
    }
    (void)printf("ready %s\n", h->line.port);
    (void)fflush(stdout);
    serve(h, UINT64_MAX);
    for (int i = 0; i < h->count; i++) {
        mcu_close(&h->mcus[i]);
    }
    line_close(&h->line);
    if (h->bench.path) {
        (void)unlink(h->bench.path);
    }
    return 0;
}
