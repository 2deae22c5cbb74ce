"""One session of a rig in front of an emulated sensor: frame pairs, and where its lights were."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from capture.cues.script import Script, schedule
from capture.emulated.optic.light import Ambient, draw_ambient
from capture.emulated.points.apertures import Apertures, intensity_mw_per_sr
from capture.emulated.points.exposing import AutoExposure
from capture.emulated.points.scene import PointScene
from capture.emulated.points.stage import Stage, asks_for_a_rig
from capture.emulated.session import Bench, block_length, dark_offset_us, frame_times, warming_k
from capture.frames import FrameBlock
from capture.store.source_truth import Truth
from runtime.errors import UsageError
from runtime.sensor import Sensor

__all__ = ["PointSession"]

_CLUTTER_MM = 500.0, 5000.0
_TAIL_S = 3.0  # how long the rig's table goes on after the script's last rest


class PointSession:
    """A rig carrying out a script in front of one unit.

    Parameters
    ----------
    script : Script
        Cues, all of them a rig's.
    rig : int
        Number of the set-up, >= 0; with script and seed everything drawn follows from it.
    seed : int
        Seed of the schedule, and of everything drawn.
    sensor : Sensor
    unit : str
        Name of the physical sensor.
    scene : PointScene, optional

    Raises
    ------
    UsageError
        The script asks for what no rig does, or the number is negative.
    """

    def __init__(
        self,
        script: Script,
        rig: int,
        seed: int,
        sensor: Sensor,
        unit: str = "unit-a",
        scene: PointScene | None = None,
    ) -> None:
        if rig < 0:
            raise UsageError("emulated rig", "number", rig, "0 or more")
        if not asks_for_a_rig(script.trial_types):
            asked = ", ".join(script.trial_types)
            raise UsageError("emulated rig", "cues", asked, "cues of a rig alone")
        self.scene, self._script = scene or PointScene(), script
        self.cues = schedule(script, seed)
        key = [rig, zlib.crc32(script.name.encode()), seed]
        rng = np.random.default_rng([*key, 1])
        self.stage = Stage(self.cues, self.scene, rng)
        self.apertures = Apertures.of(sensor, unit, self.scene)
        self.bench = Bench(sensor, unit, mountings=self.apertures.mountings)
        room = rng if self.scene.room is None else np.random.default_rng([self.scene.room, 3])
        self.ambient = _sky(self.bench, self.scene, room)
        self._sky_w = self.bench.optic.image(self.ambient.background[None])
        self._clutter_w = self._clutter(room)
        self._exposure = AutoExposure(sensor)
        self._noise = np.random.default_rng([*key, 2])
        self._next = 0

    @property
    def sensor(self) -> Sensor:
        """The setting in force."""
        return self.bench.sensor

    @property
    def _unlit(self) -> bool:
        """Whether both exposures are of lights that shine by themselves, as long as need be."""
        return self.sensor.led_current_ma == 0.0 and self.scene.source == "shines"

    @property
    def script_end_s(self) -> float:
        """Device time at which the last cue ends."""
        return max(cue.end_us for cue in self.cues) * 1e-6

    def warmer_k(self, time_s: float) -> float:
        """Return how much warmer the sensor is than when the session began."""
        return warming_k(self.scene.warming_k, time_s)

    def next_block(self, n_frames: int | None = None) -> FrameBlock:
        """Return the next frame pairs, a block by default; time goes on with every call."""
        if n_frames is None:
            end_s = self.script_end_s + self._script.lead_in_s
            n_frames = block_length(self._next, end_s, self.sensor)
        sequence, time_us = frame_times(self._next, n_frames, self.sensor)
        self._next += n_frames
        later_us = dark_offset_us(self.sensor)
        lit_w, dark_w = self._powers(np.asarray(time_us * 1e-6, np.float64), later_us * 1e-6)
        lit, dark = self._expose(lit_w, dark_w)
        return FrameBlock(sequence, time_us, lit, dark, time_us + later_us)

    def blocks(self, tail_s: float = 1.0) -> Iterator[FrameBlock]:
        """Yield a new session in blocks: the script, and `tail_s` seconds after its last cue.

        The bytes are those that the serial device sends for the same arguments.
        """
        n_frames = int(np.ceil((self.script_end_s + tail_s) * self.sensor.frame_rate_hz))
        while n_frames > 0:
            block = self.next_block()
            yield block[:n_frames]
            n_frames -= len(block)

    def truth(self) -> Truth:
        """Return where the lights are at each frame pair, to a while after the script's end.

        Of lights that shine into long exposures, in the middle of both.
        """
        end_s = self.script_end_s + self._script.lead_in_s + _TAIL_S
        n_frames = int(np.ceil(end_s * self.sensor.frame_rate_hz)) + 1
        time_us = frame_times(0, n_frames, self.sensor)[1]
        nothing = [np.nan, np.nan, np.nan, 0.0]
        sources = {0, *(light.source for light in self.stage.lights)}
        rows = {(int(time_us[k]), each): nothing for each in sources for k in (0, -1)}
        for light in self.stage.lights:
            on = np.flatnonzero((time_us >= light.begin_s * 1e6) & (time_us < light.end_s * 1e6))
            if not on.size:
                continue
            seen_us = time_us + (dark_offset_us(self.sensor) if self._unlit else 0)
            places = light.places_mm(np.asarray(seen_us[on] * 1e-6, np.float64))
            bright = float(intensity_mw_per_sr(light.electrons, light.middle_mm, self.sensor))
            for k, (x, y, z) in zip(on.tolist(), places.tolist(), strict=True):
                angles = [np.arctan2(x, z), np.arctan2(y, z), np.linalg.norm([x, y, z])]
                rows[int(seen_us[k]), light.source] = [*angles, bright]
            out = int(time_us[min(on[-1] + 1, n_frames - 1)])
            rows.setdefault((out, light.source), nothing)
        ordered = sorted(rows.items())
        at, source = (np.array([key[k] for key, _ in ordered], np.int64) for k in (0, 1))
        return Truth(at, source, np.array([values for _, values in ordered]))

    def _clutter(self, rng: np.random.Generator) -> npt.NDArray[np.float64]:
        """Draw the lesser lights of the room; returns their power on each pixel."""
        n, scene = self.scene.clutter, self.scene
        grid = self.bench.optic.grid
        directions = grid.directions[rng.integers(0, grid.n_angles, n)].astype(np.float64)
        distances = rng.uniform(*_CLUTTER_MM, n)
        strongest = scene.clutter_share * float(np.sqrt(scene.electrons[0] * scene.electrons[1]))
        electrons = strongest * rng.uniform(0.1, 1.0, n)
        bright = intensity_mw_per_sr(electrons, distances, self.sensor)
        powers = self.apertures.power_w(directions * distances[:, None], bright)
        return np.asarray(powers.sum(axis=0))

    def _powers(
        self, times_s: npt.NDArray[np.float64], later_s: float
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return the power on each pixel in the lit and the dark exposures.

        Within a flash light stands still. Exposures of lights that shine are long: what they hold
        is their mean, and what moves is taken where it is in their middle.
        """
        exposed_s = self.sensor.exposure_us * 1e-6 if self._unlit else 0.0
        begins = times_s, times_s + later_s
        around = [
            self._sky_w * self.ambient.factor(times, exposed_s)[:, None] + self._clutter_w
            for times in begins
        ]
        lit_w = around[0] + self.bench.crosstalk_w
        dark_w = around[1]
        warmer_k = self.warmer_k(float(times_s.mean()))
        for light in self.stage.on(float(times_s[0]), float(times_s[-1]) + 1e-9):
            on = (times_s >= light.begin_s) & (times_s < light.end_s)
            bright = intensity_mw_per_sr(light.electrons, light.middle_mm, self.sensor)
            n_exposures = 1 if self.scene.source == "flashes" else 2
            power = None
            for watts, begin in list(zip((lit_w, dark_w), begins, strict=True))[:n_exposures]:
                if power is None or self._unlit:
                    places = light.places_mm(begin[on] + exposed_s / 2.0)
                    power = self.apertures.power_w(places, np.full(len(places), bright), warmer_k)
                depth = self.scene.flicker_depth if self.scene.source == "shines" else 0.0
                watts[on] += power * self.ambient.flickering(depth, begin[on], exposed_s)[:, None]
        return lit_w, dark_w

    def _expose(
        self, lit_w: npt.NDArray[np.float64], dark_w: npt.NDArray[np.float64]
    ) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
        pixels, sensor = self.bench.pixels, self.sensor
        lit_e, dark_e = (pixels.electrons(w.astype(np.float32)) for w in (lit_w, dark_w))
        shape = (len(lit_e), sensor.n_rows, sensor.n_cols)
        if not self.scene.auto_exposure:
            both = [pixels.read(each, self._noise).reshape(shape) for each in (lit_e, dark_e)]
            return both[0], both[1]
        lit = np.empty(lit_e.shape, np.uint16)
        dark = np.empty(lit_e.shape, np.uint16)
        for k in range(len(lit_e)):  # each frame pair's length follows from the one before
            share = np.float32(self._exposure.share)
            lit[k] = pixels.read(lit_e[k] * share, self._noise)
            dark[k] = pixels.read(dark_e[k] * share, self._noise)
            self._exposure.saw(lit[k])
        return lit.reshape(shape), dark.reshape(shape)


def _sky(bench: Bench, scene: PointScene, rng: np.random.Generator) -> Ambient:
    """Draw the light behind everything, at the scene's illuminance."""
    drawn = draw_ambient(bench.optic.grid, rng, float(scene.mains_hz))
    share = scene.illuminance_lx / drawn.illuminance_lx
    return Ambient(
        scene.illuminance_lx,
        drawn.in_band_w_per_m2 * share,
        drawn.bounce,
        drawn.background * np.float32(share),
        drawn.mains_hz,
        drawn.flicker_depth,
        drawn.phase_rad,
    )
