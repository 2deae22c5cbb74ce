"""A rig's recordings through optics of the tests' own, before the emulated array of pixels."""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve1d

from capture.cues.labels import Event, write_events
from capture.cues.script import Script, parse_script
from capture.emulated.optic.optics import APERTURE_MM2, SENSORS, TRANSMISSION
from capture.emulated.points.scene import PointScene
from capture.emulated.points.session import PointSession
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import events_path
from capture.store.source_truth import write_truth
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.sensor import Aperture, Sensor
from trainer.align.bound import PixelNoise
from trainer.recipe import Recipe, load_recipe
from trainer.source.calibrated import Samples
from trainer.source.examined import bounds_of
from trainer.source.readouts import Box, slopes_at

__all__ = ["Fault", "ForeignRig", "pair_of", "smeared"]

Floats = NDArray[np.float64]

_UNIT = "unit-a"


@dataclass(frozen=True, slots=True)
class Fault:
    """What happened to the second aperture after calibration.

    Parameters
    ----------
    shift_pixels : (float, float)
        Its optic was moved, across and down.
    smear_pixels : float
        A film blurs its pattern, rms.
    passes : float
        Share of the light that passes.
    """

    shift_pixels: tuple[float, float] = (0.0, 0.0)
    smear_pixels: float = 0.0
    passes: float = 1.0


def pair_of(shape: tuple[int, int], bits: int = 12) -> Sensor:
    """Return a sensor of two apertures of a shape, side by side."""
    usual, (rows, cols) = SENSORS["lensless32pair"], shape
    gain = usual.conversion_gain_dn_per_e
    return Sensor(
        f"foreign{rows}x{cols}", rows, 2 * cols, bits, gain, usual.read_noise_e,
        usual.dark_signal_e_per_s, min(usual.full_well_e, (2**bits - 1 - 64) / gain),
        exposure_us=usual.exposure_us, led_current_ma=0.0,
        apertures=(
            Aperture(-0.93, 0.0, 0, rows, 0, cols), Aperture(0.93, 0.0, 0, rows, cols, cols),
        ),
    )  # fmt: skip


def smeared(light: Floats, rms: float) -> Floats:
    """Blur patterns (n, rows, cols) by so many pixels, rms, along each axis.

    Kernels of three pixels, whose variances add up: a Gaussian that is sampled at whole pixels has
    less than its own variance where it is narrow, a twelfth of it at 0.3 pixel.
    """
    times = max(1, math.ceil(2.0 * rms**2))
    side = rms**2 / times / 2.0
    for axis in (1, 2) * times:
        light = convolve1d(light, [side, 1.0 - 2.0 * side, side], axis=axis, mode="nearest")
    return np.asarray(light)


class _Apertures:
    """What each aperture's pixels receive of points of light, as the emulator asks for it."""

    def __init__(self, sensor: Sensor, optics: Sequence[object], fault: Fault) -> None:
        self.sensor, self.fault = sensor, fault
        self.optics = [copy.copy(each) for each in optics]
        last = self.optics[-1]
        last.x = last.x - fault.shift_pixels[0]  # type: ignore[attr-defined]
        last.y = last.y - fault.shift_pixels[1]  # type: ignore[attr-defined]
        self.whole = [float(o.light(np.zeros((1, 2))).sum()) for o in optics]  # type: ignore[attr-defined]

    def power_w(self, places_mm: Floats, mw_per_sr: Floats, warmer_k: float = 0.0) -> Floats:
        """Return watts of points on every pixel, (n_points, n_pixels)."""
        power = np.zeros((len(places_mm), self.sensor.n_rows, self.sensor.n_cols))
        every = zip(self.sensor.apertures, self.optics, self.whole, strict=True)
        for k, (aperture, optic, whole) in enumerate(every):
            away = places_mm - np.array([aperture.x_mm, aperture.y_mm, 0.0])
            seen = optic.light(away[:, :2] / away[:, 2:]) / whole  # type: ignore[attr-defined]
            seen = seen.reshape(-1, aperture.n_rows, aperture.n_cols)
            if k == len(self.optics) - 1:
                blur = self.fault.smear_pixels
                seen = smeared(seen, blur) if blur else seen
                seen = seen * self.fault.passes
            watts = mw_per_sr * 1e-3 * APERTURE_MM2 * TRANSMISSION / (away**2).sum(axis=1)
            aperture.of(power)[:] = seen * watts[:, None, None]
        return power.reshape(len(places_mm), -1)


@dataclass(frozen=True)
class ForeignRig:
    """A rig before one unit of two foreign optics.

    Parameters
    ----------
    sensor : Sensor
    optics : sequence
        Of each aperture, see `foreign_optics`.
    half_field_deg : float
    electrons : float
        Of the brightest source that is calibrated, on an aperture; the dimmest has 0.6 of them.
    """

    sensor: Sensor
    optics: Sequence[object]
    half_field_deg: float = 35.0
    electrons: float = 1e6

    @property
    def recipe(self) -> Recipe:
        """Return the recipe range for this field."""
        recipe = load_recipe("range")
        assert recipe.source is not None
        own = recipe.source.model_copy(update={"half_field_deg": self.half_field_deg})
        return recipe.model_copy(update={"source": own})

    def session(
        self, cues: dict[str, int], seed: int, electrons: tuple[float, float],
        distances_mm: tuple[float, ...], fault: Fault | None = None,
    ) -> tuple[Script, PointSession]:  # fmt: skip
        """Return a session of so many stops of each cue, and its script."""
        text = 'name = "rig"\nlead_in_s = 0.4\nrest_s = [0.1, 0.1]\nmovement = false\n'
        for cue, n in cues.items():
            text += f'[[cue]]\ntrial_type = "{cue}"\nrepetitions = {n}\nduration_s = 0.2\n'
        script = parse_script(text.encode(), "rig")
        scene = PointScene(
            half_field_deg=self.half_field_deg, distances_mm=distances_mm, electrons=electrons,
            clutter=0, illuminance_lx=0.0, auto_exposure=False, warming_k=0.0,
        )  # fmt: skip
        session = PointSession(script, seed, seed, self.sensor, _UNIT, scene)
        session.apertures = _Apertures(self.sensor, self.optics, fault or Fault())  # type: ignore[assignment]
        return script, session

    def record(self, folder: Path, n_stops: int, seed: int = 1) -> Path:
        """Write a calibration at so many stops, and a locked recording of a few; return it."""
        prepare_dataset(folder)
        far = (55.8, 80.0, 120.0, 186.0, 280.0, 400.0, 558.0, 800.0)
        for name, n, locked in (("P01", n_stops, False), ("P02", 12, True)):
            add_participant(folder, Participant(name, consent=True, locked=locked))
            own = seed + 100 * locked
            script, session = self.session(
                {"rig_hold": n, "rig_none": 4}, own, (0.6 * self.electrons, self.electrons), far
            )
            path = session_path(folder, name, "01", script.name)
            path.parent.mkdir(parents=True, exist_ok=True)
            header = SessionHeader(
                name, "01", Description(self.sensor, _UNIT, "emulated test"), script, own
            )
            with SessionWriter(path, header) as writer:
                for block in session.blocks():
                    for pair in block:
                        writer.add(pair, pair.sequence, pair.time_us)
            write_truth(path, session.truth())
            events = [
                Event(
                    cue.onset_us / 1e6, cue.duration_us / 1e6, cue.trial_type, cue.repetition,
                    cue_onset_s=cue.onset_us / 1e6, cue_duration_s=cue.duration_us / 1e6,
                )
                for cue in session.cues
            ]  # fmt: skip
            write_events(events_path(path), events)
        return folder

    def samples(
        self, cue: str, n_stops: int, seed: int, electrons: float,
        distances_mm: tuple[float, ...], fault: Fault | None = None,
    ) -> Samples:  # fmt: skip
        """Return frames of stops of one cue, with their truth where there is one source."""
        _, session = self.session(
            {cue: n_stops}, seed, (electrons, electrons * 1.0001), distances_mm, fault
        )
        truth, values, times = session.truth(), [], []
        for block in session.blocks():
            values.append((block.lit.astype(np.int32) - block.dark).reshape(len(block.lit), -1))
            times.append(block.time_us)
        at = truth.at(np.concatenate(times))
        on = (at[:, :, 3] > 0).sum(axis=0)
        wanted = {"rig_none": 0, "rig_two": 2, "rig_three": 3}.get(cue, 1)
        kept = np.flatnonzero(on == wanted)
        one = at[(at[:, :, 3] > 0).argmax(axis=0), np.arange(len(on))][kept]
        every = np.concatenate(values)[kept].astype(np.int16)
        return Samples(every, np.tan(one[:, :2]), one[:, 2])

    def bounds(self, samples: Samples, box: Box) -> Floats:
        """Return the bound of all four values of each frame, by the optics themselves."""
        gain, light, electrons = self.sensor.conversion_gain_dn_per_e, [], []
        for index, optic in enumerate(self.optics):
            slopes = slopes_at(samples.tangents, samples.distance_mm, box.places_mm[index])
            light.append([optic.at(slopes, k) for k in (None, 0, 1)])  # type: ignore[attr-defined]
            electrons.append(box.of_aperture(samples.values, index).sum(axis=1) / gain)
        floor = 2.0 * (self.sensor.read_noise_e**2 + 1.0 / 12.0 / gain**2)
        noise = PixelNoise(float(np.sqrt(floor)))
        return bounds_of(light, electrons, samples, box, 4, noise)
