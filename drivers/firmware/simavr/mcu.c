/* See mcu.h. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include "mcu.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>
#include <simavr/sim_time.h>

#define EECR 0x3F
#define EEPE 0x02
#define EERE 0x01
#define MCUSR 0x54
#define EEPROM_BYTES 1024
#define EEPROM_WRITE_US 3400 /* as the data sheet says */
#define SETTLE_CYCLES 32     /* two ports are written one after the other */
#define UCSR0B 0xC1
#define RXEN0 0x10
#define UART_DEPTH 2
#define WIRE_CYCLES 1389     /* ten bits at 115200 baud */
#define SPL 0x5D
#define RAM_END 0x8FF

uint64_t mcu_time_us(const struct mcu *m, uint64_t cycle) {
    return m->start_us + cycle / MCU_MHZ;
}

/* --- pins --- */

static avr_cycle_count_t settled(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)avr;
    (void)when;
    struct mcu *m = param;
    m->settling = false;
    if (m->shown_outputs != m->outputs || m->shown_lamp != m->lamp) {
        m->shown_outputs = m->outputs;
        m->shown_lamp = m->lamp;
        harness_pins(m);
    }
    return 0;
}

static void pins_changed(struct mcu *m) {
    uint16_t outputs = (uint16_t)(m->port_d >> 4 | (m->port_b & 0x0F) << 4);
    bool lamp = m->port_b & 0x20;
    if (outputs == m->outputs && lamp == m->lamp) {
        return;
    }
    if (outputs != m->outputs) {
        m->outputs = outputs;
        harness_trace(m, "outputs", outputs);
    }
    m->lamp = lamp;
    m->changed_cycle = m->avr->cycle;
    if (!m->settling) {
        m->settling = true;
        avr_cycle_timer_register(m->avr, SETTLE_CYCLES, settled, m);
    }
}

static void on_port_b(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct mcu *m = param;
    m->port_b = (uint8_t)value;
    pins_changed(m);
}

static void on_port_d(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct mcu *m = param;
    m->port_d = (uint8_t)value;
    pins_changed(m);
}

/* A pin's line forgets nothing at a reset, though the register does: tell it the other level first. */
static void raise_pin(struct mcu *m, char port, int pin, bool level) {
    struct avr_irq_t *irq = avr_io_getirq(m->avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
    avr_raise_irq(irq, !level);
    avr_raise_irq(irq, level);
}

static void drive(struct mcu *m) {
    avr_ioport_external_t c = {.name = 'C', .mask = 0x3F, .value = m->inputs & 0x3F};
    avr_ioport_external_t d = {.name = 'D', .mask = 0x04, .value = m->stop_closed ? 0 : 0x04};
    avr_ioctl(m->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('C'), &c);
    avr_ioctl(m->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &d);
    for (int i = 0; i < MCU_INPUTS; i++) {
        raise_pin(m, 'C', i, m->inputs >> i & 1u);
    }
    raise_pin(m, 'D', 2, !m->stop_closed);
}

void mcu_set(struct mcu *m, int input, int level) {
    if (input == 0) {
        m->stop_closed = level == 1;
    } else {
        uint16_t bit = (uint16_t)(1u << (input - 1));
        m->inputs = (uint16_t)(level ? m->inputs | bit : m->inputs & ~bit);
    }
    harness_trace(m, "input", (unsigned)(input << 4 | level));
    drive(m);
}

void mcu_levels(struct mcu *m) {
    avr_raise_irq(avr_io_getirq(m->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC6),
                  m->supply_mv * 22u / 122u);
    avr_raise_irq(avr_io_getirq(m->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC7), m->pressure_mv);
}

/* --- EEPROM --- */

static avr_cycle_count_t written(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)when;
    struct mcu *m = param;
    m->nv_busy = false;
    avr->data[EECR] &= (uint8_t)~EEPE;
    return 0;
}

/* simavr writes at once; the part holds EEPE, and keeps the address, for 3.4 ms. */
static void on_eecr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param) {
    struct mcu *m = param;
    bool begins = v & EEPE && avr->data[EECR] & 0x04 && !m->nv_busy;
    if (m->nv_busy && v & EERE) {
        (void)fprintf(stderr, "EEPROM read while busy\n");
    }
    if (m->nv_busy) {
        avr->data[EECR] |= EEPE;
        return;
    }
    m->nv_at = (uint16_t)((avr->data[0x41] | avr->data[0x42] << 8) & (EEPROM_BYTES - 1));
    m->write_eecr(avr, addr, v, m->write_eecr_param);
    if (begins) {
        m->nv_busy = true;
        avr->data[EECR] |= EEPE;
        avr_cycle_timer_register_usec(avr, EEPROM_WRITE_US, written, m);
        harness_trace(m, "eeprom", m->nv_at);
    }
}

static void *module(avr_t *avr, const char *kind) {
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, kind) == 0) {
            return io;
        }
    }
    line_fail("simavr has no", kind);
}

/* --- UART: a byte is there when its last bit is, on time with the wire --- */

static avr_cycle_count_t next_byte(avr_t *avr, avr_cycle_count_t when, void *param) {
    struct mcu *m = param;
    if (m->rx_in == m->rx_out) {
        m->rx_running = false;
        return 0;
    }
    uint8_t byte = m->rx[m->rx_out++ % MCU_QUEUE];
    uart_fifo_t *fifo = &m->uart->input;
    unsigned mask = (unsigned)(sizeof fifo->buffer / sizeof fifo->buffer[0]) - 1u;
    if (((unsigned)(fifo->write - fifo->read) & mask) >= UART_DEPTH) {
        (void)fprintf(stderr, "receive overrun %s\n", m->name);
        return when + WIRE_CYCLES;
    }
    /* simavr would wait from read to read, and fall behind the wire. */
    fifo->buffer[fifo->write] = byte;
    fifo->write = (uint16_t)((fifo->write + 1u) & mask);
    if (byte == 0x18) {
        harness_trace(m, "stop-byte", byte);
    } else if (byte == '\n') {
        harness_trace(m, "line-feed", byte);
    }
    if (m->avr->data[UCSR0B] & RXEN0) {
        avr_raise_interrupt(avr, &m->uart->rxc);
    } else {
        fifo->read = fifo->write;
    }
    return when + WIRE_CYCLES;
}

bool mcu_has_room(const struct mcu *m) { return m->rx_in - m->rx_out < MCU_QUEUE / 4; }

void mcu_receive(struct mcu *m, const uint8_t *bytes, size_t n) {
    for (size_t i = 0; m->on && i < n && m->rx_in - m->rx_out < MCU_QUEUE; i++) {
        m->rx[m->rx_in++ % MCU_QUEUE] = bytes[i];
    }
    if (m->on && !m->rx_running && n) {
        m->rx_running = true;
        avr_cycle_timer_register(m->avr, WIRE_CYCLES, next_byte, m);
    }
}

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct mcu *m = param;
    if (m->tx_count < sizeof m->tx) {
        m->tx[m->tx_count++] = (uint8_t)value;
    }
}

/* --- the machine --- */

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long) {
    (void)avr;
    (void)how_long;
}

/* Pins say nothing at a reset, and timers registered with it are gone. */
static void after_reset(struct mcu *m) {
    m->settling = false;
    m->rx_running = false;
    m->rx_in = m->rx_out = 0;
    m->tx_count = 0;
    if (m->nv_busy) { /* a byte that a reset finds half written */
        m->nv[m->nv_at] = 0xFF;
        m->nv_busy = false;
    }
    if (m->hung) {
        m->avr->flash[m->hung_at] = (uint8_t)m->hung_word;
        m->avr->flash[m->hung_at + 1] = (uint8_t)(m->hung_word >> 8);
        m->hung = false;
    }
    avr_extint_set_strict_lvl_trig(m->avr, 0, 0);
    avr_extint_set_strict_lvl_trig(m->avr, 1, 0);
    m->port_b = m->port_d = 0;
    pins_changed(m);
    drive(m);
    mcu_levels(m);
}

void mcu_reset(struct mcu *m, enum mcu_reset cause) {
    uint64_t cycle = m->avr->cycle;
    harness_trace(m, "reset", cause);
    avr_reset(m->avr);
    if (cause == MCU_POWER) { /* RAM holds anything when power comes */
        for (int at = 0x100; at < 0x900; at += 256) {
            if (getentropy(m->avr->data + at, 256) != 0) {
                line_fail("getentropy", m->name);
            }
        }
        cycle = (line_now_us() - m->start_us) * MCU_MHZ;
    }
    m->avr->cycle = cycle;
    m->avr->data[MCUSR] = (uint8_t)cause;
    m->on = true;
    after_reset(m);
}

void mcu_cut(struct mcu *m) {
    avr_reset(m->avr);
    m->on = false;
    m->traced = m->traced && m->on;
    after_reset(m);
    m->shown_outputs = m->outputs = 0;
    m->shown_lamp = m->lamp = false;
}

/* The pointer is written a byte at a time, so only one that stands still for a while counts. */
static void watch_stack(struct mcu *m) {
    uint16_t pointer = (uint16_t)(m->avr->data[SPL] | m->avr->data[SPL + 1] << 8);
    m->still = pointer == m->pointer ? (uint8_t)(m->still + (m->still < 4)) : 0;
    m->pointer = pointer;
    if (m->still == 4 && pointer && RAM_END - pointer > m->deepest) {
        m->deepest = (uint16_t)(RAM_END - pointer);
        harness_trace(m, "stack", m->deepest);
    }
}

/* Runs to this cycle, or a little beyond. A watchdog reset begins the program anew. */
void mcu_run(struct mcu *m, uint64_t until_cycle) {
    while (m->avr->cycle < until_cycle) {
        avr_flashaddr_t before = m->avr->pc;
        int state = avr_run(m->avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            line_fail("the program ended", m->name);
        }
        if (m->avr->pc == 0 && before != 0) {
            harness_trace(m, "watchdog", 0);
            after_reset(m);
        }
        if (m->traced) {
            watch_stack(m);
        }
    }
}

void mcu_hang(struct mcu *m) {
    m->hung_at = (uint16_t)m->avr->pc;
    m->hung_word = (uint16_t)(m->avr->flash[m->hung_at] | m->avr->flash[m->hung_at + 1] << 8);
    m->avr->flash[m->hung_at] = 0xFF; /* rjmp to itself */
    m->avr->flash[m->hung_at + 1] = 0xCF;
    m->hung = true;
    harness_trace(m, "hang", m->hung_at);
}

/* Gives the binary this board's name, in the piece of flash that is marked for it. */
static void give_name(struct mcu *m, uint8_t address, bool shared) {
    uint8_t *flash = m->avr->flash;
    for (uint32_t at = 0; at + 19 < m->avr->flashend; at++) {
        if (memcmp(flash + at, "SXID", 4) == 0) {
            memset(flash + at + 4, 0, 13);
            memcpy(flash + at + 4, m->name, strlen(m->name));
            flash[at + 17] = address;
            flash[at + 18] = shared;
            return;
        }
    }
    line_fail("no name is marked in the firmware for", m->name);
}

/* simavr would speak on standard output, where only `ready` belongs. */
static void log_to_stderr(avr_t *avr, const int level, const char *format, va_list arguments) {
    (void)avr;
    if (level <= LOG_ERROR) {
        (void)vfprintf(stderr, format, arguments);
    }
}

void mcu_open(struct mcu *m, const struct options *o, int which) {
    elf_firmware_t firmware = {0};
    avr_global_logger_set(log_to_stderr);
    if (elf_read_firmware(o->elf, &firmware) != 0) {
        line_fail("cannot be read", o->elf);
    }
    m->avr = avr_make_mcu_by_name("atmega328p");
    if (!m->avr || avr_init(m->avr) != 0) {
        line_fail("simavr does not know", "atmega328p");
    }
    firmware.frequency = MCU_MHZ * 1000000u;
    avr_load_firmware(m->avr, &firmware);
    m->avr->log = LOG_ERROR;
    m->avr->vcc = m->avr->avcc = m->avr->aref = 5000;
    m->avr->sleep = no_sleep;
    strcpy(m->name, o->boards[which].name);
    give_name(m, o->boards[which].address, o->shared);

    m->eeprom = module(m->avr, "eeprom");
    m->eeprom_own = m->eeprom->eeprom;
    m->nv = options_memory(o->boards[which].nv, EEPROM_BYTES);
    m->eeprom->eeprom = m->nv;
    avr_io_addr_t io = AVR_DATA_TO_IO(EECR);
    m->write_eecr = m->avr->io[io].w.c;
    m->write_eecr_param = m->avr->io[io].w.param;
    m->avr->io[io].w.c = on_eecr;
    m->avr->io[io].w.param = m;

    m->uart = module(m->avr, "uart");
    uint32_t flags = 0;
    avr_ioctl(m->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(m->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_byte, m);
    avr_irq_register_notify(
        avr_io_getirq(m->avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_PIN_ALL), on_port_b, m);
    avr_irq_register_notify(
        avr_io_getirq(m->avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_PIN_ALL), on_port_d, m);
    m->inputs = 0xFFFF;
    m->stop_closed = true;
    m->start_us = line_now_us();
    mcu_reset(m, MCU_POWER);
}

void mcu_close(struct mcu *m) {
    m->eeprom->eeprom = m->eeprom_own;
    avr_terminate(m->avr);
}
