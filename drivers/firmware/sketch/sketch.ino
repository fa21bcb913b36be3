/* A Sexton controller on any board with setup(), loop(), digitalWrite() and Serial. What it does is
 * in src/core; what you may want to change is in settings.h. */
#include <Arduino.h>

#if defined(__AVR__)
#include <avr/eeprom.h>
#include <avr/wdt.h>
#else
#include <EEPROM.h>
#endif

extern "C" {
#include "src/core/sexton.h"
}
#include "settings.h"

static const uint8_t outputPins[] = SX_OUTPUT_PINS;
static const uint8_t inputPins[] = SX_INPUT_PINS;
/* The name, marked so that a tool finds it in a finished binary. */
static const char identity[20] SX_FLASH = "SXID" SX_BOARD_ID;
static const uint8_t outputCount = sizeof outputPins;
static const uint8_t inputCount = sizeof inputPins;

static_assert(sizeof outputPins <= SX_OUTPUTS, "more outputs than this board can hold");
static_assert(sizeof inputPins <= SX_INPUTS, "more inputs than this board can hold");

static struct sx core;
static struct sx_pins pins;
static uint16_t switchedOn;

/* --- what the core asks for --- */

extern "C" const char *sx_board_name(void *) { return identity + 4; }

extern "C" void sx_board_outputs(void *, uint16_t on) {
  uint16_t changed = on ^ switchedOn;
  switchedOn = on;
  for (uint8_t i = 0; i < outputCount; i++) {
    if (changed >> i & 1) {
      digitalWrite(outputPins[i], on >> i & 1 ? HIGH : LOW);
    }
  }
}

extern "C" void sx_board_lamp(void *, bool on) {
  if (SX_LAMP_PIN >= 0) {
    digitalWrite(SX_LAMP_PIN, on ? HIGH : LOW);
  }
}

/* Bytes are taken from Serial in loop(), so nothing comes in between. */
extern "C" uint8_t sx_board_lock(void *) { return 0; }
extern "C" void sx_board_unlock(void *, uint8_t) {}

#if defined(__AVR__)
extern "C" bool sx_board_nv_ready(void *) { return eeprom_is_ready(); }
extern "C" uint8_t sx_board_nv_read(void *, uint16_t at) {
  return eeprom_read_byte((const uint8_t *)at);
}
extern "C" void sx_board_nv_write(void *, uint16_t at, uint8_t byte) {
  eeprom_update_byte((uint8_t *)at, byte);
}
extern "C" bool sx_board_nv_settle(void *) { return eeprom_is_ready(); }
static void memoryBegin() {}
#else
/* Parts without EEPROM keep it in flash, a sector at a time: what was written is committed once per
 * item. That takes some milliseconds, and wears the sector: see README.md. */
extern "C" bool sx_board_nv_ready(void *) { return true; }
extern "C" uint8_t sx_board_nv_read(void *, uint16_t at) { return EEPROM.read(at); }
extern "C" void sx_board_nv_write(void *, uint16_t at, uint8_t byte) { EEPROM.write(at, byte); }
extern "C" bool sx_board_nv_settle(void *) {
  EEPROM.commit();
  return true;
}
static void memoryBegin() { EEPROM.begin(SX_NV_BYTES); }
#endif

/* --- the board --- */

static uint16_t millivolts(int pin) {
  return (uint16_t)((uint32_t)analogRead(pin) * SX_FULL_SCALE_MV / 1023);
}

static void readPins() {
  pins.inputs = 0xFFFF;
  for (uint8_t i = 0; i < inputCount; i++) {
    if (digitalRead(inputPins[i]) == LOW) {
      pins.inputs &= ~(1u << i);
    }
  }
  pins.stop_closed = digitalRead(SX_STOP_PIN) == LOW;
  if (SX_SUPPLY_PIN >= 0) {
    pins.supply_mv = (uint16_t)((uint32_t)millivolts(SX_SUPPLY_PIN) * 122 / 22);
  }
  if (SX_PRESSURE_PIN >= 0) {
    pins.pressure_mv = millivolts(SX_PRESSURE_PIN);
  }
}

static void send() {
  bool sent = false;
  uint8_t byte;
  while (Serial.availableForWrite() > 0 && sx_transmit(&core, &byte)) {
    if (SX_DIRECTION_PIN >= 0 && !sent) {
      digitalWrite(SX_DIRECTION_PIN, HIGH);
    }
    Serial.write(byte);
    sent = true;
  }
  if (SX_SHARED_LINE && SX_DIRECTION_PIN >= 0 && sent && core.tx_at >= core.tx_len) {
    Serial.flush(); /* nothing can come in while this board speaks */
    digitalWrite(SX_DIRECTION_PIN, LOW);
  }
}

static uint8_t resetCause() {
#if defined(__AVR__)
  uint8_t flags = MCUSR;
  MCUSR = 0;
  if (flags & _BV(WDRF)) {
    return SX_RESET_CAUSE_WATCHDOG;
  }
  if (flags & _BV(PORF)) {
    return SX_RESET_CAUSE_POWER;
  }
  if (flags & _BV(BORF)) {
    return SX_RESET_CAUSE_BROWNOUT;
  }
  return flags & _BV(EXTRF) ? SX_RESET_CAUSE_BUTTON : SX_RESET_CAUSE_UNKNOWN;
#else
  return SX_RESET_CAUSE_UNKNOWN;
#endif
}

void setup() {
  for (uint8_t i = 0; i < outputCount; i++) {
    digitalWrite(outputPins[i], LOW);
    pinMode(outputPins[i], OUTPUT);
  }
  for (uint8_t i = 0; i < inputCount; i++) {
    pinMode(inputPins[i], INPUT_PULLUP);
  }
  pinMode(SX_STOP_PIN, INPUT_PULLUP);
  if (SX_LAMP_PIN >= 0) {
    pinMode(SX_LAMP_PIN, OUTPUT);
  }
  if (SX_DIRECTION_PIN >= 0) {
    digitalWrite(SX_DIRECTION_PIN, SX_SHARED_LINE ? LOW : HIGH);
    pinMode(SX_DIRECTION_PIN, OUTPUT);
  }
  Serial.begin(SX_BAUD);
  memoryBegin();
  uint32_t seed = micros();
  for (uint8_t i = 0; i < 32; i++) {
    seed = seed * 33 + (uint32_t)analogRead(A0);
  }
  sx_begin(&core, 0, SX_ADDRESS, SX_SHARED_LINE, seed, resetCause(), millis());
#if defined(__AVR__)
  wdt_enable(WDTO_250MS);
#endif
}

void loop() {
#if defined(__AVR__)
  wdt_reset();
#endif
  while (Serial.available() > 0 && sx_receive(&core, (uint8_t)Serial.peek())) {
    Serial.read();
  }
  readPins();
  sx_step(&core, millis(), &pins);
  send();
}
