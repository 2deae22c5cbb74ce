/* See pw_send.h and capture/PROTOCOL.md. */
#include "pw_send.h"

#include <string.h>

enum {
    KIND_DESCRIPTION = 1,
    KIND_EXPOSURE = 2,
    KIND_STATUS = 3,
    KIND_ACKNOWLEDGE = 4,
    KIND_COMMAND = 16
};

/* CRC-32/ISO-HDLC four bits at a time: 64 bytes of flash instead of 1024. */
static const uint32_t crc_nibble[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u,
    0x4DB26158u, 0x5005713Cu, 0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu,
    0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

static uint32_t crc_step(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = (crc >> 4) ^ crc_nibble[crc & 15u];
    return (crc >> 4) ^ crc_nibble[crc & 15u];
}

void pw_port_init(pw_port *port, pw_put put, void *context)
{
    memset(port, 0, sizeof *port);
    port->put = put;
    port->context = context;
}

/* COBS: a block is its code (1 + number of bytes) and up to 254 bytes that are not zero. */
static void close_block(pw_port *port)
{
    port->block[0] = (uint8_t)(port->n_block + 1u);
    port->put(port->context, port->block, (size_t)port->n_block + 1u);
    port->n_block = 0;
}

static void stuff(pw_port *port, uint8_t byte)
{
    if (port->n_block == 254u) {
        close_block(port); /* code 255: full, no zero follows */
    }
    if (byte == 0u) {
        close_block(port);
    } else {
        port->n_block++;
        port->block[port->n_block] = byte;
    }
}

static void put_byte(pw_port *port, uint8_t byte)
{
    port->crc = crc_step(port->crc, byte);
    stuff(port, byte);
}

static void put_le(pw_port *port, uint64_t value, unsigned n_bytes)
{
    for (; n_bytes > 0u; n_bytes--) {
        put_byte(port, (uint8_t)(value & 255u));
        value >>= 8;
    }
}

static void begin(pw_port *port, uint8_t kind, uint32_t sequence, uint64_t time_us)
{
    port->crc = 0xFFFFFFFFu;
    port->n_block = 0;
    put_byte(port, PW_VERSION);
    put_byte(port, kind);
    put_le(port, sequence, 4);
    put_le(port, time_us, 8);
}

static void end(pw_port *port)
{
    static const uint8_t zero = 0;
    uint32_t crc = port->crc ^ 0xFFFFFFFFu;
    put_le(port, crc, 4);
    close_block(port);
    port->put(port->context, &zero, 1);
}

static void put_text(pw_port *port, const char *text)
{
    size_t n_bytes = strlen(text);
    if (n_bytes > 63u) {
        n_bytes = 63u;
    }
    put_byte(port, (uint8_t)n_bytes);
    for (size_t i = 0; i < n_bytes; i++) {
        put_byte(port, (uint8_t)text[i]);
    }
}

void pw_send_description(pw_port *port, uint64_t time_us, const pw_description *d)
{
    begin(port, KIND_DESCRIPTION, 0, time_us);
    put_le(port, d->n_rows, 2);
    put_le(port, d->n_cols, 2);
    put_le(port, d->first_row, 2);
    put_le(port, d->bit_depth, 1);
    put_le(port, d->black_level_counts, 2);
    put_le(port, d->conversion_gain_udn_per_e, 4);
    put_le(port, d->read_noise_me, 4);
    put_le(port, d->dark_signal_me_per_s, 8);
    put_le(port, d->full_well_e, 4);
    put_le(port, d->exposure_ns, 4);
    put_le(port, d->frame_rate_mhz, 4);
    put_le(port, d->led_current_ua, 4);
    put_le(port, d->led_wavelength_pm, 4);
    put_le(port, d->baseline_um, 4);
    put_text(port, d->sensor);
    put_text(port, d->unit);
    put_text(port, d->firmware);
    end(port);
}

void pw_send_exposure(pw_port *port, int lit, uint32_t sequence, uint64_t time_us,
                      const uint16_t *counts, uint16_t first_row, uint16_t n_rows,
                      uint16_t n_cols, uint8_t bits)
{
    uint32_t n_pixels = (uint32_t)n_rows * n_cols;
    uint32_t stream = 0; /* bits not yet sent, lowest first; never more than 23 */
    unsigned n_stream = 0;
    begin(port, KIND_EXPOSURE, sequence, time_us);
    put_byte(port, lit ? 1u : 0u);
    put_byte(port, bits);
    put_le(port, first_row, 2);
    put_le(port, n_rows, 2);
    put_le(port, n_cols, 2);
    for (uint32_t i = 0; i < n_pixels; i++) {
        stream |= (uint32_t)counts[i] << n_stream;
        n_stream += bits;
        while (n_stream >= 8u) {
            put_byte(port, (uint8_t)(stream & 255u));
            stream >>= 8;
            n_stream -= 8u;
        }
    }
    if (n_stream > 0u) {
        put_byte(port, (uint8_t)(stream & 255u));
    }
    end(port);
}

void pw_send_status(pw_port *port, uint64_t time_us, int16_t temperature_centi_c,
                    uint16_t supply_mv, uint32_t overruns)
{
    begin(port, KIND_STATUS, 0, time_us);
    put_le(port, (uint16_t)temperature_centi_c, 2);
    put_le(port, supply_mv, 2);
    put_le(port, overruns, 4);
    end(port);
}

void pw_send_acknowledge(pw_port *port, uint64_t time_us, const pw_command *command,
                         uint8_t result, uint32_t value)
{
    begin(port, KIND_ACKNOWLEDGE, command->sequence, time_us);
    put_byte(port, command->command);
    put_byte(port, result);
    put_le(port, value, 4);
    end(port);
}

void pw_send_clock(pw_port *port, uint64_t received_us, uint64_t now_us,
                   const pw_command *command)
{
    pw_send_acknowledge(port, received_us, command, 0, (uint32_t)(now_us - received_us));
}

static uint32_t get_le32(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 |
           (uint32_t)bytes[3] << 24;
}

/* Undoes COBS into out; returns the number of bytes, 0 if it is no COBS or too long. */
static size_t unstuff(const uint8_t *in, size_t n_in, uint8_t *out, size_t n_out)
{
    size_t from = 0, to = 0;
    while (from < n_in) {
        size_t code = in[from++];
        if (code == 0u || from + code - 1u > n_in || to + code - 1u > n_out) {
            return 0;
        }
        memcpy(out + to, in + from, code - 1u);
        from += code - 1u;
        to += code - 1u;
        if (code < 255u && from < n_in) {
            if (to == n_out) {
                return 0;
            }
            out[to++] = 0;
        }
    }
    return to;
}

int pw_receive(pw_port *port, uint8_t byte, pw_command *command)
{
    uint8_t raw[PW_COMMAND_BYTES];
    uint32_t crc = 0xFFFFFFFFu;
    size_t n_received = port->n_received;
    if (byte != 0u) {
        if (n_received < sizeof port->received) {
            port->received[n_received] = byte;
        }
        if (n_received <= sizeof port->received) {
            port->n_received++;
        }
        return 0;
    }
    port->n_received = 0;
    if (n_received > sizeof port->received ||
        unstuff(port->received, n_received, raw, sizeof raw) != sizeof raw) {
        return 0;
    }
    for (size_t i = 0; i < sizeof raw - 4u; i++) {
        crc = crc_step(crc, raw[i]);
    }
    if ((crc ^ 0xFFFFFFFFu) != get_le32(raw + sizeof raw - 4u) || raw[0] != PW_VERSION ||
        raw[1] != KIND_COMMAND) {
        return 0;
    }
    command->sequence = get_le32(raw + 2);
    command->command = raw[14];
    command->value = get_le32(raw + 15);
    return 1;
}
