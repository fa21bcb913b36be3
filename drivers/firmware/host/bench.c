/* Text lines on a local socket; see bench.h. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "bench.h"
#include "line.h"

void bench_open(struct bench *b) {
    for (int i = 0; i < BENCH_CLIENTS; i++) {
        b->clients[i].fd = -1;
    }
    b->listener = -1;
    if (!b->path) {
        return;
    }
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    if (strlen(b->path) >= sizeof at.sun_path) {
        line_fail("the path is too long for a socket", b->path);
    }
    strcpy(at.sun_path, b->path);
    (void)unlink(b->path);
    b->listener = socket(AF_UNIX, SOCK_STREAM, 0);
    if (b->listener < 0 || bind(b->listener, (struct sockaddr *)&at, sizeof at) != 0 ||
        listen(b->listener, BENCH_CLIENTS) != 0) {
        line_fail(b->path, strerror(errno));
    }
}

static void drop(struct bench_client *c) {
    (void)close(c->fd);
    c->fd = -1;
}

static void say(struct bench_client *c, const char *text) {
    size_t n = strlen(text);
    if (c->fd >= 0 && send(c->fd, text, n, MSG_NOSIGNAL) != (ssize_t)n) {
        drop(c);
    }
}

void bench_accept(struct bench *b) {
    int fd = accept(b->listener, 0, 0);
    for (int i = 0; fd >= 0 && i < BENCH_CLIENTS; i++) {
        if (b->clients[i].fd < 0) {
            (void)fcntl(fd, F_SETFL, O_NONBLOCK);
            b->clients[i].fd = fd;
            b->clients[i].used = 0;
            return;
        }
    }
    if (fd >= 0) {
        (void)close(fd);
    }
}

void bench_say(struct bench *b, const char *text) {
    for (int i = 0; i < BENCH_CLIENTS; i++) {
        say(&b->clients[i], text);
    }
}

static void pins_line(struct bench *b, int board, char *out, size_t size) {
    struct bench_pins p;
    b->look(b->owner, board, &p);
    (void)snprintf(out, size, "pins %s %" PRIu64 " %04X %d %s\n", p.name, p.at_us, p.outputs,
                   p.lamp, p.on ? "ON" : "CUT");
}

void bench_pins(struct bench *b, int board) {
    char out[100];
    pins_line(b, board, out, sizeof out);
    bench_say(b, out);
}

static int named(struct bench *b, const char *name) {
    for (int i = 0; i < b->boards; i++) {
        struct bench_pins p;
        b->look(b->owner, i, &p);
        if (strcmp(p.name, name) == 0) {
            return i;
        }
    }
    return -1;
}

static const struct {
    const char *verb;
    int numbers;
    long most[2];
} commands[] = {
    {"set", 2, {16, 1}}, {"supply", 1, {65535, 0}}, {"pressure", 1, {65535, 0}},
    {"reset", 0, {0}},   {"cut", 0, {0}},           {"power", 0, {0}},
    {"get", 0, {0}},     {"hang", 0, {0}},          {"trace", 1, {1, 0}},
};

static const char *do_words(struct bench *b, struct bench_client *c, int board, const char *verb,
                            char **words, int n) {
    long numbers[2] = {-1, -1};
    for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
        if (strcmp(commands[i].verb, verb) != 0) {
            continue;
        }
        if (n != commands[i].numbers) {
            return "so many words make no sense";
        }
        for (int k = 0; k < n; k++) {
            char *end;
            numbers[k] = strtol(words[k], &end, 10);
            if (*end || numbers[k] < 0 || numbers[k] > commands[i].most[k]) {
                return "a number is out of range";
            }
        }
        if (strcmp(verb, "get") == 0) {
            char out[100];
            pins_line(b, board, out, sizeof out);
            say(c, out);
            return 0;
        }
        return b->act(b->owner, board, verb, numbers);
    }
    return "no such command";
}

static void command(struct bench *b, struct bench_client *c, char *line) {
    char *words[6], answer[100];
    int n = 0;
    for (char *word = strtok(line, " \r"); word && n < 6; word = strtok(0, " \r")) {
        words[n++] = word;
    }
    int board = n > 1 ? named(b, words[1]) : -1;
    int used = board >= 0 ? 2 : 1;
    if (board < 0 && b->boards == 1) {
        board = 0;
    }
    const char *wrong = n == 0      ? "empty line"
                        : board < 0 ? "which board?"
                                    : do_words(b, c, board, words[0], words + used, n - used);
    (void)snprintf(answer, sizeof answer, wrong ? "error %s\n" : "ok\n", wrong);
    say(c, answer);
}

void bench_read(struct bench *b, struct bench_client *c) {
    ssize_t got = read(c->fd, c->line + c->used, sizeof c->line - 1 - c->used);
    if (got <= 0) {
        if (got == 0 || errno != EAGAIN) {
            drop(c);
        }
        return;
    }
    c->used += (size_t)got;
    c->line[c->used] = 0;
    for (char *end; c->fd >= 0 && (end = strchr(c->line, '\n')) != 0;) {
        char line[sizeof c->line];
        *end = 0;
        strcpy(line, c->line);
        c->used -= (size_t)(end + 1 - c->line);
        memmove(c->line, end + 1, c->used + 1);
        command(b, c, line);
    }
    if (c->used == sizeof c->line - 1) {
        drop(c);
    }
}
