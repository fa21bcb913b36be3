/* Pins of the ATmega328P build and what a board is called. Pins are fixed by port, so that a stop
 * is two writes; README.md has the table. */
#ifndef SX_AVR_SETTINGS_H
#define SX_AVR_SETTINGS_H

#ifndef SX_BOARD_ID
#define SX_BOARD_ID "board-1" /* 1 to 12 of A-Z a-z 0-9 _ - */
#endif
#ifndef SX_ADDRESS
#define SX_ADDRESS 1 /* 1 to 255, its own on a shared line */
#endif
#ifndef SX_SHARED_LINE
#define SX_SHARED_LINE 0 /* 1 on a shared RS-485 line */
#endif
#ifndef SX_BAUD
#define SX_BAUD 115200UL
#endif
#ifndef SX_ANALOG
#define SX_ANALOG 0 /* 1: coil supply on ADC6 behind 10k:2k2, pressure sensor on ADC7 */
#endif

/* Outputs 1 to 4 are PD4 to PD7, outputs 5 to 8 are PB0 to PB3. */
#define SX_STOP_PIN PIND2      /* stop input: closed to ground */
#define SX_DIRECTION_PORT PD3  /* RS-485 driver enable */
#define SX_LAMP_PORT PB5       /* alarm light; blinks while a bootloader runs */
/* Inputs 1 to 6 are PC0 to PC5. */

#endif
