"""The README beside the C: how it is built in, called and tested."""

from __future__ import annotations

from runtime.enrolment import can_enrol, enrolment_bytes
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import watching_model
from runtime.model import Model
from runtime.stages.contract.c_text import fill

__all__ = ["README", "readme_values"]

README = """\
# Firmware of @NAME@

Model `@MODEL_ID@`.

C99, no heap, no floating point, no C library. It is a whole device program: it watches in weak
light, wakes the model when something moves, tells what the model decides, and sleeps in between.
Your board brings the hooks of `pw_board.h`.

## Into an empty project

1. Copy this folder into the project, as `firmware/`.
2. Compile `pw_model.c`, `pw_watch.c` and `pw_device.c`, with `firmware/` among the include paths;
   by Makefile, CMake or Zephyr as below, or in any other way.
3. Write one more file, your board: the functions of `pw_board.h`, whose comments say what each is
   asked for, and whose interrupts call three functions of `pw_device.h`:

   | Your interrupt | calls |
   | --- | --- |
   | the sensor is powered and ready | `pw_device_sensor_ready(&device)` |
   | an exposure is over | `pw_device_exposed(&device)` |
   | rows of both exposures are in memory | `pw_device_rows_read(&device, first, n)` |

   None of the three may interrupt another: give them one priority.

4. Its main function, after clocks and pins:

       #include "pw_device.h"

       static pw_device device;
       pw_device_start(&device);
       for (;;) {
           pw_device_run(&device);
       }

5. Give the watchdog `PW_WATCHDOG_US`. `pw_board_feed_watchdog` is called after every frame that
   came whole, so a sensor that falls silent resets the board.
6. Compile `selftest.c` too, and run the self-test once on the board (below).

`budget.json` beside this folder says what memory and stack the whole program takes
(`device_program`); figures in `pw_model.h` are of the model alone.

`example/` is all that for one controller, an nRF52840 with the sensor on SPI: `make example` builds
its image. Take `example/board_nrf52840.c` as the beginning of your own board.

## What it does

| | while watching | while active |
| --- | --- | --- |
| frame pairs a second | @WATCH_RATE@ | @ACTIVE_RATE@, and those of the watching |
| LED current | @WATCH_LED@ mA | @ACTIVE_LED@ mA |
| exposure | @WATCH_EXPOSURE@ us | @EXPOSURE@ us |
| rows | @WATCH_FIRST@ to @WATCH_LAST@ | @FIRST_ROW@ to @LAST_ROW@ |

The first frames after a start warm it up (`PW_STATE_WARM_UP`). Then it watches
(`PW_STATE_WATCH`). A hand that comes wakes the model, from its initial state (`PW_STATE_ACTIVE`);
the watching goes on and tells when nothing moves any more@THERE_WORDS@. Then it holds
(`PW_STATE_HOLD`) for @HOLD@ s, in which the model still decides, and watches again. Movement
without a pause of @REST@ s to twice as long is taken for a livelier rest, so that light which grew
noisy cannot keep it awake. All these are constants of `pw_device.h`; they are what the model's
budget prices.

`pw_device_run` never waits: it begins a frame, works on a row while the next ones are read by DMA
into the other of two buffers (`PW_ROWS_AT_ONCE` rows each), ends a frame, or calls
`pw_board_wait_until` or `pw_board_sleep_until`. A frame that is not whole within the shorter
of both periods is given up.

`pw_board_tell(event, s)` is called on every frame that has something to tell:
`@TELL@`. What `event` is, and what to ask of `s`, stands in `pw_model.h`.

## The model alone

    static pw_state state;
    pw_init(&state);
    for (;;) {
        /* read a lit and a dark exposure of @N_ROWS@ x @N_COLS@ counts */
@USAGE@
    }

The model remembers frames, and begins as if all before the first had been nothing. A board that is
woken by a hand calls `pw_settle(&state)` after `pw_init`, as the device program does: the next
frame then stands for those before it.

Without memory for whole exposures, feed rows as they are read: `pw_feed_row` for each row, then
`pw_finish`. The watching stage is the same under names of its own (`pw_watch.h`).

Rows are accounted for: one missing, twice or out of order, or counts over `PW_MAX_COUNTS` (a
converter's status bits), and `pw_finish` returns `PW_ERROR_ROWS` or `PW_ERROR_COUNTS`, nothing is
decided, its rows are wiped, and what was remembered stays; the device program counts such frames
(`device.counts.dropped_rows`, `dropped_counts`) and tells nothing. `-DPW_TRUST_ROWS` leaves these
checks out, which saves one to two instructions a count; a wrong row number then writes outside of
the model's memory, so that your board must check it. `pw_step` trusts its counts;
`-DPW_CHECK_COUNTS` makes it look at each, at the same cost.

## What stays in memory

Between frames `pw_state` holds what `PW_STATE_MEMBERS` lists, and scores and outputs of the last
frame; the room that it works in is zero, and so are the rows of `pw_device`. A frame that you feed
but do not finish stays until `pw_drop(&state)`, after which the next frame may begin at row 0 (with
`-DPW_TRUST_ROWS`, too). Exposures of your own are yours to wipe: `pw_wipe(from, n_words)` is a
memset that no compiler leaves out. On the stack some values of the last frame stay until something
else runs there.

@ENROL@## Self-test

`selftest.c` makes frames by itself (patterns that were searched for so that the model tells
events and holds one off, then both ends of the range), feeds them whole, row by row and from odd
addresses, and compares a hash of every @ITEM@ and of the state with `pw_vectors.h`. On a board,
declare `int pw_selftest(void);` and call it; it returns 0 when all is equal, else 1 and the number
of the first frame that differs. It keeps a whole lit and dark exposure; with `-DPW_SELFTEST_ROWS`
two rows. On a desk:

    cc -std=c99 -O2 -DPW_SELFTEST_MAIN pw_model.c selftest.c -o selftest && ./selftest && echo equal

## Make

    make CROSS=arm-none-eabi- CPU="-mcpu=cortex-m4 -mthumb"    # libpw_firmware.a
    make CROSS=arm-none-eabi- example                          # build/nrf52840.elf

## CMake

In the project's `CMakeLists.txt`, either of

    add_subdirectory(firmware)
    find_package(pw_firmware CONFIG REQUIRED PATHS ${CMAKE_CURRENT_SOURCE_DIR}/firmware)

and then

    target_link_libraries(app PRIVATE pw_firmware)

where `app` is the executable with your main function and your board. For another core than the
desk's, name compiler and core as for any project of CMake's

    cmake -B build -DCMAKE_C_COMPILER=arm-none-eabi-gcc -DCMAKE_C_FLAGS="-mcpu=cortex-m4 -mthumb" \\
      -DCMAKE_TRY_COMPILE_TARGET_TYPE=STATIC_LIBRARY

Where no build type is named, the library is compiled with `-O2`, as it was priced.

## Zephyr

The folder is a module: `west build -- -DZEPHYR_EXTRA_MODULES=/path/to/firmware`, and in `prj.conf`
`CONFIG_PW_FIRMWARE=y`. Your application brings the functions of `pw_board.h`.

## On which core, by which compiler

One text serves every little-endian core: where a core has packed 16-bit multiply-accumulate
instructions (`__ARM_FEATURE_DSP`), kernels that use them are chosen by the preprocessor, and the
8-bit weights stand in `pw_weights.h` once for each form that a kernel reads. Where it has vectors
of integers (Helium, `__ARM_FEATURE_MVE`: Cortex-M55 and M85, with `-mfloat-abi=hard` or `softfp`),
bins, matrices and windows use them; the start-up must have enabled coprocessors 10 and 11 before,
as CMSIS's does. One form is compiled; results are the same bits. GCC and clang take it at every
level of optimisation, with and without a frame pointer, position-independent or not: assembly saves
the registers that it uses, and leaves r9 alone. `-DPW_PLAIN_C` leaves all
assembly out, for the same bits in more cycles. A compiler may call `memset` or `memcpy`; link the
ones that your board has.

`budget.json` beside this folder names the compiler that its price is by. Another one's code takes
other cycles: `palmwatt budget MODEL --compilers` prices this folder by each that is on the path.
"""

_ENROL = """\
## Learning its owner

The model learns from a few takes of each class, or of a gesture of the owner's own
(`PW_ENROL_FIRST_OWN` and on), beside what it was shipped with:

    pw_enrol_begin(&state, class_number);   /* then frames, while the owner shows a take */
    answer = pw_enrol_add(&state);          /* its number, or below 0 why it is refused */
    pw_enrol_finish(&state);                /* learns from all takes; lets go of them */
    pw_forget(&state);                      /* all of pw_state as shipped, bit for bit */
    pw_device_forget(&device);              /* all of pw_device, at any time between two passes */

Refused are takes that are too short (`PW_ENROL_SHORT`), too unlike their class, or, of a
gesture of the owner's own, the takes before (`PW_ENROL_UNLIKE`), too like another class
(`PW_ENROL_OTHER`: `pw_enrol_like` says which), of a class that there is not or that is no gesture
(`PW_ENROL_CLASS`), or one too many (`PW_ENROL_FULL`). Without any take every answer
is that of the shipped model, bit for bit. In the device program, `pw_device_enrol` wakes the model
for a take.

What was learned are @KEPT@ bytes of means and counts, no readouts. They tell of the person: they
are to stay on the device. `pw_enrol_save` gives them to memory that outlasts a reset, with a
version, the model's identity and a checksum; `pw_enrol_load`, told how many bytes may be read,
changes nothing where there is nothing (`PW_ENROL_NOTHING`, as of erased memory), where they are
another model's or version's (`PW_ENROL_FOREIGN`), or damaged or cut (`PW_ENROL_DAMAGED`). To be
forgotten takes both: `pw_forget` or `pw_device_forget`, and that memory erased. Enrolment's part of
`pw_state` are @ENROL_RAM@ bytes, its tables @ENROL_TABLES@ bytes of flash; its code comes on top.

Power may fail while it is saved. Keep two places, on pages of their own, and whenever it fails
what was learned before is there, or what was learned now, and never a mix of them:

- at the start, `pw_enrol_load` the first place, and where it does not return 0 the second;
- to save, erase and write the other place than the one that was loaded, then erase the one;
- to forget, `pw_device_forget`, and erase both places.

"""


def readme_values(model: Model, setting: DeviceSetting) -> dict[str, object]:
    """Return what the README says of the device program."""
    watched = watching_model(model.sensor, setting.watching_rows).entry.rows_read
    words = model.closing.c_words(model.classes)
    return {
        "WATCH_FIRST": watched.start,
        "WATCH_LAST": watched.stop - 1,
        "WATCH_RATE": f"{setting.watching_rate_hz:g}",
        "WATCH_LED": f"{setting.watching_led_current_ma:g}",
        "ACTIVE_RATE": f"{setting.frame_rate_hz:g}",
        "ACTIVE_LED": f"{setting.led_current_ma:g}",
        "WATCH_EXPOSURE": f"{setting.exposure_of('watching'):g}",
        "EXPOSURE": f"{setting.exposure_us:g}",
        "HOLD": f"{setting.hold_time_s:g}",
        "REST": f"{setting.rest_time_s:g}",
        "THERE_WORDS": ",\nand neither does the model see anything" if words.there else "",
        "TELL": words.tell_when,
        "ENROL": _enrol_words(model),
    }


def _enrol_words(model: Model) -> str:
    """Return the section of a model that can learn; empty for others."""
    if not can_enrol(model):
        return ""
    found = enrolment_bytes(model)
    kept, ram, tables = (f"{found[key]:,}" for key in ("kept", "ram", "tables"))
    return fill(_ENROL, KEPT=kept, ENROL_RAM=ram, ENROL_TABLES=tables)
