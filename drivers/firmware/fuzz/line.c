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
        sx_virtual_pins(r->board, (uint16_t)(levels | 0xFF00), levels & 0x80u,
                        (uint16_t)(take(m) * 64u), 0);
        rig_pass(r, 1);
        break;
    }
    case 6:
        rig_prepare(r);
        break;
    default:
        if (take(m) < 32) {
            rig_reset(r);
        } else {
            rig_ask(r, "ARM", true, "1 0007");
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static uint8_t blank[SX_NV_BYTES];
    struct moves m = {data, data + size};
    struct rig r;
    memset(blank, 0xFF, sizeof blank);
    rig_begin(&r, blank);
    rig_prepare(&r);
    while (m.at < m.end) {
        move(&r, &m);
    }
    rig_end(&r);
    return 0;
}
