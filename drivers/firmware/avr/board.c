/* The board layer of the ATmega328P: registers, no library but avr-libc's headers. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "../core/sexton.h"
#include "settings.h"

_Static_assert(SX_NV_BYTES <= E2END + 1, "the records do not fit the EEPROM");
_Static_assert(SX_OUTPUTS == 8 && SX_INPUTS == 6, "the pins below are for 8 outputs, 6 inputs");

/* Kept in one piece, so that a tool can give a finished binary another name. */
struct identity {
    char mark[4];
    char name[13];
    uint8_t address, shared;
};

static const volatile struct identity identity PROGMEM = {
    {'S', 'X', 'I', 'D'}, SX_BOARD_ID, SX_ADDRESS, SX_SHARED_LINE};

static struct sx core;
static volatile uint16_t clock_ms; /* low bits; the core knows the rest */
#define RESET_FLAGS GPIOR1

/* The first instructions: outputs driven low before anything else, the watchdog tamed. A bootloader
 * clears MCUSR and hands its value on in r2. */
void sx_first(void) __attribute__((naked, used, section(".init3")));
void sx_first(void) {
    uint8_t handed;
    __asm__ volatile("mov %0, r2" : "=r"(handed));
    PORTD = _BV(SX_STOP_PIN);
    DDRD = 0xF0 | _BV(SX_DIRECTION_PORT);
    PORTB = 0;
    DDRB = 0x0F | _BV(SX_LAMP_PORT);
    PORTC = 0x3F;
    RESET_FLAGS = MCUSR ? MCUSR : handed;
    MCUSR = 0;
    wdt_enable(WDTO_250MS);
}

/* --- what the core asks for --- */

const char *sx_board_name(void *board) {
    (void)board;
    return (const char *)identity.name;
}

void sx_board_outputs(void *board, uint16_t on) {
    (void)board;
    uint8_t bits = (uint8_t)on;
    PORTD = (uint8_t)((PORTD & 0x0F) | (uint8_t)(bits << 4));
    PORTB = (uint8_t)((PORTB & 0xF0) | (uint8_t)(bits >> 4));
}

void sx_board_lamp(void *board, bool on) {
    (void)board;
    if (on) {
        PORTB |= _BV(SX_LAMP_PORT);
    } else {
        PORTB &= (uint8_t)~_BV(SX_LAMP_PORT);
    }
}

uint8_t sx_board_lock(void *board) {
    (void)board;
    uint8_t was = SREG;
    cli();
    return was;
}

void sx_board_unlock(void *board, uint8_t was) {
    (void)board;
    SREG = was;
}

bool sx_board_nv_ready(void *board) {
    (void)board;
    return !(EECR & _BV(EEPE));
}

uint8_t sx_board_nv_read(void *board, uint16_t at) {
    (void)board;
    EEAR = at;
    EECR |= _BV(EERE);
    return EEDR;
}

/* What is there already is not written: that spares the cell and 3.4 ms. */
void sx_board_nv_write(void *board, uint16_t at, uint8_t byte) {
    if (sx_board_nv_read(board, at) == byte) {
        return;
    }
    EEAR = at;
    EEDR = byte;
    uint8_t was = SREG;
    cli();
    EECR |= _BV(EEMPE);
    EECR |= _BV(EEPE);
    SREG = was;
}

bool sx_board_nv_settle(void *board) { return sx_board_nv_ready(board); }

/* --- interrupts --- */

ISR(USART_RX_vect) { (void)sx_receive(&core, UDR0); }

ISR(USART_UDRE_vect) {
    uint8_t byte;
    if (sx_transmit(&core, &byte)) {
        UCSR0A |= _BV(TXC0);
        UDR0 = byte;
    } else {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

/* The last bit is out: the line belongs to others again. */
ISR(USART_TX_vect) { PORTD &= (uint8_t)~_BV(SX_DIRECTION_PORT); }

ISR(TIMER0_COMPA_vect) { clock_ms++; }

/* Only wakes the loop, which writes the next byte. */
EMPTY_INTERRUPT(WDT_vect)

/* --- the loop --- */

static uint16_t now_ms(void) {
    uint8_t was = SREG;
    cli();
    uint16_t now = clock_ms;
    SREG = was;
    return now;
}

#if SX_ANALOG
/* One conversion at a time, started here and fetched in a later step. Full scale is 5 V; the coil
 * supply comes through 10k over 2k2. */
static void analog(struct sx_pins *pins) {
    if (ADCSRA & _BV(ADSC)) {
        return;
    }
    uint16_t mv = (uint16_t)((uint32_t)ADC * 5000u / 1023u);
    if (ADMUX & 1) {
        pins->pressure_mv = mv;
    } else {
        pins->supply_mv = (uint16_t)((uint32_t)mv * 122u / 22u);
    }
    ADMUX ^= 1;
    ADCSRA |= _BV(ADSC);
}
#endif

static uint8_t cause(void) {
    if (RESET_FLAGS & _BV(WDRF)) {
        return SX_RESET_CAUSE_WATCHDOG;
    }
    if (RESET_FLAGS & _BV(PORF)) {
        return SX_RESET_CAUSE_POWER;
    }
    if (RESET_FLAGS & _BV(BORF)) {
        return SX_RESET_CAUSE_BROWNOUT;
    }
    return RESET_FLAGS & _BV(EXTRF) ? SX_RESET_CAUSE_BUTTON : SX_RESET_CAUSE_UNKNOWN;
}

/* Whatever RAM holds after power-up, differs from part to part and time to time. */
static uint32_t seed(void) {
    uint32_t value = 0x5EED5EEDUL;
    const uint8_t *p = (const uint8_t *)RAMSTART;
    for (uint16_t i = 0; i <= RAMEND - RAMSTART; i++) {
        value = value * 33u + p[i];
    }
    return value;
}

static void start(void) {
    UBRR0 = (uint16_t)((F_CPU / 4 / SX_BAUD - 1) / 2);
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0) | _BV(TXCIE0);
    TCCR0A = _BV(WGM01);
    OCR0A = (uint8_t)(F_CPU / 64 / 1000 - 1);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
#if SX_ANALOG
    ADMUX = _BV(REFS0) | 6;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0) | _BV(ADSC);
#endif
    sx_begin(&core, 0, pgm_read_byte(&identity.address), pgm_read_byte(&identity.shared), seed(),
             cause(), 0);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

/* Sleeps until the next interrupt, unless one came since the step began. */
static void idle(uint16_t stepped) {
    cli();
    if (clock_ms == stepped && core.rx_in == core.rx_out) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

int main(void) {
    struct sx_pins pins = {0};
    start();
    for (;;) {
        uint16_t now = now_ms();
        wdt_reset();
#if SX_ANALOG
        analog(&pins);
#endif
        pins.inputs = PINC & 0x3F;
        pins.stop_closed = !(PIND & _BV(SX_STOP_PIN));
        uint32_t wait = sx_step(&core, core.now + (uint16_t)(now - (uint16_t)core.now), &pins);
        if (core.tx_at < core.tx_len && !(UCSR0B & _BV(UDRIE0))) {
            PORTD |= _BV(SX_DIRECTION_PORT);
            UCSR0B |= _BV(UDRIE0);
        }
        if (wait) {
            idle(now);
        }
    }
}
