"""The fixed text of the build files: Makefile, CMake package, Zephyr module."""

from __future__ import annotations

__all__ = [
    "CMAKE_CONFIG", "CMAKE_LISTS", "MAKEFILE", "ZEPHYR_CMAKE", "ZEPHYR_KCONFIG", "ZEPHYR_MODULE",
]  # fmt: skip

MAKEFILE = """\
# The firmware as a library, the example's image, and the self-test on a desk.
#
#     make CROSS=arm-none-eabi- CPU="-mcpu=cortex-m4 -mthumb"    libpw_firmware.a
#     make CROSS=arm-none-eabi- example                          build/nrf52840.elf
#     make check                                                 self-test, here
#
# CROSS is how the compiler's programs begin, CPU what chooses the core, and DEFINES may hold
# -DPW_TRUST_ROWS or -DPW_PLAIN_C. Results lie in BUILD.

CROSS ?=
CPU ?=
DEFINES ?=
OPTIMISE ?= -O2
BUILD ?= build
CC := $(CROSS)gcc
AR := $(CROSS)ar

WARNINGS := -std=c99 -pedantic -Wall -Wextra -Wconversion
CFLAGS ?=
FLAGS := $(WARNINGS) $(OPTIMISE) $(CPU) $(DEFINES) $(CFLAGS) -ffunction-sections -fdata-sections -I.
SOURCES := pw_model.c pw_watch.c pw_device.c
HEADERS := pw_model.h pw_weights.h pw_watch.h pw_device.h pw_board.h
LIBRARY := $(BUILD)/libpw_firmware.a

EXAMPLE_CPU := -mcpu=cortex-m4 -mthumb -mfloat-abi=soft
EXAMPLE := example/board_nrf52840.c example/start_nrf52840.c selftest.c $(SOURCES)
IMAGE := $(BUILD)/nrf52840.elf

.PHONY: all example check clean
all: $(LIBRARY)
example: $(IMAGE)

$(BUILD):
\tmkdir -p $@

$(BUILD)/%.o: %.c $(HEADERS) | $(BUILD)
\t$(CC) $(FLAGS) -c $< -o $@

$(LIBRARY): $(SOURCES:%.c=$(BUILD)/%.o)
\trm -f $@
\t$(AR) rcs $@ $^

$(IMAGE): $(EXAMPLE) $(HEADERS) pw_vectors.h example/nrf52840.h example/nrf52840.ld | $(BUILD)
\t$(CC) $(FLAGS) $(EXAMPLE_CPU) -DPW_SELFTEST_ROWS -ffreestanding -nostdlib $(EXAMPLE) -Iexample \\
\t  -Wl,-T,example/nrf52840.ld -Wl,--gc-sections -lgcc -o $@

check: $(BUILD)/selftest
\t$(BUILD)/selftest && echo equal

$(BUILD)/selftest: pw_model.c selftest.c pw_model.h pw_weights.h pw_vectors.h | $(BUILD)
\t$(CC) $(WARNINGS) $(OPTIMISE) -DPW_SELFTEST_MAIN pw_model.c selftest.c -o $@

clean:
\trm -rf $(BUILD)
"""

CMAKE_LISTS = """\
# The firmware as a library of CMake's: add_subdirectory this folder, or find_package(pw_firmware).
cmake_minimum_required(VERSION 3.13)
project(pw_firmware LANGUAGES C)

option(PW_TRUST_ROWS "Leave the checks of rows and counts out" OFF)

add_library(pw_firmware STATIC pw_model.c pw_watch.c pw_device.c)
target_include_directories(pw_firmware PUBLIC ${CMAKE_CURRENT_SOURCE_DIR})
set_target_properties(pw_firmware PROPERTIES C_STANDARD 99 C_STANDARD_REQUIRED ON C_EXTENSIONS OFF)
if(NOT CMAKE_BUILD_TYPE AND NOT CMAKE_CONFIGURATION_TYPES)
  target_compile_options(pw_firmware PRIVATE -O2) # as it was priced
endif()
if(PW_TRUST_ROWS)
  target_compile_definitions(pw_firmware PUBLIC PW_TRUST_ROWS)
endif()
"""

CMAKE_CONFIG = """\
# What find_package(pw_firmware CONFIG PATHS <this folder>) finds: the library pw_firmware.
if(NOT TARGET pw_firmware)
  add_subdirectory("${CMAKE_CURRENT_LIST_DIR}" "${CMAKE_CURRENT_BINARY_DIR}/pw_firmware")
endif()
"""

ZEPHYR_MODULE = """\
name: pw_firmware
build:
  cmake: zephyr
  kconfig: zephyr/Kconfig
"""

ZEPHYR_CMAKE = """\
if(CONFIG_PW_FIRMWARE)
  set(PW_FIRMWARE_DIR ${CMAKE_CURRENT_LIST_DIR}/..)
  zephyr_include_directories(${PW_FIRMWARE_DIR})
  zephyr_library_named(pw_firmware)
  zephyr_library_sources(
    ${PW_FIRMWARE_DIR}/pw_model.c
    ${PW_FIRMWARE_DIR}/pw_watch.c
    ${PW_FIRMWARE_DIR}/pw_device.c
  )
  zephyr_compile_definitions_ifdef(CONFIG_PW_TRUST_ROWS PW_TRUST_ROWS)
endif()
"""

ZEPHYR_KCONFIG = """\
config PW_FIRMWARE
\tbool "Gesture model and its device program"
\thelp
\t  Watches a lensless sensor, wakes the model and tells what it decides. The application brings
\t  the functions of pw_board.h.

config PW_TRUST_ROWS
\tbool "Leave the checks of rows and counts out"
\tdepends on PW_FIRMWARE
\thelp
\t  Saves one to two instructions a count. Frames with rows missing, twice or out of order, or
\t  with counts over the maximum, are then decided on as if they were whole, and a wrong row
\t  number writes outside of the model's memory: the board must check it.
"""
