/* libFuzzer: anything in the non-volatile memory. The input lies over a memory in which cycles were
 * recorded: pairs of a place and a byte, or (even first byte) all of it. */
#include <string.h>

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

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    uint8_t nv[SX_NV_BYTES];
    struct rig r;
    memset(nv, 0xFF, sizeof nv);
    rig_begin(&r, nv);
    for (int boot = 0; boot < 2; boot++) {
        rig_prepare(&r);
        rig_ask(&r, "ARM", true, "1 0007");
        for (int i = 0; i < 9; i++) {
            rig_ask(&r, "FIRE", true, "1");
            rig_pass(&r, 400);
        }
        rig_reset(&r);
    }
    memcpy(nv, sx_virtual_nv(r.board), sizeof nv);
    rig_end(&r);
    lay_over(nv, data, size);
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
    rig_end(&r);
    return 0;
}
