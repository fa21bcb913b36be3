/* A raw pseudo-terminal whose slave end stands at a path, as a serial port would. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#define _DARWIN_C_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#ifdef __linux__
#include <sys/inotify.h>
#endif

#include "line.h"

static void make_raw(int fd) {
    struct termios t;
    if (tcgetattr(fd, &t) != 0) {
        line_fail("tcgetattr", strerror(errno));
    }
    cfmakeraw(&t);
    if (tcsetattr(fd, TCSANOW, &t) != 0) {
        line_fail("tcsetattr", strerror(errno));
    }
}

/* The link is made beside and moved over, so that the path never points nowhere. */
static void place_link(const char *slave, const char *port) {
    char beside[4200];
    (void)snprintf(beside, sizeof beside, "%s.%ld", port, (long)getpid());
    (void)unlink(beside);
    if (symlink(slave, beside) != 0 || rename(beside, port) != 0) {
        line_fail(port, strerror(errno));
    }
}

void line_open(struct line *l) {
    l->master = posix_openpt(O_RDWR | O_NOCTTY);
    if (l->master < 0 || grantpt(l->master) != 0 || unlockpt(l->master) != 0) {
        line_fail("pseudo-terminal", strerror(errno));
    }
    const char *slave = ptsname(l->master);
    l->slave = open(slave, O_RDWR | O_NOCTTY);
    if (l->slave < 0) {
        line_fail(slave, strerror(errno));
    }
    make_raw(l->slave);
    (void)fcntl(l->master, F_SETFL, O_NONBLOCK);
    l->watch = -1;
    l->openers = 1;
#ifdef __linux__
    l->watch = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (l->watch >= 0) {
        if (inotify_add_watch(l->watch, slave, IN_OPEN | IN_CLOSE) >= 0) {
            l->openers = 0;
        } else {
            (void)close(l->watch);
            l->watch = -1;
        }
    }
#endif
    place_link(slave, l->port);
}

void line_close(struct line *l) {
    char target[256];
    ssize_t n = readlink(l->port, target, sizeof target - 1);
    if (n > 0) {
        target[n] = 0;
        if (strcmp(target, ptsname(l->master)) == 0) {
            (void)unlink(l->port);
        }
    }
}

/* Counts who has the port open. What a board says while nobody listens is gone, as on a wire. */
void line_watch(struct line *l) {
#ifdef __linux__
    _Alignas(struct inotify_event) char events[4096];
    ssize_t n;
    while (l->watch >= 0 && (n = read(l->watch, events, sizeof events)) > 0) {
        for (char *p = events; p < events + n;) {
            struct inotify_event e;
            memcpy(&e, p, sizeof e);
            l->openers += (e.mask & IN_OPEN) ? 1 : 0;
            l->openers -= (e.mask & IN_CLOSE) ? 1 : 0;
            p += sizeof e + e.len;
        }
        if (l->openers <= 0) {
            l->openers = 0;
            (void)tcflush(l->slave, TCIFLUSH);
        }
    }
#else
    (void)l;
#endif
}

void line_send(struct line *l, const uint8_t *bytes, size_t n) {
    line_watch(l);
    if (l->openers > 0 && write(l->master, bytes, n) < 0 && errno != EAGAIN && errno != EIO) {
        line_fail("write", strerror(errno));
    }
}

uint64_t line_now_us(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000u + (uint64_t)t.tv_nsec / 1000u;
}
