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
#include <unistd.h>
#ifdef __linux__
#include <sys/inotify.h>
#endif

#include "host.h"

static void make_raw(int fd) {
    struct termios t;
    if (tcgetattr(fd, &t) != 0) {
        host_fail("tcgetattr", strerror(errno));
    }
    cfmakeraw(&t);
    if (tcsetattr(fd, TCSANOW, &t) != 0) {
        host_fail("tcsetattr", strerror(errno));
    }
}

/* The link is made beside and moved over, so that the path never points nowhere. */
static void place_link(const char *slave, const char *port) {
    char beside[4200];
    (void)snprintf(beside, sizeof beside, "%s.%ld", port, (long)getpid());
    (void)unlink(beside);
    if (symlink(slave, beside) != 0 || rename(beside, port) != 0) {
        host_fail(port, strerror(errno));
    }
}

void host_line_open(struct host *h) {
    h->master = posix_openpt(O_RDWR | O_NOCTTY);
    if (h->master < 0 || grantpt(h->master) != 0 || unlockpt(h->master) != 0) {
        host_fail("pseudo-terminal", strerror(errno));
    }
    const char *slave = ptsname(h->master);
    h->slave = open(slave, O_RDWR | O_NOCTTY);
    if (h->slave < 0) {
        host_fail(slave, strerror(errno));
    }
    make_raw(h->slave);
    (void)fcntl(h->master, F_SETFL, O_NONBLOCK);
    h->watch = -1;
    h->openers = 1;
#ifdef __linux__
    h->watch = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (h->watch >= 0) {
        if (inotify_add_watch(h->watch, slave, IN_OPEN | IN_CLOSE) >= 0) {
            h->openers = 0;
        } else {
            (void)close(h->watch);
            h->watch = -1;
        }
    }
#endif
    place_link(slave, h->port);
}

void host_line_close(struct host *h) {
    char target[256];
    ssize_t n = readlink(h->port, target, sizeof target - 1);
    if (n > 0) {
        target[n] = 0;
        if (strcmp(target, ptsname(h->master)) == 0) {
            (void)unlink(h->port);
        }
    }
}

/* Counts who has the port open. What a board says while nobody listens is gone, as on a wire. */
void host_line_watch(struct host *h) {
#ifdef __linux__
    _Alignas(struct inotify_event) char events[4096];
    ssize_t n;
    while (h->watch >= 0 && (n = read(h->watch, events, sizeof events)) > 0) {
        for (char *p = events; p < events + n;) {
            struct inotify_event e;
            memcpy(&e, p, sizeof e);
            h->openers += (e.mask & IN_OPEN) ? 1 : 0;
            h->openers -= (e.mask & IN_CLOSE) ? 1 : 0;
            p += sizeof e + e.len;
        }
        if (h->openers <= 0) {
            h->openers = 0;
            (void)tcflush(h->slave, TCIFLUSH);
        }
    }
#else
    (void)h;
#endif
}

void host_line_send(struct host *h, const uint8_t *bytes, size_t n) {
    host_line_watch(h);
    if (h->openers > 0 && write(h->master, bytes, n) < 0 && errno != EAGAIN && errno != EIO) {
        host_fail("write", strerror(errno));
    }
}
