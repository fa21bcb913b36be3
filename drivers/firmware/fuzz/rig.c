/* See rig.h. */
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOM 8192

/* Bit by bit from the polynomial, on purpose not the core's own. */
static uint16_t crc16(const char *text, size_t n) {
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < n; i++) {
        crc = (uint16_t)(crc ^ (uint16_t)((uint8_t)text[i] << 8));
        for (int bit = 0; bit < 8; bit++) {
            crc = (uint16_t)(crc & 0x8000u ? (crc << 1) ^ 0x1021 : crc << 1);
        }
    }
    return crc;
}

static void judge(struct rig *r) {
    static struct sx_change changes[SX_CHANGES];
    uint16_t before = r->outputs;
    size_t n = sx_virtual_changes(r->board, changes, SX_CHANGES);
    for (size_t i = 0; i < n; i++) {
        uint16_t on = (uint16_t)(changes[i].outputs & ~before);
        before = changes[i].outputs;
        for (unsigned o = 0; o < SX_OUTPUTS; o++) {
            if (on >> o & 1u && !r->asked[r->owner[o]] && !r->lit[o]) {
                (void)fprintf(stderr, "output %u went on, and nobody had asked\n", o + 1);
                abort();
            }
        }
    }
    r->outputs = before;
}

/* Whatever was asked is over. */
static void ended(struct rig *r) {
    memset(r->asked, 0, sizeof r->asked);
    for (unsigned o = 0; o < SX_OUTPUTS; o++) {
        if (r->outputs >> o & 1u && !r->stays[o] && !r->lit[o]) {
            (void)fprintf(stderr, "output %u stayed on\n", o + 1);
            abort();
        }
    }
}

static void heard(struct rig *r, const uint8_t *tx, size_t n) {
    for (size_t i = 0; i + 24 < n; i++) {
        unsigned request, boot;
        if (memcmp(tx + i, " YES ", 5) == 0 &&
            sscanf((const char *)tx + i, " YES %u %8X ", &request, &boot) == 2) {
            r->boot = boot;
        }
    }
}

void rig_send(struct rig *r, const uint8_t *bytes, size_t n) {
    static uint8_t tx[ROOM];
    uint64_t due;
    (void)sx_virtual_step(r->board, r->now_us, bytes, n, tx, ROOM, &due);
    judge(r);
    if (memchr(bytes, SX_STOP_BYTE, n)) {
        ended(r);
    }
}

/* What the board granted. */
static void note(struct rig *r, const char *verb, const char *rest) {
    unsigned a = 0, b = 0;
    char kind[16] = "", at_stop[16] = "";
    (void)sscanf(rest, "%u %u", &a, &b);
    if (strcmp(verb, "ARM") == 0 || strcmp(verb, "TEST") == 0) {
        r->asked[a <= SX_PROPS ? a : 0] = true;
    } else if (strcmp(verb, "HOLD") == 0 && a >= 1 && a <= SX_OUTPUTS) {
        r->asked[r->owner[a - 1]] = true;
    } else if (strcmp(verb, "SETOUT") == 0 && a >= 1 && a <= SX_OUTPUTS && b <= SX_PROPS &&
               sscanf(rest, "%*u %*u %15s %15s", kind, at_stop) == 2) {
        r->owner[a - 1] = (uint8_t)b;
        bool light = strcmp(kind, "light") == 0;
        r->lit[a - 1] = light && strcmp(at_stop, "on") == 0;
        r->stays[a - 1] = light && strcmp(at_stop, "keep") == 0;
    }
}

void rig_ask(struct rig *r, const char *verb, bool guarded, const char *rest) {
    char body[180], frame[200];
    r->request = (uint16_t)(r->request == 65535 ? 1 : r->request + 1);
    int n = guarded ? snprintf(body, sizeof body, "01 %s %u %08lX %08lX %s", verb, r->request,
                               (unsigned long)RIG_SESSION, (unsigned long)r->boot, rest)
                    : snprintf(body, sizeof body, "01 %s %u %s", verb, r->request, rest);
    if (n <= 0 || (size_t)n >= sizeof body) {
        return;
    }
    while (n && body[n - 1] == ' ') {
        n--;
    }
    int whole = snprintf(frame, sizeof frame, "~%.*s#%04X\n", n, body, crc16(body, (size_t)n));
    static char tx[ROOM];
    char yes[16];
    const char *found;
    uint64_t due;
    size_t got = sx_virtual_step(r->board, r->now_us, (const uint8_t *)frame, (size_t)whole,
                                 (uint8_t *)tx, ROOM - 1, &due);
    tx[got] = 0;
    (void)snprintf(yes, sizeof yes, " YES %u", r->request);
    found = strstr(tx, yes);
    bool granted = found && strchr(" #", found[strlen(yes)]);
    if (granted) {
        note(r, verb, rest);
    }
    if (strcmp(verb, "HELLO") == 0) {
        heard(r, (const uint8_t *)tx, got);
    }
    judge(r);
    bool ends = strcmp(verb, "STOP") == 0 ||
                (strcmp(verb, "DISARM") == 0 && strcmp(rest, "0") == 0);
    if (granted && ends) {
        ended(r);
    }
}

void rig_pins(struct rig *r, uint16_t inputs, bool stop_closed, uint16_t supply_mv) {
    sx_virtual_pins(r->board, inputs, stop_closed, supply_mv, 0);
    rig_pass(r, 1);
    if (!stop_closed) {
        ended(r);
    }
}

void rig_pass(struct rig *r, uint32_t ms) {
    uint64_t until = r->now_us + ms * 1000ull;
    (void)sx_virtual_skip(r->board, r->now_us, until);
    r->now_us = until;
    judge(r);
}

void rig_reset(struct rig *r) {
    sx_virtual_cut(r->board);
    judge(r);
    ended(r);
    memset(r->owner, 0, sizeof r->owner);
    memset(r->lit, 0, sizeof r->lit);
    memset(r->stays, 0, sizeof r->stays);
    sx_virtual_start(r->board, "fuzz", 1, false, 7, SX_RESET_CAUSE_BUTTON, r->now_us);
}

void rig_begin(struct rig *r, const uint8_t *nv) {
    struct sx_virtual *board = r->board;
    memset(r, 0, sizeof *r);
    r->now_us = 1000;
    if (board) {
        sx_virtual_renew(board, nv, 0);
    } else {
        board = sx_virtual_new(nv, 0);
    }
    if (!board) {
        abort();
    }
    r->board = board;
    rig_reset(r);
}

void rig_copy(struct rig *r, const struct rig *from) {
    struct sx_virtual *board = r->board;
    sx_virtual_copy(board, from->board);
    *r = *from;
    r->board = board;
}

void rig_prepare(struct rig *r) {
    static const char *const items[][2] = {
        {"BEGIN", "60000 60000"},
        {"SETPROP", "1 100 1 0 2 300 400"},
        {"SETOUT", "1 1 motion off 0 0 0 0"},
        {"SETOUT", "2 1 light on 500 0 0 0"},
        {"SETIN", "1 1 sensor low 5 0 1"},
    };
    char all[300] = "", rest[40];
    rig_ask(r, "HELLO", false, "");
    (void)snprintf(rest, sizeof rest, "%08lX %08lX 00000000", (unsigned long)r->boot,
                   (unsigned long)RIG_SESSION);
    rig_ask(r, "OPEN", false, rest);
    for (size_t i = 0; i < sizeof items / sizeof items[0]; i++) {
        size_t used = strlen(all);
        (void)snprintf(all + used, sizeof all - used, "%s %s\n", items[i][0], items[i][1]);
        rig_ask(r, items[i][0], true, items[i][1]);
    }
    (void)snprintf(rest, sizeof rest, "%04X", crc16(all, strlen(all)));
    rig_ask(r, "SETUP", true, rest);
    static const char *const sequences[][3] = {
        {"1 1 cycle 200 4", "1", "0:1+ 50:2+ 100:1- 150:2-"},
        {"2 1 idle 100 2", "2", "0:1+ 50:1-"},
    };
    for (size_t i = 0; i < 2; i++) {
        char text[100];
        int n = snprintf(text, sizeof text, "%s %s", sequences[i][0], sequences[i][2]);
        (void)snprintf(rest, sizeof rest, "%s %04X", sequences[i][0], crc16(text, (size_t)n));
        rig_ask(r, "SEQ", true, rest);
        (void)snprintf(text, sizeof text, "%s 0 %s", sequences[i][1], sequences[i][2]);
        rig_ask(r, "STEPS", true, text);
    }
}
