/* libFuzzer: anything on the line, at the pins and in time. Bytes of the input are moves: raw bytes,
 * whole frames with any words in a valid session, time, levels, resets. */
#include <stdio.h>
#include <string.h>

#include "rig.h"

static const char *const verbs[] = {"POLL", "CLEAR", "ARM", "FIRE", "TEST", "SELECT", "HOLD",
                                    "TAG", "UNTAG", "MEND", "LAMP", "ACK", "SEEN", "METERS",
                                    "BEGIN", "SETPROP", "SETOUT", "SETIN", "SETUP", "SEQ",
                                    "STEPS", "HELLO", "OPEN", "STOP", "DISARM"};
static const char *const words[] = {"0", "1", "2", "3", "4", "7", "16", "17", "100", "300", "60000",
                                    "65535", "65536", "16777216", "4294967295", "0007", "0001",
                                    "FFFF", "00000000", "5E21AA07", "motion", "light", "dump",
                                    "off", "on", "keep", "sensor", "actor", "end", "area", "low",
                                    "high", "cycle", "idle", "0:1+", "50:1-", "100:2+", "x"};

struct moves {
    const uint8_t *at, *end;
};

static uint8_t take(struct moves *m) { return m->at < m->end ? *m->at++ : 0; }

static void frame(struct rig *r, struct moves *m) {
    char rest[160] = "";
    uint8_t verb = take(m) % (sizeof verbs / sizeof verbs[0]), n = take(m) % 10;
    for (uint8_t i = 0; i < n; i++) {
        size_t used = strlen(rest);
        (void)snprintf(rest + used, sizeof rest - used, "%s%s", i ? " " : "",
                       words[take(m) % (sizeof words / sizeof words[0])]);
    }
    rig_ask(r, verbs[verb], verb < 21, rest);
}

/* What a night is made of, which chance would seldom put together. */
static void common(struct rig *r, uint8_t which) {
    switch (which < 32 ? 0 : 1 + which % 8) {
    case 0:
        rig_reset(r);
        break;
    case 1:
        rig_ask(r, "DISARM", false, "0");
        break;
    case 2:
        rig_ask(r, "STOP", false, "5E21AA07");
        break;
    case 3: /* whatever had stopped it */
        rig_ask(r, "STOP", false, "5E21AA07");
        rig_ask(r, "CLEAR", true, "5E21AA07");
        break;
    case 4:
        rig_ask(r, "FIRE", true, "1");
        rig_pass(r, which);
        break;
    case 5:
        rig_ask(r, "TEST", true, "1 1");
        rig_pass(r, which);
        break;
    case 6:
        rig_ask(r, "HOLD", true, "2 1000");
        break;
    default:
        rig_ask(r, "ARM", true, "1 0007");
    }
}

static void move(struct rig *r, struct moves *m) {
    uint8_t raw[32];
    size_t n = 0;
    switch (take(m) % 8) {
    case 0:
        for (n = take(m) % sizeof raw; n && m->at < m->end; n--) {
            raw[0] = take(m);
            rig_send(r, raw, 1);
        }
        break;
    case 1:
    case 2:
    case 3:
        frame(r, m);
        break;
    case 4:
        rig_pass(r, take(m) * 8u);
        break;
    case 5: {
        uint8_t levels = take(m);
        rig_pins(r, (uint16_t)(levels | 0xFF00), levels & 0xC0u, (uint16_t)(take(m) * 64u));
        break;
    }
    case 6:
        rig_prepare(r);
        break;
    default:
        common(r, take(m));
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static struct rig r, ready; /* the beginning is the same for all */
    struct moves m = {data, data + size};
    if (!ready.board) {
        uint8_t blank[SX_NV_BYTES];
        memset(blank, 0xFF, sizeof blank);
        rig_begin(&r, blank);
        rig_begin(&ready, blank);
        rig_prepare(&ready);
    }
    rig_copy(&r, &ready);
    while (m.at < m.end) {
        move(&r, &m);
    }
    return 0;
}
