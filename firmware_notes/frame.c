/* Frames of the sensor protocol: see frame.h and protocol.md.
 *
 * SPDX-License-Identifier: Apache-2.0
 */
#include "frame.h"

/* ------------------------------------------------------------------------------------------- checksum */

/* Four bits at a time: 64 bytes of table, about a tenth of the time of one bit at a time. */
static const uint32_t NIBBLE[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};

static uint32_t crc_step(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = (crc >> 4) ^ NIBBLE[crc & 15u];
    return (crc >> 4) ^ NIBBLE[crc & 15u];
}

uint32_t frame_crc32(const uint8_t *data, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++)
        crc = crc_step(crc, data[i]);
    return crc ^ 0xFFFFFFFFu;
}

/* -------------------------------------------------------------------------------------------- sending */

/* Stuffs while it writes: `code_at` is where the distance to the next zero will be put. */
struct writer {
    uint8_t *out;
    size_t room;
    size_t length;
    size_t code_at;
    size_t payload;
    uint32_t crc;
    uint8_t code;
    uint8_t failed;
};

static void raw_byte(struct writer *w, uint8_t byte)
{
    if (w->length < w->room)
        w->out[w->length++] = byte;
    else
        w->failed = 1;
}

static void close_block(struct writer *w)
{
    if (!w->failed)
        w->out[w->code_at] = w->code;
    w->code_at = w->length;
    w->code = 1;
    raw_byte(w, 0);
}

static void stuffed_byte(struct writer *w, uint8_t byte)
{
    /* A full block is closed only when another byte follows: that is how the laptop's encoder does it. */
    if (w->code == 0xFFu)
        close_block(w);
    if (byte == 0) {
        close_block(w);
    } else {
        raw_byte(w, byte);
        w->code++;
    }
}

static void put8(struct writer *w, uint8_t byte)
{
    w->crc = crc_step(w->crc, byte);
    w->payload++;
    stuffed_byte(w, byte);
}

static void put_number(struct writer *w, uint32_t number, uint8_t width)
{
    for (uint8_t i = 0; i < width; i++)
        put8(w, (uint8_t)((number >> (8u * i)) & 0xFFu));
}

static void begin(struct writer *w, uint8_t *out, size_t room, uint8_t kind)
{
    w->out = out;
    w->room = room;
    w->length = 0;
    w->code_at = 0;
    w->payload = 0;
    w->crc = 0xFFFFFFFFu;
    w->code = 1;
    w->failed = 0;
    raw_byte(w, 0);
    put8(w, kind);
}

static size_t end(struct writer *w)
{
    uint32_t crc = w->crc ^ 0xFFFFFFFFu;
    put_number(w, crc, 4);
    if (!w->failed)
        w->out[w->code_at] = w->code;
    raw_byte(w, 0);
    return (w->failed || w->payload > FRAME_MAX_PAYLOAD) ? 0 : w->length;
}

static int fits(int32_t value, uint8_t width)
{
    if (width == 4)
        return 1;
    int32_t limit = (int32_t)1 << (8u * width - 1u);
    return value >= -limit && value < limit;
}

size_t frame_samples(uint8_t *out, size_t room, uint32_t index, uint32_t device_us, const int32_t *values,
                     uint8_t n, uint8_t k, uint8_t width, uint8_t flags)
{
    struct writer w;
    if (n == 0 || k == 0 || width < 2 || width > 4)
        return 0;
    begin(&w, out, room, FRAME_SAMPLES);
    put_number(&w, index, 4);
    put_number(&w, device_us, 4);
    put8(&w, width);
    put8(&w, k);
    put8(&w, n);
    put8(&w, flags);
    for (size_t i = 0; i < (size_t)n * k; i++) {
        if (!fits(values[i], width))
            return 0;
        put_number(&w, (uint32_t)values[i], width);
    }
    return end(&w);
}

size_t frame_description(uint8_t *out, size_t room, uint8_t revision, uint8_t part, uint8_t parts,
                         const char *text, size_t length)
{
    struct writer w;
    begin(&w, out, room, FRAME_DESCRIPTION);
    put8(&w, 1); /* version of the protocol */
    put8(&w, revision);
    put8(&w, part);
    put8(&w, parts);
    for (size_t i = 0; i < length; i++)
        put8(&w, (uint8_t)text[i]);
    return end(&w);
}

size_t frame_status(uint8_t *out, size_t room, const struct frame_status *s)
{
    struct writer w;
    begin(&w, out, room, FRAME_STATUS);
    put_number(&w, s->device_us, 4);
    put_number(&w, s->n_sent, 4);
    put_number(&w, s->n_overruns, 4);
    put_number(&w, s->saturated, 4);
    put_number(&w, s->battery_mv, 2);
    put_number(&w, (uint16_t)s->centi_c, 2);
    put8(&w, s->bits);
    return end(&w);
}

size_t frame_command(uint8_t *out, size_t room, uint8_t code, uint8_t token)
{
    struct writer w;
    begin(&w, out, room, FRAME_COMMAND);
    put8(&w, code);
    put8(&w, token);
    return end(&w);
}

size_t frame_answer(uint8_t *out, size_t room, uint8_t code, uint8_t token, uint8_t result,
                    uint32_t device_us)
{
    struct writer w;
    begin(&w, out, room, FRAME_ANSWER);
    put8(&w, code);
    put8(&w, token);
    put8(&w, result);
    put_number(&w, device_us, 4);
    return end(&w);
}

/* ------------------------------------------------------------------------------------------ receiving */

uint32_t frame_u32(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

int32_t frame_number(const uint8_t *at, uint8_t width)
{
    uint32_t number = 0;
    for (uint8_t i = 0; i < width; i++)
        number |= (uint32_t)at[i] << (8u * i);
    uint32_t sign = (uint32_t)1 << (8u * width - 1u);
    if (width < 4)
        number = (number ^ sign) - sign;
    /* Made without converting a number above INT32_MAX, which C99 leaves to the compiler. */
    return (number & 0x80000000u) ? (int32_t)(number & 0x7FFFFFFFu) + INT32_MIN : (int32_t)number;
}

static void store(struct frame_receiver *r, uint8_t byte)
{
    if (r->length < FRAME_MAX_PAYLOAD)
        r->payload[r->length++] = byte;
    else
        r->broken = 1;
}

static void start_piece(struct frame_receiver *r)
{
    r->length = 0;
    r->code = 0xFFu;
    r->left = 0;
    r->started = 0;
    r->broken = 0;
}

/* Judges the piece that a zero has just closed. */
static size_t finish_piece(struct frame_receiver *r)
{
    size_t body = 0;
    if (!r->broken && r->left == 0 && r->length >= 5) {
        size_t n = r->length - 4;
        if (frame_crc32(r->payload, n) == frame_u32(r->payload + n))
            body = n;
    }
    if (body)
        r->n_good++;
    else if (r->joined)
        r->n_bad++;
    return body;
}

size_t frame_receive(struct frame_receiver *r, uint8_t byte)
{
    if (byte == 0) {
        size_t body = r->started ? finish_piece(r) : 0;
        r->joined = 1;
        start_piece(r);
        return body;
    }
    if (r->left == 0) {
        /* A code byte: it stands for the zero after the block before, unless that block was full or is none. */
        if (r->started && r->code != 0xFFu)
            store(r, 0);
        r->started = 1;
        r->code = byte;
        r->left = (uint8_t)(byte - 1u);
    } else {
        store(r, byte);
        r->left--;
    }
    return 0;
}
