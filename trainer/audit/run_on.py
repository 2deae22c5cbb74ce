"""Steps that follow from another: whoever listens at one and has the model works them out.

What a step gives away, each step before gives away as well, since nothing is learned by working on
what is known already (T. M. Cover and J. A. Thomas, Elements of Information Theory, second edition
2006, section 2.8, Data-Processing Inequality; from memory). An attacker that is weak at a step of
many values may be strong at a later one, where the chain has done a part of its work; so the
strongest at a step is sought among all that it can run on to. None of them attacks anything again.

Who listens at a step hears every frame of it. From these, and the state that the model starts
with, all that stages after it give and keep follows; where no stage between keeps more than the
last frame, from a single one alone. Who dumps a state has it after some frames and not between
them. What lies in it in plain follows, and from a frame in it whatever such stages make of it.
What a device has learned from takes that nobody listened to does not follow from others, and is no
step here.
"""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from runtime.fixedpoint import round_shift
from trainer.audit.chain import MEMORY, RAW, Floats, Step, flat_state, places_of
from trainer.audit.findings import Finding
from trainer.audit.steps import ChainTakes

__all__ = ["Later", "later_steps", "run_on"]

Later = Mapping[str, Mapping[str, str]]
"""By step: those that follow from it, in order, each with what has to be known besides."""

SAME_FRAMES = "the model"
_SHIFTS = tuple(range(17))
"""Bits by which a stage may round what it keeps: a sum of so many bits more than its values' 16 is
too wide for the 32 that every stage has."""
EVERY_FRAME = "the model, and every frame since the device was switched on"


def later_steps(takes: ChainTakes) -> Later:
    """Return the steps that follow from each.

    That a stage works on the difference of both exposures alone, and that a state holds a step's
    values in plain, and that a stage keeps a single frame, is seen in the takes; all else is the
    order of the chain.

    Parameters
    ----------
    takes : ChainTakes
        What every step held.
    """
    model, steps = takes.model, takes.steps
    places = places_of(model)
    inside = {step.name: list(_inside(takes.frames, steps, step)) for step in steps}
    keeps = [not _forgets(takes, place) for place in range(len(model.stages))]
    at_once = {step.name: list(_at_once(places, steps, keeps, step)) for step in steps}
    always = {
        step.name: [other.name for other in steps if places.get(other.name, -1) > places[step.name]]
        for step in steps
        if step.role == "values" or step.name == RAW
    }
    if not _of_difference(takes):
        at_once[RAW] = always[RAW] = []
    found: dict[str, dict[str, str]] = {}
    for step in steps:
        same = _closed({step.name}, (inside, at_once))
        every = _closed(same, (inside, at_once, always)) if step.name in always else same
        found[step.name] = {
            other.name: SAME_FRAMES if other.name in same else EVERY_FRAME
            for other in steps
            if other is not step and other.name in every
        }
    return found


def run_on(findings: Sequence[Finding], later: Later) -> list[Finding]:
    """Return what attackers find at each step by running it on to those that follow from it.

    Interval and verdict are those of the step where it was found, which hold for all attackers at
    all steps together: chance makes a leak of a question as seldom as if one had been tried at one
    step. Of what nobody can tell there, nothing is told here.
    """
    by_step: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.told != "cannot tell":
            by_step[finding.step].append(finding)
    return [
        dataclasses.replace(
            finding, step=step, run_on_to=other, knows=f"{finding.knows}; {besides}"
        )
        for step, others in later.items()
        for other, besides in others.items()
        for finding in by_step[other]
    ]


def _closed(names: set[str], follows: Sequence[Mapping[str, Sequence[str]]]) -> set[str]:
    """Return steps and all that follows from them, and from those again, in one way or another."""
    found, left = set(names), list(names)
    while left:
        name = left.pop()
        fresh = {other for way in follows for other in way.get(name, ())} - found
        found |= fresh
        left += fresh
    return found


def _at_once(
    places: Mapping[str, int], steps: Sequence[Step], keeps: Sequence[bool], step: Step
) -> Iterator[str]:
    """Yield the steps that follow from a single frame of it, as no stage between keeps others."""
    if step.role != "values" and step.name != RAW:
        return
    for other in steps:
        place = places.get(other.name, -1)
        between = keeps[places[step.name] + 1 : place + 1]
        # What is told is the last event so far, of whichever frame; all memory is of all stages.
        if other.role != "told" and other.name != MEMORY and between and not any(between):
            yield other.name


def _forgets(takes: ChainTakes, place: int) -> bool:
    """Tell whether a stage gives and keeps after a frame what it would had there been no other."""
    stage = takes.model.stages[place]
    first = stage.initial_state()
    if not first:
        return True
    at = {index: name for name, index in reversed(places_of(takes.model).items()) if name != MEMORY}
    kept = {index: name for name, index in places_of(takes.model).items() if name != MEMORY}
    given, out, state = (
        takes.frames[name].reshape(-1, takes.frames[name].shape[-1])
        for name in (at[place - 1], at[place], kept[place])
    )
    for frame, y, own in zip(given.astype(np.int32), out, state, strict=True):
        answer, after = stage.run(frame[None], first)
        if not np.array_equal(answer[0], y) or not np.array_equal(flat_state(after), own):
            return False
    return True


def _inside(frames: Mapping[str, Floats], steps: Sequence[Step], step: Step) -> Iterator[str]:
    """Yield the steps whose values lie side by side among its own, after every frame heard.

    So do values that a stage keeps in full and gives rounded, as one that sums frames up does.
    """
    if step.role not in ("values", "state"):
        return
    outer = frames[step.name]
    for other in steps:
        inner = frames[other.name]
        if other is step or other.role not in ("values", "state"):
            continue
        shifts = _SHIFTS if step.role == "state" else _SHIFTS[:1]
        if any(_lies_in(outer, inner, shift) for shift in shifts):
            yield other.name


def _lies_in(outer: Floats, inner: Floats, shift: int) -> bool:
    """Tell whether values are some of others, shifted right by so many bits; both of each take."""
    width, some = inner.shape[-1], round_shift(outer[0].astype(np.int64), shift)
    return any(
        np.array_equal(some[:, first : first + width], inner[0])
        and np.array_equal(
            round_shift(outer[:, :, first : first + width].astype(np.int64), shift), inner
        )
        for first in range(outer.shape[-1] - width + 1)
    )


def _of_difference(takes: ChainTakes) -> bool:
    """Tell whether the entry stage gives of the difference what it gives of both exposures."""
    raw, entry = takes.frames[RAW], takes.model.entry
    name = next(name for name, place in places_of(takes.model).items() if place == 0)
    given = entry.run_difference(raw.reshape(-1, raw.shape[-1]).astype(np.int32))
    return np.array_equal(given, takes.frames[name].reshape(given.shape))
