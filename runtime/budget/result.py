"""What one model costs with one choice of parts: the budget as the page and the file hold it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from runtime.budget.advice import Advice
from runtime.budget.gather import Choice
from runtime.budget.inputs.evaluation import Evaluation
from runtime.budget.inputs.uncertainty import Interval, Sensitivity
from runtime.budget.inputs.values import Input
from runtime.budget.price.compiler_price import CompilerPrice
from runtime.budget.price.led_rating import LedRating
from runtime.budget.price.light import LightScreening
from runtime.budget.price.parts_price import PartsPrice
from runtime.budget.price.power import PARTS, STATES, formulas_of
from runtime.budget.price.profiles import Profiles
from runtime.budget.verdict.host import Verdict
from runtime.budget.verdict.limits import Check
from runtime.firmware.day.cost import DeviceCost
from runtime.firmware.machine.compile import OPTIMISE
from runtime.firmware.profile import CoreProfile
from runtime.model import Model

__all__ = ["FORMAT", "Budget"]

FORMAT = 2
"""Of ``budget.json``: 2 since its verdict is held against a margin. Older ones are made again."""
_UNVERIFIED = ("invented", "from memory")
_HOST_VALUES = ("baseline_power", "battery_energy")
"""What the verdict rests on of the host; its spread plans sessions alone."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What one model costs with one choice of parts."""

    model: Model
    model_hash: str
    choice: Choice
    titles: dict[str, str]
    inputs: dict[str, Input]
    average_uw: Interval
    terms: dict[tuple[str, str], float]
    part_uw: dict[str, Interval]
    while_active_uw: Interval
    while_watching_uw: Interval
    frame_uj: dict[str, dict[str, float]]
    active_share: float
    latency_ms: Interval
    led: dict[str, Interval]
    sensitivity: tuple[Sensitivity, ...]
    advice: tuple[Advice, ...]
    verdict: Verdict
    light: LightScreening
    profiles: Profiles
    evaluation: Evaluation | None
    checks: tuple[Check, ...]
    cautions: tuple[str, ...]
    operating_states: dict[str, Any]
    led_ratings: tuple[LedRating, ...]
    dark_electrons: Interval
    n_draws: int
    seed: int
    scenario: str = ""
    other_compilers: tuple[CompilerPrice, ...] = ()
    cheapest_parts: tuple[PartsPrice, ...] = ()

    @property
    def core(self) -> CoreProfile:
        """The profile on the chosen controller's core."""
        return self.profiles.active[self._core_name]

    @property
    def device(self) -> DeviceCost:
        """The whole device program's cost on that core."""
        return self.profiles.device[self._core_name]

    @property
    def watching_core(self) -> CoreProfile:
        """The watching stage's profile on that core."""
        return self.profiles.watching[self._core_name]

    @property
    def compiled_by(self) -> str:
        """Compiler and level of what was priced."""
        return f"{self.core.compiler} {OPTIMISE}"

    @property
    def own_price(self) -> CompilerPrice:
        """The price by the budget's own compiler."""
        core = self.core
        return CompilerPrice(
            core.compiler, core.instructions_per_frame, core.cycles_per_frame,
            core.code_bytes + core.const_bytes, core.stack_bytes, self.average_uw,
        )  # fmt: skip

    @property
    def _core_name(self) -> str:
        return self.titles["core"]

    @property
    def dominant(self) -> tuple[str, float]:
        """The part that takes most of the typical average power, and its share."""
        by_part = {p: sum(self.terms[p, s] for s in STATES) for p in PARTS}
        part = max(by_part, key=lambda p: by_part[p])
        return part, by_part[part] / self.average_uw.typical

    @property
    def kinds(self) -> dict[str, int]:
        """How many inputs there are of each kind of origin."""
        found = [x.kind for x in self.inputs.values()]
        return {kind: found.count(kind) for kind in dict.fromkeys(found)}

    @property
    def n_unverified(self) -> int:
        """Inputs that are from memory or invented."""
        return sum(x.kind in _UNVERIFIED for x in self.inputs.values())

    @property
    def host_unverified(self) -> str:
        """Say how the host's own values came about where not all were measured; else empty."""
        kinds = {self.inputs[f"host.{key}"].kind for key in _HOST_VALUES}
        return " or ".join(kind for kind in _UNVERIFIED if kind in kinds)

    def keeps(self, strict: bool = False) -> bool:
        """Whether every limit is kept; `strict` also refuses intervals that cross one."""
        return all(c.keeps(strict) for c in self.checks)

    def to_json(self) -> dict[str, Any]:
        """Return everything that is needed to work the budget out anew."""
        return {
            "format": FORMAT,
            "scenario": self.scenario,
            "model": self.model.name,
            "task": self.model.task,
            "model_hash": self.model_hash,
            "choice": asdict(self.choice),
            "parts": self.titles,
            "cautions": list(self.cautions),
            "firmware_priced": self.profiles.firmware,
            "as_emitted": self.profiles.as_emitted,
            "device_program": {c: d.to_json() for c, d in self.profiles.device.items()},
            "compiler": self.compiled_by,
            "other_compilers": [price.to_json() for price in self.other_compilers],
            "cheapest_parts": [price.to_json() for price in self.cheapest_parts],
            "operating_states": self.operating_states,
            "inputs": {name: x.to_json() for name, x in self.inputs.items()},
            "inputs_by_kind": self.kinds,
            "recognition": None if self.evaluation is None else self.evaluation.headline(),
            "formulas": formulas_of(self.inputs),
            "monte_carlo": {
                "draws": self.n_draws,
                "seed": self.seed,
                "headline": "median",
                "interval": "5th to 95th percentile",
                "distribution": "independent; half the draws on either side of typical, "
                "thinning out linearly to low and to high",
            },
            "average_uw": self.average_uw.to_json(),
            "average_uw_by_part": {
                p: {
                    **{s: self.terms[p, s] for s in STATES},
                    "total": self.part_uw[p].to_json(),
                }
                for p in PARTS
            },
            "while_active_uw": self.while_active_uw.to_json(),
            "while_watching_uw": self.while_watching_uw.to_json(),
            "energy_per_frame_uj": self.frame_uj,
            "active_share_of_day": self.active_share,
            "latency_ms": self.latency_ms.to_json(),
            "led_over_the_day": {key: x.to_json() for key, x in self.led.items()},
            "led_ratings": {one.state: one.to_json() for one in self.led_ratings},
            "dark_electrons": self.dark_electrons.to_json(),
            "sensitivity": [
                {"input": s.name, "first_order": s.first_order, "total": s.total}
                for s in self.sensitivity
            ],
            "what_would_halve": [a.to_json() for a in self.advice],
            "host_verdict": self.verdict.to_json(),
            "light": self.light.to_json(),
            "profiles": {c: p.to_json() for c, p in self.profiles.active.items()},
            "watching_profiles": {c: p.to_json() for c, p in self.profiles.watching.items()},
            "limits": [c.to_json() for c in self.checks],
        }
