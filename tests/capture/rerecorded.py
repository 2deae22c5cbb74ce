"""The same scenes recorded again at another setting: what thinned readouts are held against.

A scene is worked out once; every recording of it has the same movement and light, and noise of its
own. The emulated sensor's scenes come from its own code, those of the other worlds from theirs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits
from worlds.diffuser import DIFFUSER
from worlds.mask import MASK
from worlds.people.choreography import Manner
from worlds.recording import person_of
from worlds.world import Conditions, World, expose

from capture.cues.script import Cue, Script, schedule
from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import BLOCK_FRAMES, Bench, EmulatedSession, dark_offset_us
from capture.frames import FrameBlock
from capture.thin.setting import Setting, thinned_sensor
from runtime.sensor import Sensor

EMULATED = replace(SENSORS["lensless32"], led_current_ma=40.0)
"""Set with headroom: at 100 mA, hands that come close saturate."""
SENSOR_OF = {"emulated": EMULATED, "diffuser": DIFFUSER.sensor, "mask": MASK.sensor}
HEADROOM = {"diffuser": 0.08, "mask": 0.15}
"""Share of the LED's light that the other worlds are recorded at: at all of it, hands saturate."""


@dataclass(frozen=True)
class Scene:
    """What a person does in front of a sensor, to be recorded as often as wanted.

    Parameters
    ----------
    sensor : Sensor
        At the recorded setting.
    cues : tuple of Cue
    record : callable
        (setting, seed of the noise) to a block of all frame pairs.
    """

    sensor: Sensor
    cues: tuple[Cue, ...]
    record: Callable[[Setting, int], FrameBlock]


def scene_of(kind: str, script: Script, person: int, n_frames: int) -> Scene:
    """Return a person's scene before the emulated sensor, or in one of the other worlds."""
    if kind == "emulated":
        return _emulated(script, person, n_frames)
    return _worlds({"diffuser": DIFFUSER, "mask": MASK}[kind], script, person, n_frames)


class _Seen:
    """Stands for an optic where what it gives is known already: power on each pixel."""

    @staticmethod
    def image(power_w: Any) -> Any:
        return power_w.copy()


def _emulated(script: Script, person: int, n_frames: int) -> Scene:
    first = EmulatedSession(script, person, person, EMULATED)
    time_us = np.rint(np.arange(n_frames) * EMULATED.frame_period_us)
    power = []
    with threadpool_limits(1):
        for at in range(0, n_frames, BLOCK_FRAMES):
            times_s = time_us[at : at + BLOCK_FRAMES] * 1e-6
            led, other, _ = first.world.see(times_s, 0.0, EMULATED)
            power.append([first.bench.optic.image(each) for each in (led, other)])
    led_w, ambient_w = (np.concatenate(each) for each in zip(*power, strict=True))
    factor = first.world.ambient.factor

    def record(setting: Setting, seed: int) -> FrameBlock:
        after = thinned_sensor(EMULATED, replace(setting, rows=None))
        bench = Bench(after, first.bench.unit)
        bench.optic = _Seen()
        kept = slice(None, None, setting.frame_rate_divisor)
        begin_us, later_us = time_us[kept].astype(np.int64), dark_offset_us(after)
        begin_s = begin_us * 1e-6
        factors = factor(begin_s), factor(begin_s + later_us * 1e-6)
        share = np.float32(setting.led_current_fraction)
        noise = np.random.default_rng([person, seed, 77])
        lit, dark = bench.expose(led_w[kept] * share, ambient_w[kept], factors, noise)
        number = np.arange(len(lit), dtype=np.int64)
        return _rows(FrameBlock(number, begin_us, lit, dark, begin_us + later_us), setting)

    return Scene(EMULATED, tuple(first.cues), record)


def _worlds(world: World, script: Script, person: int, n_frames: int) -> Scene:
    sensor, task = world.sensor, sum(script.name.encode())
    acting, place = (np.random.default_rng([world.seed, person, task, part]) for part in (1, 4))
    cues = schedule(script, person)
    time_s = np.arange(n_frames) / sensor.frame_rate_hz
    who, manner = person_of(world, person), Manner(world.overlap, None)
    with threadpool_limits(1):
        last_s = cues[-1].end_us / 1e6
        longer_s = np.arange(0, max(last_s, time_s[-1]) + 1, 1 / sensor.frame_rate_hz)
        postures, _ = world.perform(who, cues, acting, longer_s, manner)
        # Without clouds, which hang on the same phase: lamps are moved in time by it below.
        room = replace(world.room(place), clouds=0.0)
        view = world.look(who, postures[:n_frames])

    def record(setting: Setting, seed: int) -> FrameBlock:
        after = thinned_sensor(sensor, replace(setting, rows=None, frame_rate_divisor=1))
        shorter_s = (sensor.exposure_us - after.exposure_us) / 1e6
        light = replace(
            world.light,
            led_e=HEADROOM[world.name] * world.light.led_e * setting.led_current_fraction,
            apart_s=world.light.apart_s - shorter_s,
        )
        steps = 2.0 ** (after.bit_depth - sensor.bit_depth)
        # What no electrons explain is no part of the model that is held to account here: dark
        # signal that does not follow the exposure, and pixels that jump.
        fixed = {"offset": light.offset * steps, "row_offset": light.row_offset * steps}
        light = replace(light, **fixed, hot=0.0, restless=0.0)
        set_to = replace(world, sensor=after, light=light)
        # The whole of the light is less where the exposure is shorter, dark signal with it.
        conditions = Conditions(exposure=setting.exposure_fraction)
        # The worlds' light is that of a moment, the middle of an exposure: sooner, if shorter.
        sooner = replace(room, phase=room.phase - np.pi * room.hz * shorter_s)
        noise, unit = np.random.default_rng([person, seed, 78]), np.random.default_rng([1, 0])
        with threadpool_limits(1):
            lit, dark = expose(set_to, view, sooner, noise, unit, conditions)
        shape = (n_frames, sensor.n_rows, sensor.n_cols)
        time_us = 1_000_000 + np.rint(1e6 * time_s).astype(np.int64)
        apart_us = round(1e6 * light.apart_s)
        number = np.arange(n_frames, dtype=np.int64)
        block = FrameBlock(
            number, time_us, lit.reshape(shape), dark.reshape(shape), time_us + apart_us
        )
        return _rows(_every(block, setting.frame_rate_divisor), setting)

    return Scene(sensor, tuple(cues), record)


def _every(block: FrameBlock, divisor: int) -> FrameBlock:
    kept = block[slice(None, None, divisor)]
    return replace(kept, sequence=kept.sequence // divisor)


def _rows(block: FrameBlock, setting: Setting) -> FrameBlock:
    if setting.rows is None:
        return block
    rows = slice(*setting.rows)
    return replace(block, lit=block.lit[:, rows], dark=block.dark[:, rows])


__all__ = ["EMULATED", "SENSOR_OF", "Scene", "scene_of"]
