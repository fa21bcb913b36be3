/* Everything about this board that you may want to change. README.md tells how to wire it. */
#ifndef SX_SETTINGS_H
#define SX_SETTINGS_H

/* What the board is called in your site file: 1 to 12 of A-Z a-z 0-9 _ - */
#define SX_BOARD_ID "board-1"

/* Its address. Matters on a shared line only, where each board has its own, 1 to 255. */
#define SX_ADDRESS 1

/* 1: several boards share one RS-485 line, and this one speaks only when it is asked. */
#define SX_SHARED_LINE 0
#define SX_BAUD 115200

/* Pins of outputs 1 to 8, in order. Leave out those you do not have. */
#define SX_OUTPUT_PINS {4, 5, 6, 7, 8, 9, 10, 11}

/* Pins of inputs 1 to 6, in order; each is pulled up, and a contact closes it to ground. */
#define SX_INPUT_PINS {A0, A1, A2, A3, A4, A5}

/* The hardwired stop input: closed to ground while all is well. */
#define SX_STOP_PIN 2

/* -1 for what you do not have: RS-485 driver enable, alarm light, and the analogue inputs of coil
 * supply (behind 10k over 2k2) and pressure sensor (0.5 to 4.5 V). */
#define SX_DIRECTION_PIN 3
#define SX_LAMP_PIN 13
#define SX_SUPPLY_PIN -1
#define SX_PRESSURE_PIN -1

/* What the analogue inputs can measure, in millivolts. */
#define SX_FULL_SCALE_MV 5000

#endif
