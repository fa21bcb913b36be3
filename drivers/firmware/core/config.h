/* How much a board can hold. Everything that is sized at compile time is sized here. */
#ifndef SX_CONFIG_H
#define SX_CONFIG_H

#include <stdint.h>

#if defined(__AVR__) && !defined(SX_SMALL)
#define SX_SMALL
#endif

#ifdef SX_SMALL /* 2 KB of RAM, 1 KB of non-volatile memory */
#define SX_PROPS 2
#define SX_OUTPUTS 8
#define SX_INPUTS 6
#define SX_SEQUENCES 4
#define SX_STEPS 160 /* all sequences together */
#define SX_FRAME 96  /* longest frame taken, from ~ to line feed */
#define SX_TX_FRAME 114 /* the hello with a long name */
#define SX_RX_RING 32 /* a power of two */
#define SX_ANSWERS 4
#define SX_EVENTS 4
#define SX_TRAVELS 3 /* kept with each cycle */
#define SX_BITS(n) : n /* where a number needs no whole byte */
#define SX_FIT(n, value) ((value) & ((1u << (n)) - 1u))
#else
#define SX_PROPS 4
#define SX_OUTPUTS 16
#define SX_INPUTS 16
#define SX_SEQUENCES 16
#define SX_STEPS 640
#define SX_FRAME 200
#define SX_TX_FRAME 200
#define SX_RX_RING 128
#define SX_ANSWERS 8
#define SX_EVENTS 32
#define SX_TRAVELS 8
#define SX_BITS(n)
#define SX_FIT(n, value) (value)
#endif

#define SX_RECORDS 16      /* cycle records held for each prop */
#define SX_STROKE_SLOTS 5  /* ring of stroke totals */
#define SX_BOOT_SLOTS 8    /* ring of boot counters */
#define SX_REMEMBERED 8    /* guarded requests whose answers are remembered */
#define SX_FIRMWARE "0.1.0"

#ifndef SX_LOW_SUPPLY_MV
#define SX_LOW_SUPPLY_MV 10500u /* a 12 V coil supply that sags */
#endif
#define SX_LOW_SUPPLY_HYSTERESIS_MV 300u

/* Large tables live in flash on a Harvard machine and are read through these. */
#ifdef __AVR__
#define SX_TICKING /* steps every ms anyway: when the next is due needs no account */
#define SX_BOARD(s) ((void)(s), (void *)0) /* the only one */
#define SX_APART __attribute__((noinline)) /* smaller so */
#include <avr/pgmspace.h>
#if defined(__AVR_ATmega328P__) && !defined(ARDUINO) /* one board, flags where bits are cheap */
#include <avr/io.h>
#define SX_FLAGS(s) (*((void)(s), &GPIOR0))
#endif
#define SX_FLASH PROGMEM
#define SX_FLASH_BYTE(p) pgm_read_byte(p)
typedef __uint24 sx_ms24; /* up to 4.6 hours */
typedef uint16_t sx_mark; /* a time that is looked at every ms until a minute later */
#else
#define SX_APART
#define SX_FLASH
#define SX_FLASH_BYTE(p) (*(p))
typedef unsigned int sx_ms24;
typedef uint32_t sx_mark; /* where a step may come minutes late */
#endif
typedef sx_ms24 sx_number; /* of a cycle, up to 16 million */
#ifndef SX_BOARD
#define SX_BOARD(s) ((s)->board)
#define SX_BOARD_KEPT
#endif
#ifndef SX_FLAGS
#define SX_FLAGS(s) ((s)->flags)
#define SX_FLAGS_KEPT
#endif
#define SX_MS24_MAX 0xFFFFFFUL

#if SX_OUTPUTS > 8 || SX_INPUTS > 8
typedef uint16_t sx_set; /* of outputs or inputs, a bit each */
#else
typedef uint8_t sx_set;
#endif

#if SX_STEPS > 255
typedef uint16_t sx_count; /* of steps */
#else
typedef uint8_t sx_count;
#endif

#endif
