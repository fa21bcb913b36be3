/* Bytes to frames and frames to bytes. */
#include "internal.h"

#define BETWEEN 0xFFu

#ifdef __AVR__
SX_APART uint16_t sx_bit(uint8_t n) { return SX_ONE(n); }
#endif

uint16_t sx_crc(uint16_t crc, uint8_t byte) {
    crc = (uint16_t)((uint16_t)(crc >> 8) | (uint16_t)(crc << 8));
    crc = (uint16_t)(crc ^ byte);
    crc = (uint16_t)(crc ^ ((crc & 0xFFu) >> 4));
    crc = (uint16_t)(crc ^ (uint16_t)(crc << 12));
    crc = (uint16_t)(crc ^ (uint16_t)((crc & 0xFFu) << 5));
    return crc;
}

bool sx_receive(struct sx *s, uint8_t byte) {
    if (byte == SX_STOP_BYTE) {
        s->stop_seen = 1;
        sx_board_outputs(SX_BOARD(s), sx_stop_picture(s));
    }
    uint8_t next = (uint8_t)((s->rx_in + 1u) & (SX_RX_RING - 1u));
    if (next == s->rx_out) {
        return false;
    }
    s->rx[s->rx_in] = byte;
    s->rx_in = next;
    return true;
}

uint8_t sx_hex_digit(uint8_t c) {
    if (c >= '0' && c <= '9') {
        return (uint8_t)(c - '0');
    }
    if (c >= 'A' && c <= 'F') {
        return (uint8_t)(c - 'A' + 10);
    }
    return 0xFF;
}

/* Whether the body in s->frame is a frame with a right checksum for this board. It leaves the
 * words after the address there, each ended by a NUL, and the last by two. */
static bool whole(struct sx *s) {
    uint8_t n = s->frame_len;
    if (n && s->frame[n - 1] == '\r') {
        n--;
    }
    if (n < 9 || s->frame[n - 5] != '#' || s->frame[2] != ' ') {
        return false;
    }
    uint16_t crc = 0xFFFF, given = 0;
    for (uint8_t i = 0; i < n - 5; i++) {
        uint8_t c = s->frame[i];
        bool last_space = c == ' ' && (s->frame[i + 1] == ' ' || i + 6 == n);
        if (c < ' ' || c > '}' || c == '#' || last_space) {
            return false;
        }
        crc = sx_crc(crc, c);
    }
    for (uint8_t i = (uint8_t)(n - 4); i < n; i++) {
        uint8_t digit = sx_hex_digit(s->frame[i]);
        if (digit == 0xFF) {
            return false;
        }
        given = (uint16_t)((uint16_t)(given << 4) | digit);
    }
    uint8_t high = sx_hex_digit(s->frame[0]), low = sx_hex_digit(s->frame[1]);
    if (crc != given || high == 0xFF || low == 0xFF) {
        return false;
    }
    uint8_t address = (uint8_t)(high << 4 | low);
    if (address != s->address && (address != 0 || (SX_FLAGS(s) & SX_SHARED))) {
        return false;
    }
    for (uint8_t i = 3; i < n - 5; i++) {
        if (s->frame[i] == ' ') {
            s->frame[i] = 0;
        }
    }
    s->frame[n - 5] = 0;
    s->frame[n - 4] = 0;
    return true;
}

bool sx_take_frame(struct sx *s) {
    while (s->rx_out != s->rx_in) {
        uint8_t byte = s->rx[s->rx_out];
        s->rx_out = (uint8_t)((s->rx_out + 1u) & (SX_RX_RING - 1u));
        if (byte == SX_STOP_BYTE) {
            s->frame_len = BETWEEN;
            sx_stop(s, 0, SX_STOP_SOURCE_BYTE);
        } else if (byte == '~') {
            s->frame_len = 0;
        } else if (s->frame_len == BETWEEN) {
            continue;
        } else if (byte == '\n') {
            bool good = whole(s);
            s->frame_len = BETWEEN;
            if (good) {
                return true;
            }
        } else if (s->frame_len >= SX_FRAME - 2) {
            s->frame_len = BETWEEN;
        } else {
            s->frame[s->frame_len++] = byte;
        }
    }
    return false;
}

bool sx_transmit(struct sx *s, uint8_t *byte) {
    uint8_t at = s->tx_at;
    if (at >= s->tx_len) {
        return false;
    }
    *byte = s->tx[at];
    s->tx_at = (uint8_t)(at + 1u);
    return true;
}

bool sx_tx_free(const struct sx *s) { return s->tx_at >= s->tx_len; }

/* A frame is made behind the back of the transmit interrupt: tx_len moves only at its end. */
void sx_out_char(struct sx *s, uint8_t c) {
    if (s->tx_fill < SX_TX_FRAME) {
        s->tx[s->tx_fill] = c;
    }
    if (s->tx_fill < 0xFF) {
        s->tx_fill++;
    }
}

void sx_out_space(struct sx *s) { sx_out_char(s, ' '); }

void sx_out_begin(struct sx *s) {
    s->tx_len = 0;
    s->tx_at = 0;
    s->tx_fill = 0;
    sx_out_char(s, '~');
    sx_out_hex(s, s->address, 2);
}

void sx_out_hex(struct sx *s, uint32_t value, uint8_t digits) {
    while (digits--) {
        uint8_t digit = (uint8_t)(value >> (4u * digits)) & 15u;
        sx_out_char(s, (uint8_t)(digit < 10 ? '0' + digit : 'A' + digit - 10));
    }
}

static const uint32_t powers[] SX_FLASH = {1000000000UL, 100000000UL, 10000000UL, 1000000UL,
                                           100000UL,     10000UL,     1000UL,     100UL, 10UL};

static uint32_t power(uint8_t i) {
#ifdef __AVR__
    return pgm_read_dword(&powers[i]);
#else
    return powers[i];
#endif
}

/* Subtraction, for a small part divides 32 bits far more slowly. */
void sx_out_dec(struct sx *s, uint32_t value) {
    bool begun = false;
    for (uint8_t i = 0; i < sizeof powers / sizeof powers[0]; i++) {
        uint32_t unit = power(i);
        uint8_t digit = 0;
        while (value >= unit) {
            value -= unit;
            digit++;
        }
        if (digit || begun) {
            sx_out_char(s, (uint8_t)('0' + digit));
            begun = true;
        }
    }
    sx_out_char(s, (uint8_t)('0' + value));
}

void sx_out_end(struct sx *s) {
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 1; i < s->tx_fill && i < SX_TX_FRAME; i++) {
        crc = sx_crc(crc, s->tx[i]);
    }
    sx_out_char(s, '#');
    sx_out_hex(s, crc, 4);
    sx_out_char(s, '\n');
    if (s->tx_fill <= SX_TX_FRAME) { /* none is longer by design; half of one must never go out */
        s->tx_len = s->tx_fill;
    }
}
