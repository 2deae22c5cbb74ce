/* A packet's bytes, for pw_send.c alone: header, COBS, check sum, and pixels of any number of bits. */
#ifndef PW_PACKET_H
#define PW_PACKET_H

#include "pw_send.h"

#include "pw_crc.h"

enum {
    HEADER_BYTES = 14,
    CRC_BYTES = 4,
    BLOCK_BYTES = 254 /* of a COBS block without its code */
};

/* Called from many places, and not where the time goes: a compiler would write it out at each. */
#if defined(__GNUC__)
#define WRITTEN_ONCE __attribute__((noinline))
#else
#define WRITTEN_ONCE
#endif

/* A packet being encoded. COBS: a block is its code (1 + number of bytes) and up to 254 bytes that
 * are not zero; between two blocks, but for those of 254, stood a zero. So a zero is the place of the
 * next block's code, and what was written moves only where a block fills up. */
typedef struct {
    uint8_t *out;  /* where the next byte goes */
    uint8_t *code; /* where the code of the block being filled goes */
    uint32_t crc;
} encoder;

/* Puts the lowest bytes of a value, lowest first, without the CRC. */
static void stuff_le(encoder *e, uint32_t value, unsigned n_bytes)
{
    uint8_t *out = e->out, *code = e->code;
    for (; n_bytes > 0u; n_bytes--) {
        if (out - code > BLOCK_BYTES) {
            *code = BLOCK_BYTES + 1u; /* full, no zero follows */
            code = out++;
        }
        *out = (uint8_t)(value & 255u);
        if (*out == 0u) {
            *code = (uint8_t)(out - code);
            code = out;
        }
        out++;
        value >>= 8;
    }
    e->out = out;
    e->code = code;
}

static WRITTEN_ONCE void put_le(encoder *e, uint32_t value, unsigned n_bytes)
{
    uint32_t crc = e->crc, rest = value;
    for (unsigned i = n_bytes; i > 0u; i--) {
        CRC_MIX(crc, rest & 255u);
        CRC_STEP(crc, rest);
        rest >>= 8;
    }
    e->crc = crc;
    stuff_le(e, value, n_bytes);
}

static void put_byte(encoder *e, uint8_t byte)
{
    put_le(e, byte, 1);
}

static void put_le64(encoder *e, uint64_t value)
{
    put_le(e, (uint32_t)(value & 0xFFFFFFFFu), 4);
    put_le(e, (uint32_t)(value >> 32), 4);
}

static WRITTEN_ONCE void begin(encoder *e, uint8_t *packet, uint8_t kind, uint32_t sequence, uint64_t time_us)
{
    e->code = packet;
    e->out = packet + 1;
    CRC_START(e->crc);
    put_le(e, PW_VERSION | (uint32_t)kind << 8, 2);
    put_le(e, sequence, 4);
    put_le64(e, time_us);
}

/* Closes the packet; returns where the next one may begin. */
static WRITTEN_ONCE uint8_t *end(encoder *e)
{
    stuff_le(e, CRC_VALUE(e->crc), CRC_BYTES);
    *e->code = (uint8_t)(e->out - e->code);
    *e->out++ = 0;
    return e->out;
}

/* Four bytes of any memory at once; a compiler that cannot be told so looks at each byte. */
#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) four_bytes;
#define HAS_ZERO(w) ((((w) - 0x01010101u) & ~(w) & 0x80808080u) != 0u)
#endif

/* The zeros from at to end become places of codes; returns the place of the last code. */
static WRITTEN_ONCE uint8_t *mark_zeros(uint8_t *code, uint8_t *at, const uint8_t *end)
{
#define MARK(i)                                   \
    if (at[i] == 0u) {                            \
        *code = (uint8_t)(at + (i) - code);       \
        code = at + (i);                          \
    }
#if defined(__GNUC__)
    for (; at != end && ((uintptr_t)at & 3u) != 0u; at++) {
        MARK(0)
    }
    for (; end - at >= 8; at += 8) {
        const four_bytes *w = (const four_bytes *)(const void *)at;
        if (HAS_ZERO(w[0]) || HAS_ZERO(w[1])) {
            MARK(0) MARK(1) MARK(2) MARK(3) MARK(4) MARK(5) MARK(6) MARK(7)
        }
    }
#endif
    for (; at != end; at++) {
        MARK(0)
    }
    return code;
}

/* Makes blocks of bytes that were put behind the block as they are, the last few of them perhaps too
 * many for it. A pass of its own: the smallest cores have too few registers for all at once. */
static void close_blocks(encoder *e, uint8_t *from)
{
    uint8_t *full = e->code + BLOCK_BYTES + 1, *code = e->code;
    if (e->out <= full) {
        e->code = mark_zeros(code, from, e->out);
        return;
    }
    code = mark_zeros(code, from, full);
    if (code == e->code) { /* full, no zero follows: the rest makes room for the next code */
        for (uint8_t *at = e->out; at > full; at--) {
            at[0] = at[-1];
        }
        e->out++;
        *code = BLOCK_BYTES + 1u;
        code = full++;
    }
    e->code = mark_zeros(code, full, e->out);
}

/* Packs pixels in groups that are whole bytes, up to stop. Of each group all counts are read before a
 * byte is written, since both may lie in the same memory. */
#define PACKED(name, n_group, n_bytes, TAKE, GIVE)                                          \
    static WRITTEN_ONCE void name(encoder *e, const uint16_t *counts, const uint16_t *stop) \
    {                                                                                       \
        uint8_t *out = e->out;                                                              \
        uint32_t crc = e->crc;                                                              \
        do {                                                                                \
            TAKE                                                                            \
            counts += (n_group);                                                            \
            GIVE                                                                            \
            out += (n_bytes);                                                               \
        } while (counts != stop);                                                           \
        e->out = out;                                                                       \
        e->crc = crc;                                                                       \
    }
#define PUT(byte, i)                         \
    CRC_STEP(crc, byte);                     \
    out[i] = (uint8_t)((byte) & 255u);

PACKED(pack_8, 4, 4,
       uint32_t v = counts[0] | (uint32_t)counts[1] << 8 | (uint32_t)counts[2] << 16;
       v |= (uint32_t)counts[3] << 24;,
       CRC_MIX(crc, v); PUT(v, 0) v >>= 8; PUT(v, 1) v >>= 8; PUT(v, 2) v >>= 8; PUT(v, 3))
PACKED(pack_10, 4, 5,
       uint32_t v = counts[0] | (uint32_t)counts[1] << 10 | (uint32_t)counts[2] << 20;
       uint32_t w = counts[3]; v |= w << 30; w >>= 2;,
       CRC_MIX(crc, v); PUT(v, 0) v >>= 8; PUT(v, 1) v >>= 8; PUT(v, 2) v >>= 8; PUT(v, 3)
       CRC_MIX(crc, w); PUT(w, 4))
PACKED(pack_12, 2, 3,
       uint32_t v = counts[0] | (uint32_t)counts[1] << 12;,
       CRC_MIX(crc, v); PUT(v, 0) v >>= 8; PUT(v, 1) v >>= 8; PUT(v, 2))
PACKED(pack_14, 4, 7,
       uint32_t v = counts[0] | (uint32_t)counts[1] << 14 | (uint32_t)counts[2] << 28;
       uint32_t w = (uint32_t)counts[2] >> 4 | (uint32_t)counts[3] << 10;,
       CRC_MIX(crc, v); PUT(v, 0) v >>= 8; PUT(v, 1) v >>= 8; PUT(v, 2) v >>= 8; PUT(v, 3)
       CRC_MIX(crc, w); PUT(w, 4) w >>= 8; PUT(w, 5) w >>= 8; PUT(w, 6))
PACKED(pack_16, 1, 2,
       uint32_t v = counts[0];,
       CRC_MIX(crc, v); PUT(v, 0) v >>= 8; PUT(v, 1))

/* Packs any number of pixels of any bits, a bit stream that is filled up with zeros. */
static WRITTEN_ONCE void pack_slowly(encoder *e, const uint16_t *counts, uint32_t n_pixels, unsigned bits)
{
    uint32_t stream = 0; /* bits that were not put yet, lowest first */
    unsigned n_stream = 0;
    for (; n_pixels > 0u; n_pixels--) {
        unsigned n_bytes;
        stream |= (uint32_t)*counts++ << n_stream;
        n_stream += bits;
        n_bytes = n_stream >> 3;
        put_le(e, stream, n_bytes);
        stream >>= 8u * n_bytes;
        n_stream &= 7u;
    }
    if (n_stream > 0u) {
        put_byte(e, (uint8_t)(stream & 255u));
    }
}

static void put_counts(encoder *e, const uint16_t *counts, uint32_t n_pixels, unsigned bits)
{
    const int in_groups = bits >= 8u && bits % 2u == 0u; /* other depths are rare, and go pixel by pixel */
    const uint32_t n_group = bits == 16u ? 1u : bits == 12u ? 2u : 4u;
    void (*const pack)(encoder *, const uint16_t *, const uint16_t *) =
        bits == 8u    ? pack_8
        : bits == 10u ? pack_10
        : bits == 12u ? pack_12
        : bits == 14u ? pack_14
                      : pack_16;
    while (in_groups && n_pixels >= n_group) {
        uint32_t room = BLOCK_BYTES + 1u - (uint32_t)(e->out - e->code); /* bytes */
        /* Groups that fit the block, and one more; by 3, 5 and 7 exactly, for what fits a byte. */
        uint32_t n_groups = 1u + (bits == 12u   ? room * 171u >> 9
                                  : bits == 10u ? room * 205u >> 10
                                  : bits == 14u ? room * 293u >> 11
                                                : room >> (bits == 8u ? 2 : 1));
        uint32_t n_whole = n_pixels & ~(n_group - 1u);
        uint32_t n = n_groups * n_group < n_whole ? n_groups * n_group : n_whole;
        uint8_t *from = e->out;
        pack(e, counts, counts + n);
        close_blocks(e, from);
        counts += n;
        n_pixels -= n;
    }
    pack_slowly(e, counts, n_pixels, bits);
}

#endif
