"""Cue scripts: what a participant is asked to do, how often, in which order."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated

import numpy as np
import pydantic
from pydantic import ConfigDict, Field

from runtime.errors import UsageError
from runtime.tomlfile import WORD, TomlFile, parse_toml, read_toml

__all__ = [
    "ARRIVAL",
    "BUILT_IN",
    "DISTRACTORS",
    "EVERYDAY",
    "FINGER_COUNTS",
    "GESTURES",
    "IDLE",
    "RIG",
    "RIG_SCRIPTS",
    "STATIC_SHAPES",
    "SUBTLE",
    "Cue",
    "Script",
    "asks_to_move",
    "load_script",
    "parse_script",
    "schedule",
]

BUILT_IN = (
    "dynamic",
    "finger_count",
    "finger_count_free",
    "finger_count_quick",
    "static_shapes",
    "subtle",
    "everyday",
    "everyday_short",
    "arrival",
    "arrival_short",
    "occupancy",
    "occupancy_quick",
    "occupancy_short",
    "occupancy_visits",
)
RIG_SCRIPTS = ("rig_points", "rig_path", "rig_faults")
"""Built-in scripts for rigs, which move lights: no booth offers them to people."""
GESTURES = (
    "swipe_left",
    "swipe_right",
    "swipe_up",
    "swipe_down",
    "push",
    "pull",
    "circle_clockwise",
    "circle_counterclockwise",
)
IDLE = "idle"
DISTRACTORS = ("distract_wave", "distract_scratch", "distract_pass", "distract_adjust")
FINGER_COUNTS = tuple(f"fingers_{n}" for n in range(6))
STATIC_SHAPES = ("shape_fist", "shape_flat", "shape_pinch", "shape_point", "shape_thumb")
SUBTLE = ("subtle_still", "subtle_tap", "subtle_slide")
ARRIVAL = ("arrive", "away")
RIG = (
    "rig_hold", "rig_path", "rig_two", "rig_three", "rig_none", "rig_outside", "rig_bright",
)  # fmt: skip
"""What a rig with lights does in front of a sensor."""
EVERYDAY = (
    "everyday_empty",
    "everyday_rest",
    "everyday_type",
    "everyday_reach",
    "everyday_talk",
    "everyday_fidget",
    "everyday_objects",
    "everyday_visitor",
    "everyday_light",
    "everyday_pick_up",
    "everyday_walk",
    "everyday_pocket",
)

_MAX_CUES = 10_000
_Word = Annotated[str, Field(pattern=WORD)]
_Seconds = Annotated[float, Field(ge=0.0, le=600.0, allow_inf_nan=False)]


class CueKind(pydantic.BaseModel):
    """One line of a script: a cue and how often it is given.

    Parameters
    ----------
    trial_type : str
        Label of the take, as it is written to the events table.
    repetitions : int
        How often the cue is given, 1 to 1000.
    duration_s : float
        How long the cue stands, seconds; the whole movement belongs inside.
    prompt : str
        What the participant reads; empty for the trial type in plain words.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    trial_type: _Word
    repetitions: int = Field(ge=1, le=1000)
    duration_s: Annotated[float, Field(gt=0.0, le=600.0, allow_inf_nan=False)]
    prompt: str = Field(default="", max_length=80)

    @property
    def text(self) -> str:
        """What the participant reads."""
        return self.prompt or self.trial_type.replace("_", " ")


class Script(pydantic.BaseModel):
    """A cue script; frozen.

    Parameters
    ----------
    name : str
        Task name of the recordings, letters, digits and underscores.
    instruction : str
        Read to the participant before the first cue.
    lead_in_s : float
        Rest before the first cue and after the last, seconds.
    rest_s : tuple of two float
        Shortest and longest rest after each cue, seconds.
    shuffle : bool
        Give the cues in a random order that follows from the seed.
    movement : bool
        A take is a movement, whose start and end are then sought in the readout; false for poses
        that are held, which are labelled by their cue.
    pose_shown : bool
        Participants are shown how each pose is held (a picture, or somebody who does it), and hold
        it so; else each holds it in the way that they are used to.
    cues : tuple of CueKind
        The cues and their repetitions (the key is ``cue`` in the file).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, populate_by_name=True)

    name: _Word
    instruction: str = Field(default="", max_length=400)
    lead_in_s: _Seconds = 1.0
    rest_s: Annotated[tuple[_Seconds, _Seconds], Field(strict=False)] = (0.3, 0.3)
    shuffle: bool = True
    movement: bool = True
    pose_shown: bool = False
    cues: Annotated[tuple[CueKind, ...], Field(alias="cue", min_length=1, strict=False)]

    @pydantic.model_validator(mode="after")
    def _whole(self) -> Script:
        if self.rest_s[0] > self.rest_s[1]:
            raise ValueError("rest_s must give the shortest rest first")
        if self.n_cues > _MAX_CUES:
            raise ValueError(f"the script gives {self.n_cues} cues, at most {_MAX_CUES}")
        return self

    @property
    def n_cues(self) -> int:
        """Cues the whole script gives."""
        return sum(cue.repetitions for cue in self.cues)

    @property
    def trial_types(self) -> tuple[str, ...]:
        """The labels of the script, each once, in the order of the file."""
        return tuple(dict.fromkeys(cue.trial_type for cue in self.cues))

    def text(self, trial_type: str) -> str:
        """Return what the participant reads for a label of this script."""
        return next(cue.text for cue in self.cues if cue.trial_type == trial_type)


@dataclass(frozen=True, slots=True)
class Cue:
    """One cue at its time.

    Parameters
    ----------
    onset_us, duration_us : int
        Start, counted from the first frame pair, and length; microseconds.
    trial_type : str
        Label of the take.
    repetition : int
        How many cues of this label came before it.
    pose_shown : bool
        Whether the participant was shown how the pose is held.
    """

    onset_us: int
    duration_us: int
    trial_type: str
    repetition: int
    pose_shown: bool = False

    @property
    def end_us(self) -> int:
        """When the cue ends, microseconds from the first frame pair."""
        return self.onset_us + self.duration_us


def asks_to_move(trial_type: str) -> bool:
    """Return whether a cue of a script of movements asks for something to move at all."""
    return not trial_type.startswith(IDLE) and trial_type not in (ARRIVAL[1], SUBTLE[0])


def load_script(source: str | Path) -> Script:
    """Read a script: the name of a built-in one, or a TOML file.

    Raises
    ------
    FormatError
        There is no such script, the file is not TOML, or a key is missing, unknown or out of range;
        the message names the line and the key.
    """
    if str(source) in (*BUILT_IN, *RIG_SCRIPTS):
        text = (resources.files("capture") / "scripts" / f"{source}.toml").read_bytes()
        return parse_script(text, str(source))
    expected = f"a TOML file or one of {', '.join(BUILT_IN)}"
    return _script(read_toml(Path(source), expected=expected))


def parse_script(text: bytes, where: str) -> Script:
    """Read a script from the bytes of a TOML file; `where` names it in errors."""
    return _script(parse_toml(text, where))


def _script(file: TomlFile) -> Script:
    with file.faults():
        return Script.model_validate(file.data)


def schedule(script: Script, seed: int) -> tuple[Cue, ...]:
    """Return the cues in the order and at the times that follow from the seed.

    Parameters
    ----------
    script : Script
        What to ask for.
    seed : int
        Seed of the order and of the rests, >= 0; the same seed gives the same cues.

    Returns
    -------
    tuple of Cue
        In order of time; cues never overlap.
    """
    if seed < 0:
        raise UsageError("schedule", "seed", seed, "0 or more")
    rng = np.random.default_rng(seed)
    kinds = [kind for kind in script.cues for _ in range(kind.repetitions)]
    order = rng.permutation(len(kinds)) if script.shuffle else np.arange(len(kinds))
    rests_us = np.rint(1e6 * rng.uniform(*script.rest_s, size=len(kinds))).astype(np.int64)
    given: dict[str, int] = {}
    cues = []
    now_us = round(1e6 * script.lead_in_s)
    for index, rest_us in zip(order, rests_us, strict=True):
        kind = kinds[index]
        repetition = given.get(kind.trial_type, 0)
        given[kind.trial_type] = repetition + 1
        duration_us = round(1e6 * kind.duration_s)
        cues.append(Cue(now_us, duration_us, kind.trial_type, repetition, script.pose_shown))
        now_us += duration_us + int(rest_us)
    return tuple(cues)
