/* libFuzzer: anything in the non-volatile memory. The input lies over a memory in which cycles were
 * recorded: pairs of a place and a byte, or (even first byte) all of it. With the next bit set, all
 * of it is given checksums that fit, as if a firmware had meant it. */
#include <string.h>

#include "../core/internal.h"
#include "rig.h"

static void lay_over(uint8_t *nv, const uint8_t *data, size_t size) {
    if (size && data[0] % 2 == 0) {
        memcpy(nv, data + 1, size - 1 < SX_NV_BYTES ? size - 1 : SX_NV_BYTES);
        return;
    }
    for (size_t i = 1; i + 2 < size; i += 3) {
        nv[(data[i] | (unsigned)data[i + 1] << 8) % SX_NV_BYTES] = data[i + 2];
    }
}

/* Puts the checksum of the bytes before it at the end of an item. */
static uint16_t seal(uint16_t crc, uint8_t *item, unsigned n) {
    for (; n > 2; n--) {
        crc = sx_crc(crc, *item++);
    }
    item[0] = (uint8_t)(crc >> 8);
    item[1] = (uint8_t)crc;
    return crc;
}

static void seal_all(uint8_t *nv) {
    for (unsigned slot = 0; slot < SX_BOOT_SLOTS; slot++) {
        seal(sx_crc(0xFFFF, 0xB0), nv + SX_NV_BOOTS + slot * SX_ITEM_BYTES, SX_ITEM_BYTES);
    }
    for (unsigned slot = 0; slot < SX_STROKE_SLOTS; slot++) {
        seal(0xFFFF, nv + SX_NV_STROKES + slot * SX_STROKE_BYTES, SX_STROKE_BYTES);
    }
    for (unsigned p = 0; p < SX_PROPS; p++) {
        uint8_t *life = nv + SX_NV_LIVES + p * SX_ITEM_BYTES;
        uint8_t *b = nv + SX_NV_RECORDS + p * SX_RECORDS * SX_RECORD_BYTES;
        uint16_t whose = 0xFFFF;
        seal(sx_crc(0xFFFF, (uint8_t)p), life, SX_ITEM_BYTES);
        for (unsigned i = 4; i--;) {
            whose = sx_crc(whose, life[i]);
        }
        whose = sx_crc(whose, (uint8_t)p);
        for (unsigned slot = 0; slot < SX_RECORDS; slot++, b += SX_RECORD_BYTES) {
            uint16_t head = seal(whose, b, SX_HEAD_BYTES);
            seal(sx_crc((uint16_t)~head, b[0]), b + SX_HEAD_BYTES, SX_TAIL_BYTES);
        }
    }
}

/* A memory in which two boots with nine cycles each lie. */
static void record(struct rig *r, uint8_t *nv) {
    memset(nv, 0xFF, SX_NV_BYTES);
    rig_begin(r, nv);
    for (int boot = 0; boot < 2; boot++) {
        rig_prepare(r);
        rig_ask(r, "ARM", true, "1 0007");
        for (int i = 0; i < 9; i++) {
            rig_ask(r, "FIRE", true, "1");
            rig_pass(r, 400);
        }
        rig_reset(r);
    }
    memcpy(nv, sx_virtual_nv(r->board), SX_NV_BYTES);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static uint8_t recorded[SX_NV_BYTES];
    static struct rig r;
    uint8_t nv[SX_NV_BYTES];
    if (!r.board) {
        record(&r, recorded);
    }
    memcpy(nv, recorded, sizeof nv);
    lay_over(nv, data, size);
    if (size && data[0] & 2u) {
        seal_all(nv);
    }
    rig_begin(&r, nv);
    rig_prepare(&r);
    rig_pass(&r, 1500);
    rig_ask(&r, "METERS", true, "1");
    rig_ask(&r, "ARM", true, "1 0007");
    for (int i = 0; i < 3; i++) {
        rig_ask(&r, "FIRE", true, "1");
        rig_pass(&r, 1000);
    }
    rig_ask(&r, "DISARM", false, "0");
    rig_pass(&r, 1000);
    rig_reset(&r);
    rig_prepare(&r);
    return 0;
}
