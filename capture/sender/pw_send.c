/* See pw_send.h and capture/PROTOCOL.md. */
#include "pw_send.h"

#include "pw_packet.h"

#include <string.h>

enum {
    KIND_DESCRIPTION = 1,
    KIND_EXPOSURE = 2,
    KIND_STATUS = 3,
    KIND_ACKNOWLEDGE = 4,
    KIND_COMMAND = 16,
    TEXT_BYTES = 63
};

void pw_port_init(pw_port *port)
{
    memset(port, 0, sizeof *port);
}

/* Begins a short packet of at most n_body bytes in the port; 0 if there is no room. */
static int begin_short(pw_port *port, encoder *e, uint8_t kind, uint32_t sequence,
                       uint64_t time_us, size_t n_body)
{
    /* COBS adds a byte in 254; by 128 needs no division, and packets this short are bounded alike. */
    size_t n_raw = HEADER_BYTES + n_body + CRC_BYTES;
    if (port->from == port->to) {
        port->from = port->to = 0;
    }
    if (n_raw + n_raw / 128u + 2u > PW_SHORT_BYTES - (size_t)port->to) {
        return 0;
    }
    begin(e, port->shorts + port->to, kind, sequence, time_us);
    return 1;
}

static int end_short(pw_port *port, encoder *e)
{
    port->to = (uint16_t)(end(e) - port->shorts);
    return 1;
}

static size_t text_bytes(const char *text)
{
    size_t n_bytes = strlen(text);
    return n_bytes > TEXT_BYTES ? TEXT_BYTES : n_bytes;
}

static void put_text(encoder *e, const char *text)
{
    size_t n_bytes = text_bytes(text);
    put_byte(e, (uint8_t)n_bytes);
    for (size_t i = 0; i < n_bytes; i++) {
        put_byte(e, (uint8_t)text[i]);
    }
}

int pw_send_description(pw_port *port, uint64_t time_us, const pw_description *d)
{
    encoder e;
    size_t n_texts = 3u + text_bytes(d->sensor) + text_bytes(d->unit) + text_bytes(d->firmware);
    unsigned n_apertures = d->n_apertures < 4u ? d->n_apertures : 4u;
    size_t n_behind = n_apertures ? 1u + 16u * n_apertures : 0u;
    if (!begin_short(port, &e, KIND_DESCRIPTION, 0, time_us, 49u + n_texts + n_behind)) {
        return 0;
    }
    put_le(&e, d->n_rows, 2);
    put_le(&e, d->n_cols, 2);
    put_le(&e, d->first_row, 2);
    put_le(&e, d->bit_depth, 1);
    put_le(&e, d->black_level_counts, 2);
    put_le(&e, d->conversion_gain_udn_per_e, 4);
    put_le(&e, d->read_noise_me, 4);
    put_le64(&e, d->dark_signal_me_per_s);
    put_le(&e, d->full_well_e, 4);
    put_le(&e, d->exposure_ns, 4);
    put_le(&e, d->frame_rate_mhz, 4);
    put_le(&e, d->led_current_ua, 4);
    put_le(&e, d->led_wavelength_pm, 4);
    put_le(&e, d->led_offset_um, 4);
    put_text(&e, d->sensor);
    put_text(&e, d->unit);
    put_text(&e, d->firmware);
    if (n_apertures) {
        put_byte(&e, (uint8_t)n_apertures);
    }
    for (unsigned i = 0; i < n_apertures; i++) {
        const pw_aperture *a = &d->apertures[i];
        put_le(&e, (uint32_t)a->x_um, 4);
        put_le(&e, (uint32_t)a->y_um, 4);
        put_le(&e, a->first_row, 2);
        put_le(&e, a->n_rows, 2);
        put_le(&e, a->first_col, 2);
        put_le(&e, a->n_cols, 2);
    }
    return end_short(port, &e);
}

int pw_send_exposure(pw_port *port, const pw_exposure *exposure, const uint16_t *counts,
                     uint8_t *packet)
{
    encoder e;
    if (port->n_exposure > 0u) {
        return 0;
    }
    begin(&e, packet, KIND_EXPOSURE, exposure->sequence, exposure->time_us);
    put_le(&e, (exposure->lit ? 1u : 0u) | (uint32_t)exposure->bits << 8 |
                   (uint32_t)exposure->first_row << 16, 4);
    put_le(&e, exposure->n_rows | (uint32_t)exposure->n_cols << 16, 4);
    put_counts(&e, counts, (uint32_t)exposure->n_rows * exposure->n_cols, exposure->bits);
    port->exposure = packet;
    port->n_exposure = (size_t)(end(&e) - packet);
    return 1;
}

int pw_exposure_waits(const pw_port *port)
{
    return port->n_exposure > 0u;
}

int pw_send_status(pw_port *port, uint64_t time_us, int16_t temperature_centi_c,
                   uint16_t supply_mv, uint32_t overruns)
{
    encoder e;
    if (!begin_short(port, &e, KIND_STATUS, 0, time_us, 8)) {
        return 0;
    }
    put_le(&e, (uint16_t)temperature_centi_c, 2);
    put_le(&e, supply_mv, 2);
    put_le(&e, overruns, 4);
    return end_short(port, &e);
}

int pw_send_acknowledge(pw_port *port, uint64_t time_us, const pw_command *command,
                        uint8_t result, uint32_t value)
{
    encoder e;
    if (!begin_short(port, &e, KIND_ACKNOWLEDGE, command->sequence, time_us, 6)) {
        return 0;
    }
    put_byte(&e, command->command);
    put_byte(&e, result);
    put_le(&e, value, 4);
    return end_short(port, &e);
}

int pw_send_clock(pw_port *port, uint64_t received_us, uint64_t now_us,
                  const pw_command *command)
{
    return pw_send_acknowledge(port, received_us, command, 0, (uint32_t)(now_us - received_us));
}

/* Short packets go first, since a command's answer is waited for, but never into an exposure, nor
 * before one that was handed out: what is taken next is then still that. */
size_t pw_pending(pw_port *port, const uint8_t **bytes)
{
    if (port->from < port->to && !port->in_exposure) {
        *bytes = port->shorts + port->from;
        return (size_t)port->to - port->from;
    }
    *bytes = port->exposure;
    port->in_exposure = port->n_exposure > 0u;
    return port->n_exposure;
}

void pw_taken(pw_port *port, size_t n_bytes)
{
    if (port->from < port->to && !port->in_exposure) {
        port->from = (uint16_t)(port->from + n_bytes);
        return;
    }
    port->exposure += n_bytes;
    port->n_exposure -= n_bytes;
    port->in_exposure = port->n_exposure > 0u;
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
    uint32_t crc;
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
    CRC_START(crc);
    for (size_t i = 0; i < sizeof raw - 4u; i++) {
        CRC_MIX(crc, raw[i]);
        CRC_STEP(crc, raw[i]);
    }
    if (CRC_VALUE(crc) != get_le32(raw + sizeof raw - 4u) || raw[0] != PW_VERSION ||
        raw[1] != KIND_COMMAND) {
        return 0;
    }
    command->sequence = get_le32(raw + 2);
    command->command = raw[14];
    command->value = get_le32(raw + 15);
    return 1;
}
