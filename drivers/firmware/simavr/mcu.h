/* One ATmega328P under simavr, with what simavr leaves out: the time that EEPROM writes take, the
 * cause of a reset, and bytes that come at the pace of the wire. */
#ifndef SX_MCU_H
#define SX_MCU_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>

#include "../host/bench.h"
#include "../host/line.h"
#include "../host/options.h"

#define MCU_MHZ 16u
#define MCU_INPUTS 6
#define MCU_QUEUE 1024u

struct harness;

struct mcu {
    struct harness *harness;
    int number;
    avr_t *avr;
    avr_eeprom_t *eeprom;
    uint8_t *eeprom_own, *nv;
    avr_uart_t *uart;
    char name[13];
    bool on, traced, telling, lamp, shown_lamp, settling;
    uint64_t start_us; /* of the monotonic clock, at cycle 0 */
    uint64_t changed_cycle;
    uint16_t outputs, shown_outputs, inputs;
    bool stop_closed;
    uint32_t supply_mv, pressure_mv;
    uint8_t port_b, port_d;
    bool nv_busy;
    uint16_t nv_at;
    avr_io_write_t write_eecr;
    void *write_eecr_param;
    uint16_t hung_at, hung_word;
    uint16_t pointer, deepest; /* the stack's; `deepest` while it is traced, in bytes */
    uint8_t still;
    bool hung;
    size_t rx_in, rx_out, tx_count;
    bool rx_running;
    uint8_t rx[MCU_QUEUE], tx[4096];
};

struct harness {
    struct line line;
    struct bench bench;
    int count;
    struct mcu mcus[BOARDS];
};

enum mcu_reset { MCU_POWER = 1, MCU_PIN_RESET = 2 }; /* as MCUSR has them */

void mcu_open(struct mcu *m, const struct options *o, int which);
void mcu_close(struct mcu *m);
void mcu_reset(struct mcu *m, enum mcu_reset cause);
void mcu_cut(struct mcu *m);
void mcu_run(struct mcu *m, uint64_t until_cycle);
bool mcu_has_room(const struct mcu *m);
void mcu_receive(struct mcu *m, const uint8_t *bytes, size_t n);
void mcu_set(struct mcu *m, int input, int level);
void mcu_levels(struct mcu *m);
/* The loop stops dead where it is; the watchdog's reset mends it. */
void mcu_hang(struct mcu *m);
uint64_t mcu_time_us(const struct mcu *m, uint64_t cycle);

/* board.c */
void harness_pins(struct mcu *m);
void harness_trace(struct mcu *m, const char *what, unsigned value);

#endif
