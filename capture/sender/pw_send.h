/* Sends and receives the packets of capture/PROTOCOL.md, version 1. C99, no heap, no float.
 *
 * Nothing here waits. A packet is encoded once, whole: an exposure's into memory of the caller's,
 * which may be the very memory its counts lie in; a short one's into the port. pw_pending tells what
 * the wire is to have next, and pw_taken how much of it it took:
 *
 *     static uint16_t memory[PW_EXPOSURE_WORDS(32 * 32)];
 *     ...read the array into memory + PW_COUNTS_AT(32 * 32)...
 *     pw_send_exposure(&port, &exposure, memory + PW_COUNTS_AT(32 * 32), (uint8_t *)memory);
 *     ...
 *     n = pw_pending(&port, &bytes);   when the wire is idle: hand bytes[0] to bytes[n - 1] to it
 *     pw_taken(&port, n);              when it is done with them
 *
 * Call all of these from one context, or keep interrupts off around them. RAM: one pw_port (about
 * 450 bytes) and the exposure's memory. Flash: 3.6 to 5.0 KiB, 1 KiB of it the table of the CRC.
 * An exposure takes at most 15 executed instructions a byte of its packet on a Cortex-M0+, of 9, 11,
 * 13 or 15 bits at most 70.
 *
 * Options, the same for every file that includes this one:
 *     PW_CRC_SMALL    a table of 64 bytes in the place of 1024; about six instructions more a byte
 *     PW_CRC_HEADER   name of a header of the board's, "my_crc.h", for a CRC unit. It defines
 *                     PW_CRC_START(), PW_CRC_FEED(byte) and PW_CRC_VALUE(), which make up
 *                     CRC-32/ISO-HDLC: bits reflected, start and final XOR 0xFFFFFFFF
 *     PW_SHORT_BYTES  room for short packets that wait, 384 unless told; a description takes up to 332
 */
#ifndef PW_SEND_H
#define PW_SEND_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define PW_VERSION 1u
#define PW_COMMAND_BYTES 23u /* command: header 14, body 5, CRC 4 */

#ifndef PW_SHORT_BYTES
#define PW_SHORT_BYTES 384u
#endif

/* An exposure encoded where it lies: 16-bit words of memory for it, and at which of them its counts
 * begin. They begin behind the packet's head and as many bytes as COBS can add at the most, so that
 * what is written never reaches what is still to be read; CRC and final zero need three words more. */
#define PW_COUNTS_AT(n_pixels) ((size_t)13u + (size_t)(n_pixels) / 254u)
#define PW_EXPOSURE_WORDS(n_pixels) (PW_COUNTS_AT(n_pixels) + (size_t)(n_pixels) + 3u)

typedef struct {
    const uint8_t *exposure;                    /* of an exposure's packet: what is left */
    size_t n_exposure;
    uint16_t from, to;                          /* of the short packets: what is left */
    uint8_t in_exposure;                        /* it was handed out or begun, so it goes on */
    uint8_t n_received;                         /* PW_COMMAND_BYTES + 3: too long, thrown away */
    uint8_t received[PW_COMMAND_BYTES + 2u];    /* command being received, COBS and all */
    uint8_t shorts[PW_SHORT_BYTES];
} pw_port;

typedef struct {
    uint8_t lit;  /* 1 LED on, 0 off */
    uint8_t bits; /* a pixel: 4 to 16 */
    uint16_t first_row, n_rows, n_cols;
    uint32_t sequence;
    uint64_t time_us;
} pw_exposure;

typedef struct {
    int32_t x_um, y_um; /* centre of the optic from the sensor's origin */
    uint16_t first_row, n_rows, first_col, n_cols; /* its part of what is read */
} pw_aperture;

typedef struct {
    uint16_t n_rows, n_cols, first_row;
    uint8_t bit_depth;
    uint16_t black_level_counts;
    uint32_t conversion_gain_udn_per_e; /* 0.000001 counts per electron */
    uint32_t read_noise_me;             /* 0.001 electrons rms */
    uint64_t dark_signal_me_per_s;      /* 0.001 electrons per second */
    uint32_t full_well_e;
    uint32_t exposure_ns, frame_rate_mhz, led_current_ua, led_wavelength_pm, led_offset_um;
    const char *sensor, *unit, *firmware; /* UTF-8, at most 63 bytes each are sent */
    const pw_aperture *apertures;         /* (n_apertures,) */
    uint8_t n_apertures; /* up to 4; 0 for one optic at the origin over the whole array */
} pw_description;

typedef struct {
    uint8_t command;   /* 1 describe, 2 start, 3 stop, 4 to 7 set, 8 clock */
    uint32_t value;
    uint32_t sequence; /* comes back in the acknowledge */
} pw_command;

/* Must be called once, before anything else. */
void pw_port_init(pw_port *port);

/* Each pw_send_ returns 1, or 0 when there is no room yet, and then has done nothing: take what is
 * pending and ask again. */

int pw_send_description(pw_port *port, uint64_t time_us, const pw_description *description);

/* counts: (n_rows, n_cols) row by row, each below 2^bits. packet: memory for the packet, as
 * PW_EXPOSURE_WORDS tells; it belongs to the port until pw_exposure_waits returns 0. counts lie at
 * PW_COUNTS_AT in it, and are lost, or anywhere outside of it. */
int pw_send_exposure(pw_port *port, const pw_exposure *exposure, const uint16_t *counts,
                     uint8_t *packet);

/* Whether an exposure is still to be sent, or a part of it. */
int pw_exposure_waits(const pw_port *port);

int pw_send_status(pw_port *port, uint64_t time_us, int16_t temperature_centi_c,
                   uint16_t supply_mv, uint32_t overruns);

int pw_send_acknowledge(pw_port *port, uint64_t time_us, const pw_command *command,
                        uint8_t result, uint32_t value);

/* Answers command 8, clock. received_us: device clock when its last byte had come; now_us: the same
 * clock just before this call, not before received_us. */
int pw_send_clock(pw_port *port, uint64_t received_us, uint64_t now_us,
                  const pw_command *command);

/* Returns how many bytes wait in one piece, and where; 0 when nothing is to be sent. */
size_t pw_pending(pw_port *port, const uint8_t **bytes);

/* The wire took that many of the bytes that pw_pending told of last, all or fewer; packets may have
 * been sent since. */
void pw_taken(pw_port *port, size_t n_bytes);

/* Takes one byte from the wire; returns 1 when it completes a sound command, else 0. */
int pw_receive(pw_port *port, uint8_t byte, pw_command *command);

#ifdef __cplusplus
}
#endif

#endif
