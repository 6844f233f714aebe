/* Frames of the sensor protocol: reference encoder and receiver in C99.
 *
 * No heap, no floating point, no assumption about byte order, alignment or the width of int beyond 16 bits.
 * protocol.md beside this file says what the fields mean.
 *
 * SPDX-License-Identifier: Apache-2.0
 */
#ifndef FRAME_H
#define FRAME_H

#include <stddef.h>
#include <stdint.h>

/* Longest kind + body + checksum. A sensor that only ever sends short frames may lower it before including
 * this header; the receiver then drops what is longer. */
#ifndef FRAME_MAX_PAYLOAD
#define FRAME_MAX_PAYLOAD 1024u
#endif

/* Bytes that the longest frame takes on the wire: stuffing adds one byte in 254 and one, the zero ends it. */
#define FRAME_MAX_WIRE (FRAME_MAX_PAYLOAD + FRAME_MAX_PAYLOAD / 254u + 2u)

enum frame_kind {
    FRAME_DESCRIPTION = 0x01,
    FRAME_SAMPLES = 0x02,
    FRAME_STATUS = 0x03,
    FRAME_COMMAND = 0x10,
    FRAME_ANSWER = 0x11
};

enum frame_command {
    FRAME_DESCRIBE = 1,
    FRAME_START = 2,
    FRAME_STOP = 3,
    FRAME_ZERO = 4,
    FRAME_IDENTIFY = 5,
    FRAME_ASK_STATUS = 6
};

enum frame_result { FRAME_DONE = 0, FRAME_UNKNOWN = 1, FRAME_BUSY = 2, FRAME_FAILED = 3 };

#define FRAME_FLAG_LIMIT 0x01u   /* a value of this frame is at the converter's limit */
#define FRAME_FLAG_OVERRUN 0x02u /* samples were thrown away just before this frame */

#define FRAME_NO_BATTERY 0xFFFFu
#define FRAME_NO_TEMPERATURE 0x7FFF

struct frame_status {
    uint32_t device_us;
    uint32_t n_sent;
    uint32_t n_overruns;
    uint32_t saturated;  /* bit i: channel i was at its limit since the last status */
    uint16_t battery_mv; /* FRAME_NO_BATTERY: not measured */
    int16_t centi_c;     /* hundredths of a degree Celsius; FRAME_NO_TEMPERATURE: not measured */
    uint8_t bits;        /* bit 0: streaming, bit 1: charging */
};

/* Each function writes one frame with its closing zero and returns its length, or 0 if it does not fit `room`
 * or an argument is not allowed. `out` may be the transmit buffer itself. */

/* `values` holds n samples of k channels, sample after sample; `width` is 2, 3 or 4 bytes a number. Numbers
 * that do not fit the width are refused (returns 0), never wrapped. */
size_t frame_samples(uint8_t *out, size_t room, uint32_t index, uint32_t device_us, const int32_t *values,
                     uint8_t n, uint8_t k, uint8_t width, uint8_t flags);

/* Part `part` of `parts` of the device file's text. */
size_t frame_description(uint8_t *out, size_t room, uint8_t revision, uint8_t part, uint8_t parts,
                         const char *text, size_t length);

size_t frame_status(uint8_t *out, size_t room, const struct frame_status *status);

size_t frame_command(uint8_t *out, size_t room, uint8_t code, uint8_t token);

size_t frame_answer(uint8_t *out, size_t room, uint8_t code, uint8_t token, uint8_t result,
                    uint32_t device_us);

/* CRC-32 with the reflected polynomial 0xEDB88320, as in Ethernet frames and zip files. */
uint32_t frame_crc32(const uint8_t *data, size_t length);

/* Receiver: give it one byte after another. Start it with `= {0}`. */
struct frame_receiver {
    size_t length;      /* payload bytes so far */
    uint8_t code;       /* code byte of the present block */
    uint8_t left;       /* data bytes still to come in the present block */
    uint8_t started;    /* a code byte was seen since the last zero */
    uint8_t broken;     /* the piece is too long */
    uint8_t joined;     /* the first zero was seen */
    uint32_t n_good;
    uint32_t n_bad;
    uint8_t payload[FRAME_MAX_PAYLOAD];
};

/* Returns the length of kind + body when this byte closed a sound frame (they stand in `payload`), else 0. */
size_t frame_receive(struct frame_receiver *receiver, uint8_t byte);

/* Little-endian numbers out of a payload. */
uint32_t frame_u32(const uint8_t *at);
int32_t frame_number(const uint8_t *at, uint8_t width);

#endif
