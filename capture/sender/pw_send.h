/* Sends and receives the packets of capture/PROTOCOL.md, version 1. C99, no heap, no float.
 *
 * RAM: one pw_port (about 300 bytes). The packet is built on the fly and handed out in pieces of at
 * most 255 bytes, so no buffer for a whole exposure is needed besides the caller's own counts.
 */
#ifndef PW_SEND_H
#define PW_SEND_H

#include <stddef.h>
#include <stdint.h>

#define PW_VERSION 1u
#define PW_COMMAND_BYTES 23u /* command: header 14, body 5, CRC 4 */

/* Puts bytes on the wire; called with 1 to 255 bytes, in order. */
typedef void (*pw_put)(void *context, const uint8_t *bytes, size_t n_bytes);

typedef struct {
    pw_put put;
    void *context;
    uint32_t crc;                               /* of the packet being sent */
    uint8_t block[255];                         /* COBS block being filled; [0] is its code */
    uint8_t n_block;                            /* bytes in block behind the code, 0 to 254 */
    uint8_t received[PW_COMMAND_BYTES + 2u];    /* command being received, COBS and all */
    uint8_t n_received;                         /* PW_COMMAND_BYTES + 3: too long, thrown away */
} pw_port;

typedef struct {
    uint16_t n_rows, n_cols, first_row;
    uint8_t bit_depth;
    uint16_t black_level_counts;
    uint32_t conversion_gain_udn_per_e; /* 0.000001 counts per electron */
    uint32_t read_noise_me;             /* 0.001 electrons rms */
    uint64_t dark_signal_me_per_s;      /* 0.001 electrons per second */
    uint32_t full_well_e;
    uint32_t exposure_ns, frame_rate_mhz, led_current_ua, led_wavelength_pm, baseline_um;
    const char *sensor, *unit, *firmware; /* UTF-8, at most 63 bytes each are sent */
} pw_description;

typedef struct {
    uint8_t command;   /* 1 describe, 2 start, 3 stop, 4 to 7 set, 8 clock */
    uint32_t value;
    uint32_t sequence; /* comes back in the acknowledge */
} pw_command;

/* Must be called once, before anything else. */
void pw_port_init(pw_port *port, pw_put put, void *context);

void pw_send_description(pw_port *port, uint64_t time_us, const pw_description *description);

/* counts: (n_rows, n_cols) row by row, each below 2^bits; bits: 8, 10, 12 or 16. */
void pw_send_exposure(pw_port *port, int lit, uint32_t sequence, uint64_t time_us,
                      const uint16_t *counts, uint16_t first_row, uint16_t n_rows,
                      uint16_t n_cols, uint8_t bits);

void pw_send_status(pw_port *port, uint64_t time_us, int16_t temperature_centi_c,
                    uint16_t supply_mv, uint32_t overruns);

void pw_send_acknowledge(pw_port *port, uint64_t time_us, const pw_command *command,
                         uint8_t result, uint32_t value);

/* Answers command 8, clock. received_us: device clock when its last byte had come; now_us: the same
 * clock just before this call, not before received_us. */
void pw_send_clock(pw_port *port, uint64_t received_us, uint64_t now_us,
                   const pw_command *command);

/* Takes one byte from the wire; returns 1 when it completes a sound command, else 0. */
int pw_receive(pw_port *port, uint8_t byte, pw_command *command);

#endif
