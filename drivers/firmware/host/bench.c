/* The hands of a tester at the pins: text lines on a local socket. */
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

#include "host.h"

void host_bench_open(struct host *h) {
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    if (strlen(h->bench) >= sizeof at.sun_path) {
        host_fail("the path is too long for a socket", h->bench);
    }
    strcpy(at.sun_path, h->bench);
    (void)unlink(h->bench);
    h->listener = socket(AF_UNIX, SOCK_STREAM, 0);
    if (h->listener < 0 || bind(h->listener, (struct sockaddr *)&at, sizeof at) != 0 ||
        listen(h->listener, HOST_CLIENTS) != 0) {
        host_fail(h->bench, strerror(errno));
    }
}

static void drop(struct host_client *c) {
    (void)close(c->fd);
    c->fd = -1;
}

static void say(struct host_client *c, const char *text) {
    size_t n = strlen(text);
    if (c->fd >= 0 && send(c->fd, text, n, MSG_NOSIGNAL) != (ssize_t)n) {
        drop(c);
    }
}

void host_bench_accept(struct host *h) {
    int fd = accept(h->listener, 0, 0);
    for (int i = 0; fd >= 0 && i < HOST_CLIENTS; i++) {
        if (h->clients[i].fd < 0) {
            (void)fcntl(fd, F_SETFL, O_NONBLOCK);
            h->clients[i].fd = fd;
            h->clients[i].used = 0;
            return;
        }
    }
    if (fd >= 0) {
        (void)close(fd);
    }
}

static void pins_line(const struct host_board *b, char *out, size_t size) {
    (void)snprintf(out, size, "pins %s %" PRIu64 " %04X %d %s\n", b->name, host_now_us(),
                   b->outputs, b->lamp, b->on ? "ON" : "CUT");
}

void host_bench_pins(struct host *h, const struct host_board *b) {
    char out[100];
    pins_line(b, out, sizeof out);
    for (int i = 0; i < HOST_CLIENTS; i++) {
        say(&h->clients[i], out);
    }
}

static struct host_board *named(struct host *h, const char *name) {
    for (int i = 0; i < h->board_count; i++) {
        if (strcmp(h->boards[i].name, name) == 0) {
            return &h->boards[i];
        }
    }
    return 0;
}

static bool number(const char *word, long most, long *value) {
    char *end;
    *value = strtol(word, &end, 10);
    return *word && !*end && *value >= 0 && *value <= most;
}

static const char *set_input(struct host_board *b, char **words, int n) {
    long input, level;
    if (n != 2 || !number(words[0], 16, &input) || !number(words[1], 1, &level)) {
        return "error set wants an input 0..16 and a level 0 or 1\n";
    }
    if (input == 0) {
        b->pins.stop_closed = level == 1;
    } else {
        uint16_t bit = (uint16_t)(1u << (input - 1));
        b->pins.inputs = (uint16_t)(level ? b->pins.inputs | bit : b->pins.inputs & ~bit);
    }
    return "ok\n";
}

static const char *act(struct host *h, struct host_client *c, struct host_board *b,
                       const char *verb, char **words, int n) {
    long mv;
    if (strcmp(verb, "set") == 0) {
        return set_input(b, words, n);
    }
    if (strcmp(verb, "supply") == 0 || strcmp(verb, "pressure") == 0) {
        if (n != 1 || !number(words[0], 65535, &mv)) {
            return "error millivolts are 0..65535\n";
        }
        *(verb[0] == 's' ? &b->pins.supply_mv : &b->pins.pressure_mv) = (uint16_t)mv;
        return "ok\n";
    }
    if (n != 0) {
        return "error words too many\n";
    }
    if (strcmp(verb, "reset") == 0) {
        if (b->on) {
            host_cut(b);
            host_start(b, SX_RESET_CAUSE_BUTTON);
        }
    } else if (strcmp(verb, "cut") == 0) {
        host_cut(b);
        host_bench_pins(h, b);
    } else if (strcmp(verb, "power") == 0) {
        if (!b->on) {
            host_start(b, SX_RESET_CAUSE_POWER);
            host_bench_pins(h, b);
        }
    } else if (strcmp(verb, "get") == 0) {
        char out[100];
        pins_line(b, out, sizeof out);
        say(c, out);
    } else {
        return "error no such command\n";
    }
    return "ok\n";
}

static const char *command(struct host *h, struct host_client *c, char *line) {
    char *words[6];
    int n = 0;
    for (char *word = strtok(line, " \r"); word && n < 6; word = strtok(0, " \r")) {
        words[n++] = word;
    }
    if (n == 0) {
        return "error empty line\n";
    }
    struct host_board *b = n > 1 ? named(h, words[1]) : 0;
    int used = b ? 2 : 1;
    if (!b && h->board_count == 1) {
        b = &h->boards[0];
    }
    if (!b) {
        return "error which board?\n";
    }
    const char *answer = act(h, c, b, words[0], words + used, n - used);
    host_run(b);
    return answer;
}

void host_bench_read(struct host *h, struct host_client *c) {
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
        say(c, command(h, c, line));
    }
    if (c->used == sizeof c->line - 1) {
        drop(c);
    }
}
