/* The bench: the hands of a tester at the pins of every board of the process. */
#ifndef SX_BENCH_H
#define SX_BENCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BENCH_CLIENTS 8

struct bench_pins {
    const char *name;
    uint64_t at_us; /* of the monotonic clock */
    uint16_t outputs;
    bool lamp, on;
};

/* What a command does: its verb, its numbers (absent ones are -1). Returns 0, or what is wrong. */
typedef const char *(*bench_act)(void *owner, int board, const char *verb, const long *numbers);
typedef void (*bench_look)(void *owner, int board, struct bench_pins *out);

struct bench {
    const char *path;
    int listener, boards;
    void *owner;
    bench_act act;
    bench_look look;
    struct bench_client {
        int fd;
        size_t used;
        char line[200];
    } clients[BENCH_CLIENTS];
};

void bench_open(struct bench *b);
void bench_accept(struct bench *b);
void bench_read(struct bench *b, struct bench_client *c);
void bench_say(struct bench *b, const char *text);
/* Tells every client how a board's pins are now. */
void bench_pins(struct bench *b, int board);

#endif
