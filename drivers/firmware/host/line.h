/* A pseudo-terminal that stands for a serial line. */
#ifndef SX_LINE_H
#define SX_LINE_H

#include <stddef.h>
#include <stdint.h>

struct line {
    const char *port; /* where its slave end is linked */
    int master, slave, watch, openers;
};

void line_open(struct line *l);
void line_close(struct line *l);
/* Looks who has the port open; call it when `watch` is readable. */
void line_watch(struct line *l);
void line_send(struct line *l, const uint8_t *bytes, size_t n);

/* Ends the process with code 2 and one line. */
_Noreturn void line_fail(const char *what, const char *which);
uint64_t line_now_us(void);

#endif
