"""A bench without a device: traces synthesised from the budget's own state machine of a frame.

Every trace is known exactly: `Truth` is worked out from the steps, not from the samples.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from budget_models import library_inputs

from runtime.budget.inputs.library import Link, Mcu, load_parts
from runtime.budget.price.operating_states import states_together
from runtime.trace.cutting.phases import PHASES
from runtime.trace.predicted import Prediction, Step, predict
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import BLOCK, Trace
from runtime.trace.reading.sigrok import write_session
from runtime.trace.reading.tables import block_of

NAMES = {
    "mcu": "stm32u575", "led": "ir940-smd", "driver": "switched", "regulator": "buck",
    "readout": "state-of-the-art", "sensor_link": "spi", "host_link": "i2c", "host": "watch",
    "usage": "everyday",
}  # fmt: skip
CHANNELS = ("wake", "led", "readout", "compute")
WOKEN: dict[str, float] = {
    "mcu.start_time": 23.0, "mcu.start_current": 3_120.0, "mcu.wait_current": 100.0,
    "mcu.sleep_current": 4.25, "sensor_link.bit_rate": 32.0,
}  # fmt: skip
for _state in ("active", "watching"):
    WOKEN |= {
        f"{_state}.clock": 160.0, f"{_state}.run_current": 3_120.0, f"{_state}.derating": 2.33,
        f"{_state}.flash_wait": 4.0, f"{_state}.wake_up_time": 0.5,
        f"{_state}.wake_up_current": 3_120.0, f"{_state}.clock_change_time": 0.0,
    }  # fmt: skip
"""A controller that starts its clock when it wakes, before all else, so that a trace shows it."""


def operating() -> dict[str, str]:
    """Return states of the library's controller that it gets between in one step."""
    library = load_parts()
    together = states_together(library.get(Mcu, NAMES["mcu"]), library.get(Link, "spi"))
    return next(
        each.names()
        for each in together
        if each.start.wake_up_time is not None
        and each.start.clock_change_time is None
        and len({each.sleeping, each.waiting, each.computing}) == 3
    )


def device(state: str = "active", **inputs: float) -> Prediction:
    """Return the state machine of the budget's formulas, some of its inputs changed."""
    return of_inputs(state, WOKEN | {k.replace("__", "."): v for k, v in inputs.items()})


def of_inputs(state: str, changed: dict[str, float]) -> Prediction:
    """Return the state machine of the library's parts with some inputs changed."""
    found = library_inputs()
    for key, value in changed.items():
        found[key] = replace(found[key], low=value, typical=value, high=value)
    return predict(found, state, {}, NAMES, operating())


def plain_machine(
    floor_ua: float, period_us: float, *steps: tuple[str, float, float]
) -> Prediction:
    """Return a state machine of (phase, us, uA above sleep), which the budget knows nothing of."""
    volts = Bench().supply_v
    made = tuple(Step(phase, phase, us, ua * volts * us / 1e6) for phase, us, ua in steps)
    return replace(device(), steps=made, floor_uw=floor_ua * volts, period_us=period_us)


@dataclass(frozen=True)
class Bench:
    """What the instrument and the device do besides the state machine.

    `ranges` are (end in uA, noise in uA, offset in uA, gain) of each range of the instrument; it
    steps up at once, having shown the end of the range for `held` samples, and down after
    `settle_s` below. Samples are means over their time, or taken at a moment (`moments`).
    """

    rate_hz: float = 100_000.0
    duration_s: float = 20.0
    ranges: tuple[tuple[float, float, float, float], ...] = ((100_000.0, 3.0, 0.0, 1.0),)
    held: int = 0
    settle_s: float = 0.005
    jitter_us: float = 0.0
    compute_jitter: float = 0.0
    clock_ppm: float = 0.0
    period_us: float | None = None
    moments: bool = False
    supply_v: float = 3.85
    supply_noise_v: float = 0.0
    marked: tuple[str, ...] = ()
    unpowered_s: float = 0.0
    clip_ua: float | None = None
    step_ua: float = 0.0
    toml: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Truth:
    """What each phase takes in a frame: us, nC and uJ."""

    time_us: dict[str, float]
    charge_nc: dict[str, float]
    period_us: float
    n_frames: int


class Synthesis:
    """Synthesises one trace, block by block, always the same for a seed."""

    def __init__(self, made: Prediction, bench: Bench, seed: int = 1) -> None:
        self.made, self.bench, self.seed = made, bench, seed
        rng = np.random.default_rng(seed)
        self.period_us = bench.period_us or made.period_us
        n = int((bench.duration_s - bench.unpowered_s) * 1e6 / self.period_us) + 3
        gaps = self.period_us + bench.jitter_us * rng.standard_normal(n)
        self.begins_us = 1e6 * bench.unpowered_s + np.cumsum(gaps) - gaps[0] * rng.uniform(0.2, 0.8)
        self.longer = 1.0 + bench.compute_jitter * rng.uniform(-1.0, 1.0, n)
        self.n_samples = int(bench.duration_s * bench.rate_hz)

    @property
    def truth(self) -> Truth:
        """Means over the frames that are wholly in the trace."""
        end_us = 1e6 * self.bench.duration_s
        whole = np.flatnonzero(self.begins_us[1:] < end_us)
        mean_longer = float(self.longer[whole].mean())
        period = float(np.diff(self.begins_us)[whole].mean())
        time = dict.fromkeys(PHASES, 0.0)
        charge = dict.fromkeys(PHASES, 0.0)
        floor = self.made.floor_uw / self.bench.supply_v
        for s in self.made.steps:
            by = mean_longer if s.phase == "compute" else 1.0
            time[s.phase] += by * s.time_us
            charge[s.phase] += by * (1e3 * s.energy_uj / self.bench.supply_v)
        time["sleep"] = period - sum(time.values())
        for phase in PHASES:
            charge[phase] += floor * time[phase] / 1e3
        return Truth(time, charge, period, len(whole))

    def _edges(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Times in us at which the level changes, the levels from there on in uA, and phases."""
        floor = self.made.floor_uw / self.bench.supply_v
        steps = [s for s in self.made.steps if s.time_us > 0.0]
        lengths = np.array([s.time_us for s in steps])[None, :].repeat(len(self.begins_us), 0)
        is_compute = np.array([s.phase == "compute" for s in steps])
        lengths = np.where(is_compute, lengths * self.longer[:, None], lengths)
        starts = self.begins_us[:, None] + np.concatenate(
            (np.zeros((len(lengths), 1)), np.cumsum(lengths, axis=1)), axis=1
        )
        levels = [self._level(s) + floor for s in steps]
        phases = [PHASES.index(s.phase) for s in steps]
        times = starts.ravel()
        level = np.tile([*levels, floor], len(lengths))
        phase = np.tile([*phases, PHASES.index("sleep")], len(lengths))
        first = 0.0 if self.bench.unpowered_s == 0.0 else 1e6 * self.bench.unpowered_s
        return (
            np.concatenate(([-1e9, first], times)),
            np.concatenate(([0.0 if first else floor, floor], level)),
            np.concatenate(([PHASES.index("sleep")] * 2, phase)),
        )

    def _level(self, step: Step) -> float:
        return 1e6 * step.energy_uj / step.time_us / self.bench.supply_v

    def blocks(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yield (current in uA, voltage in V) as float64 (n, 2) and the pins' bits, uint8 (n,)."""
        rng = np.random.default_rng(self.seed + 1_000_003)
        times, levels, phases = self._edges()
        charge = np.concatenate(([0.0], np.cumsum(np.diff(times) * levels[:-1])))
        step_us = 1e6 / self.bench.rate_hz * (1.0 + 1e-6 * self.bench.clock_ppm)
        state = [0, 0]
        for start in range(0, self.n_samples, BLOCK):
            at = step_us * np.arange(start, min(start + BLOCK, self.n_samples) + 1)
            index = np.searchsorted(times, at, side="right") - 1
            if self.bench.moments:
                true = levels[index[:-1]]
            else:
                true = np.diff(charge[index] + levels[index] * (at - times[index])) / step_us
            bits = np.zeros(len(at) - 1, dtype=np.uint8)
            middle = np.searchsorted(times, at[:-1] + step_us / 2.0, side="right") - 1
            for i, name in enumerate(CHANNELS):
                bits |= ((phases[middle] == PHASES.index(name)).astype(np.uint8)) << np.uint8(i)
            read = self._read(true, rng, state)
            volts = self.bench.supply_v + self.bench.supply_noise_v * rng.standard_normal(len(read))
            yield np.column_stack((read, volts)), bits

    def _read(self, true: np.ndarray, rng: np.random.Generator, state: list[int]) -> np.ndarray:
        """What the instrument shows of a current."""
        ranges = self.bench.ranges
        chosen = np.full(len(true), len(ranges) - 1)
        shown = np.full(len(true), np.nan)
        if len(ranges) > 1:
            above = true > ranges[0][0]
            stay = max(1, int(self.bench.settle_s * self.bench.rate_hz))
            last = np.where(above, np.arange(len(true)), -(10**12))
            last = np.maximum.accumulate(np.maximum(last, -state[0] if state[1] else -(10**12)))
            high = np.arange(len(true)) - last < stay
            chosen = np.where(high, 1, 0)
            before = np.concatenate(([bool(state[1] and state[0] < stay)], high[:-1]))
            ups = np.flatnonzero(high & ~before)
            for k in range(self.bench.held):
                at = ups + k
                shown[at[at < len(true)]] = ranges[0][0]
            state[0], state[1] = int(len(true) - last[-1]), int(last[-1] > -(10**11))
        noise, offset, gain = (np.array([r[i] for r in ranges])[chosen] for i in (1, 2, 3))
        read = gain * true + offset + noise * rng.standard_normal(len(true))
        read = np.where(np.isnan(shown), read, shown)
        if self.bench.clip_ua is not None:
            read = np.minimum(read, self.bench.clip_ua)
        if self.bench.step_ua:
            read = self.bench.step_ua * np.round(read / self.bench.step_ua)
        return read

    def toml(self, current: str = "current", unit: str = "uA", **more: str) -> str:
        """Return the file beside the trace."""
        b = self.bench
        lines = [
            'kind = "synthetic"', 'device = "state machine of the budget"',
            'instrument = "none: synthesised"', "date = 2026-11-20",
            f"led_pulse_us = {self.made.pulse_us!r}",
            *(f"{k} = {v}" for k, v in (b.toml | more).items() if "." not in k),
        ]  # fmt: skip
        if b.unpowered_s:
            lines += ["[unpowered]", "from_s = 0.0", f"to_s = {b.unpowered_s - 0.01!r}"]
        lines += [
            "[time]",
            f"rate_hz = {b.rate_hz!r}",
            f"error_ppm = {max(50.0, abs(b.clock_ppm))!r}",
        ]
        lines += ["[current]", f'channel = "{current}"', f'unit = "{unit}"']
        if len(b.ranges) > 1:
            lines += [f"hold_s = {b.settle_s!r}"]
        for end, _, offset, gain in b.ranges:
            lines += [
                "[[current.range]]", f"up_to_ma = {end / 1e3!r}",
                f"gain_error_percent = {round(0.05 + 150 * abs(gain - 1.0), 6)!r}",
                f"offset_error_ua = {round(0.02 + 1.5 * abs(offset), 6)!r}",
            ]  # fmt: skip
        lines += ["[voltage]", f"supply_v = {b.supply_v!r}"]
        if b.marked:
            lines += ["[markers]", *(f'{m} = "{m}"' for m in b.marked)]
        return "\n".join(lines) + "\n"

    def bench_file(self) -> BenchFile:
        """Return the file beside the trace, read."""
        import tomllib

        return BenchFile.model_validate(tomllib.loads(self.toml()))

    def trace(self) -> tuple[Trace, BenchFile]:
        """Return the trace as if it had been read from a file."""
        bench = self.bench_file()

        def blocks() -> Iterator:
            for values, bits in self.blocks():
                channels = {"current": values[:, 0]}
                channels |= {
                    name: ((bits >> i) & 1).astype(float) for i, name in enumerate(CHANNELS)
                }
                yield block_of("synthetic", bench, channels)

        return Trace(Path("synthetic.bin"), blocks, lambda: self.bench.rate_hz), bench

    def write_csv(self, path: Path) -> Path:
        """Write a CSV in uA with the file beside it."""
        with path.open("w") as file:
            file.write("current,voltage," + ",".join(CHANNELS) + "\n")
            for values, bits in self.blocks():
                pins = [(bits >> i) & 1 for i in range(len(CHANNELS))]
                np.savetxt(
                    file,
                    np.column_stack((values, *pins)),
                    delimiter=",",
                    fmt=["%.4f", "%.5f", *["%d"] * len(CHANNELS)],
                )
        path.with_suffix(".toml").write_text(self.toml())
        return path

    def write_session(self, path: Path) -> Path:
        """Write a session file in amperes with the file beside it."""
        stream = (
            (np.column_stack((1e-6 * values[:, 0], values[:, 1])).astype(np.float32), bits)
            for values, bits in self.blocks()
        )
        write_session(path, round(self.bench.rate_hz), ("current", "voltage"), CHANNELS, stream)
        path.with_suffix(".toml").write_text(self.toml(unit="A"))
        return path


def write_budget_json(path: Path, made: Prediction) -> Path:
    """Write what `measure` reads of a budget."""
    path.write_text(
        json.dumps(
            {
                "inputs": {k: x.to_json() for k, x in made.inputs.items()},
                "parts": {k: f"a {k}" for k in made.names},
                "choice": made.names,
                "operating_states": {k: {"state": name} for k, name in made.operating.items()},
            }
        )
    )
    return path
