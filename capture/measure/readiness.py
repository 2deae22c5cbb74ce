"""Is this data ready? One line for each thing that is not, with its number and its reason."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from capture.cues.labels import GOOD, Event
from capture.measure.quality import MAX_SATURATED
from capture.measure.rhythm import find_alike
from capture.measure.shared_noise import find_shared_noise
from capture.measure.shared_stretches import find_shared_stretches
from capture.measure.signs import Signs, Twins

__all__ = [
    "FEW_PEOPLE",
    "FEW_TAKES",
    "Caution",
    "Light",
    "few_of_a_class",
    "few_of_a_person",
    "few_takes",
    "judged_light",
    "near_copies",
    "twin_words",
]

NAMED = 5
"""People named in a line; the others are counted."""
MANY_EMPTY = 0.5
"""Where most frames are empty, what is learned of all frames is learned of nothing in view."""
MUCH_FLICKER = 0.1
"""Light falls with the fourth power of the distance: a tenth of it is 2.5 % of the way to a hand,
3 mm at 120 mm, what a still hand moves by itself."""
FEW_TAKES = 20
"""One wrong take of 20 is 5 points; common practice, no source."""
FEW_PEOPLE = 3
"""An interval over two people spans nearly everything."""
FEW_SHARE = 0.25
"""Of the usual number of takes: of a quarter, a person's own share of right ones is known half as
well, and an interval over people counts all alike."""


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to know before a figure is believed.

    Parameters
    ----------
    about : str
        What it is about, one word or two: ``empty frames``.
    value : float
        The number.
    text : str
        One sentence with the number and what to do.
    """

    about: str
    value: float
    text: str

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return dataclasses.asdict(self)


@dataclass(frozen=True, slots=True)
class Light:
    """What is said of the readouts of several recordings, whether it is fit or not.

    Parameters
    ----------
    empty, saturated : float
        Shares of all frame pairs.
    flicker_left : float
        Mains flicker in lit minus dark, as a share of a recording's strong light, of the worst.
    """

    empty: float
    saturated: float
    flicker_left: float

    def __str__(self) -> str:
        """Return all three in words."""
        return (
            f"{self.empty:.1%} of the frame pairs empty (no light came back), "
            f"{self.saturated:.1%} saturated, flicker left in lit minus dark at most "
            f"{self.flicker_left:.1%} of the strong light"
        )


def judged_light(signs: Sequence[Signs]) -> tuple[Light, list[Caution]]:
    """Return the light of several recordings together, and what is not fit of it.

    Empty, saturated and flickering frames each are one caution.

    Parameters
    ----------
    signs : sequence of Signs
        At least one.
    """
    flickers = [each.flicker_left() for each in signs]
    n_frames = max(1, sum(len(each.values) for each in signs))
    light = Light(
        sum(int(each.empty.sum()) for each in signs) / n_frames,
        sum(int(each.saturated.sum()) for each in signs) / n_frames,
        max(share for _, share in flickers),
    )
    empty, saturated = light.empty, light.saturated
    found = []
    if empty > MANY_EMPTY:
        found.append(
            Caution(
                "empty frames", round(empty, 6),
                f"{empty:.0%} of the frames are empty: no light came back. Is a hand in "
                "view when it should be, and the LED on?",
            )
        )  # fmt: skip
    if saturated > MAX_SATURATED:
        found.append(
            Caution(
                "saturated frames", round(saturated, 6),
                f"{saturated:.0%} of the frames are saturated (more than 1 % of their lit pixels): "
                "lower the exposure or the LED's current.",
            )
        )  # fmt: skip
    worst_hz, worst = max(flickers, key=lambda found: found[1])
    n_flickering = sum(share > MUCH_FLICKER for _, share in flickers)
    if n_flickering and worst_hz is not None:
        found.append(
            Caution(
                "flicker left", round(worst, 6),
                f"Mains flicker of {worst_hz:.0f} Hz is left in lit minus dark, up to {worst:.0%} "
                f"of a recording's strong light, in {n_flickering} of {len(signs)} recordings: "
                "bring the dark exposure closer to the lit one.",
            )
        )  # fmt: skip
    return light, found


def few_of_a_class(events: Iterable[tuple[str, Event]]) -> list[Caution]:
    """Judge how much there is of each label: takes, and people who gave them.

    Parameters
    ----------
    events : iterable of (participant, Event)
    """
    people: dict[str, list[str]] = {}
    for participant, event in events:
        if event.status == GOOD:
            people.setdefault(event.trial_type, []).append(participant)
    few: dict[tuple[int, int], list[str]] = {}
    for label, givers in sorted(people.items()):
        n_people = len(set(givers))
        # A stretch of everyday time is one long event: its takes say nothing.
        too_few = len(givers) < FEW_TAKES and not label.startswith("everyday")
        if n_people < FEW_PEOPLE or too_few:
            few.setdefault((len(givers), n_people), []).append(label)
    found = [few_takes(labels, *counts) for counts, labels in few.items()]
    if len(people) == 1:
        ((label, givers),) = people.items()
        found.append(
            Caution(
                "one label", 1.0,
                f"all {len(givers)} good takes are labelled {label}: there is no second label to "
                "tell it from. Record others, idle among them, unless a quantity is measured.",
            )
        )  # fmt: skip
    return found + few_of_a_person(who for givers in people.values() for who in givers)


def few_of_a_person(givers: Iterable[str]) -> list[Caution]:
    """Say who gave far fewer takes than people usually did.

    Parameters
    ----------
    givers : iterable of str
        Whose each take is.
    """
    counts = Counter(givers)
    usual = median(counts.values()) if counts else 0.0
    few = {who: n for who, n in sorted(counts.items()) if n < FEW_SHARE * usual}
    if not few:
        return []
    named = [f"{who} ({n} {'take' if n == 1 else 'takes'})" for who, n in few.items()]
    more = f" and {len(named) - NAMED} more" if len(named) > NAMED else ""
    return [
        Caution(
            "uneven takes", float(min(few.values())),
            f"{', '.join(named[:NAMED])}{more} gave less than a quarter of what people usually did "
            f"({usual:g}): an interval over people takes their share of right takes to be known as "
            "well as others'.",
        )
    ]  # fmt: skip


def few_takes(labels: Sequence[str], n_takes: int, n_people: int, side: str = "") -> Caution:
    """Say that there is little of each label; `side` tells training people from locked ones."""
    people = "person" if n_people == 1 else "people"
    name = labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
    each = "" if len(labels) == 1 else "each "
    return Caution(
        "few takes", float(n_takes),
        f"{name}: {each}{n_takes} {'takes' if side else 'good takes'} of {n_people} "
        f"{f'{side} {people}' if side else people}; below {FEW_TAKES} takes or {FEW_PEOPLE} people "
        "its figures say little.",
    )  # fmt: skip


def near_copies(
    people: Sequence[str],
    names: Sequence[str],
    signs: Sequence[Signs],
    told: Sequence[Twins] = (),
) -> list[Caution]:
    """Say which recordings of different people share their noise, or move together.

    Parameters
    ----------
    people, names : sequence of str
        Whose each recording is, and what it is called.
    signs : sequence of Signs
    told : sequence of Twins
        Said of already: true copies are not told once more.
    """
    known = {(twins.first, twins.second) for twins in told}
    found: dict[tuple[int, int], tuple[float, str]] = {}
    for alike in find_alike(people, signs):
        why = (
            f"go up and down together ({alike.share:.0%} of the shorter one's movements, "
            "to the frame)"
        )
        found[alike.first, alike.second] = alike.share, why
    for alike in find_shared_noise(people, signs):
        why = f"change alike from frame to frame ({alike.share:.0%}, noise and all), as copies do"
        found.setdefault((alike.first, alike.second), (alike.share, why))
    for alike in find_shared_stretches(people, signs):
        why = (
            f"hold the same noise in stretches of frames ({alike.share:.0%} of the shorter one at "
            "least), as copies do of which frames were left out"
        )
        found.setdefault((alike.first, alike.second), (alike.share, why))
    return [
        Caution(
            "near copies", round(share, 6),
            f"{names[first]} and {names[second]} {why}: one person under two names? Keep one of "
            "them, or figures on either are of somebody known.",
        )
        for (first, second), (share, why) in found.items()
        if (first, second) not in known
    ]  # fmt: skip


def twin_words(twins: Twins, names: Sequence[str]) -> str:
    """Say which two recordings hold the same frames."""
    return (
        f"{names[twins.first]} and {names[twins.second]} hold the same frames "
        f"({twins.share:.0%} of the shorter one): one recording under two names"
    )
