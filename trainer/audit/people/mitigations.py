"""Mitigations with their price: what is left to an attacker, and what it costs.

Each is one change of the model's recipe, refitted to the same people as the recipe itself. The leak
is that of the step where it takes effect; accuracy is compared take by take on people held out in
turn; power is a budget of each. Noise is put on what leaves the device, after all else.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from runtime.budget import budget
from runtime.budget.assemble import Computation
from runtime.model import save_model
from runtime.sample_frames import write_test_frames
from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import Finding, strongest
from trainer.audit.people.changes import PLAIN, Change, changes_of, held_at, summed, with_change
from trainer.audit.people.enrolled import Seen
from trainer.audit.people.identity import identify
from trainer.audit.people.noise import chance_of_truth, noised_answers
from trainer.audit.steps import MOST_PEOPLE, evenly
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import fold_jobs, takes_of
from trainer.fit.pipeline import Fitted, assemble_model
from trainer.judge.evaluate import Takes, difference, rounded_figure
from trainer.judge.events import Margins
from trainer.judge.intervals import difference_over_participants
from trainer.recipe import Recipe
from trainer.work.jobs import LocalWorkers, Workers, run_jobs

__all__ = ["EPSILONS", "Mitigation", "weigh_mitigations"]

EPSILONS = (1.0, 3.0)
"""Of one told answer: a promise worth the name (a chance moved by at most e), and one under which
most answers are still told as they are (common practice, no source)."""
N_FOLDS = 3
"""As few as leave two thirds of the people to learn from: each change is refitted so often."""
N_FRAMES = 40
ANSWER = "answer"
SEED = 1


@dataclass(frozen=True, slots=True)
class Mitigation:
    """What a mitigation leaves and costs.

    Parameters
    ----------
    name : str
    step : str
        Where it takes effect, and is attacked.
    before, after : Finding
        The strongest attacker on identity there, from ten takes, without and with it.
    accuracy : dict
        ``value``, ``low``, ``high``: accuracy with it less that without, paired over
        ``n_participants`` people held out in turn.
    change_uw : float or None
        Medians of average power over a day, with it less without; None where it is not counted.
    epsilon : float or None
        Of one told answer; None where none can be stated.
    note : str
        What else is to be known.
    """

    name: str
    step: str
    before: Finding
    after: Finding
    accuracy: dict[str, float | int]
    change_uw: float | None
    epsilon: float | None = None
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "name": self.name, "step": self.step, "before": self.before.to_json(),
            "after": self.after.to_json(), "accuracy": self.accuracy,
            "change_uw": self.change_uw, "epsilon": self.epsilon, "note": self.note,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Tried:
    """A change made: fitted to everybody, and asked about everybody in turn.

    `recordings` are those of the people whom attackers are asked to name.
    """

    change: Change
    recordings: tuple[Reduced, ...]
    fitted: Fitted
    takes: Takes


def weigh_mitigations(
    data: Path,
    recipe: Recipe,
    workers: Workers | None = None,
    tell: Callable[[str], None] = lambda _: None,
    *,
    priced: bool = True,
) -> list[Mitigation]:
    """Return every mitigation that a recipe leaves room for, with its price.

    Parameters
    ----------
    data : pathlib.Path
        Data set; some of its people have to be locked. They are not learned from.
    recipe : Recipe
        Of the model that is audited.
    workers : Workers, optional
        Who fits; this process by default.
    tell : callable, optional
        Is told how far it is.
    priced : bool
        Whether power is worked out, for which each change is compiled and executed.

    Raises
    ------
    UsageError
        The data set has too few people, or the recipe's classes are not in it.
    FormatError
        The data set or a recording is not readable.
    """
    own = workers or LocalWorkers()
    candidate = reduce_for(data.absolute(), [recipe], own, tell)[0]
    plain = Change(PLAIN, "", candidate.recipe)
    changes = [plain, *changes_of(candidate.recipe, candidate.entry)]
    tried = [_try(candidate, change, own, tell) for change in changes]
    first, powers = tried[0], [None if not priced else _power(candidate, t) for t in tried]
    found = []
    for one, power in zip(tried[1:], powers[1:], strict=True):
        tell(f"what is left with {one.change.name}")
        before, after = (_leak(each, one.change.step) for each in (first, one))
        uw = None if power is None or powers[0] is None else round(power - powers[0], 4)
        accuracy = difference(one.takes, first.takes)
        found.append(Mitigation(one.change.name, one.change.step, before, after, accuracy, uw))
    return [*found, *_with_noise(first, len(candidate.recipe.answers))]


def _try(
    candidate: Candidate, change: Change, workers: Workers, tell: Callable[[str], None]
) -> _Tried:
    tell(f"fitting {change.name}")
    job = with_change(candidate.fit(), change)
    folds = fold_jobs(job, N_FOLDS)
    fitted = run_jobs([job], workers)[0]
    answers = run_jobs(folds, workers)
    recordings = tuple(
        r if change.coarser == 1 else summed(r, candidate.entry, change.coarser)
        for r in _asked(candidate.main)
    )
    return _Tried(change, recordings, fitted, takes_of(folds, answers))


def _asked(recordings: Sequence[Reduced]) -> list[Reduced]:
    """Return the recordings with takes of as many people as an audit asks about, evenly."""
    with_takes = [r for r in recordings if r.takes]
    people = list(dict.fromkeys(r.recording.participant for r in with_takes))
    chosen = set(evenly(people, MOST_PEOPLE))
    return [r for r in with_takes if r.recording.participant in chosen]


def _leak(tried: _Tried, step: str) -> Finding:
    """Return the strongest attacker's finding on identity at a step, from ten takes."""
    values = [
        held_at(tried.fitted, recording, step, tried.change.recipe)
        for recording in tried.recordings
    ]
    return _told(tried.recordings, np.concatenate(values).astype(np.float64), step)


def _told(recordings: Sequence[Reduced], values: Float64, step: str) -> Finding:
    """Return what the strongest attacker tells of identity from ten takes, of values of a step."""
    return strongest(identify(_seen(recordings, values), step))[-1]


def _seen(recordings: Sequence[Reduced], values: Float64) -> Seen:
    marks = [
        (r.recording.participant, r.recording.path.name.partition("_task-")[0], cue)
        for r in recordings
        for cue, _ in r.takes
    ]
    people, sessions, cues = zip(*marks, strict=True)
    return Seen(
        values, np.array(people), np.array(sessions), np.array([str(c.label) for c in cues]),
        np.array([float(c.start) for c in cues]),
    )  # fmt: skip


def _power(candidate: Candidate, tried: _Tried) -> float:
    """Return the median of average power over a day, microwatts."""
    recipe, sensor = tried.change.recipe, candidate.corpus.sensor
    nothing = Margins(0.0, (0.0,) * len(recipe.classes))
    model = assemble_model(recipe, sensor, tried.fitted, nothing, {"made by": "an audit"})
    frames = next(candidate.main[0].recording.readouts())[:N_FRAMES]
    with tempfile.TemporaryDirectory(prefix="palmwatt-audit-") as folder:
        save_model(model, Path(folder))
        write_test_frames(Path(folder), frames.lit, frames.dark)
        return budget(folder, cores=(), computation=Computation()).average_uw.median


def _with_noise(plain: _Tried, n_answers: int) -> list[Mitigation]:
    """Return randomised response on the answer that is told of each take."""
    answers = np.concatenate([_answers(plain, recording) for recording in plain.recordings])
    codes = np.eye(n_answers)
    before = _told(plain.recordings, codes[answers], ANSWER)
    found = []
    for epsilon in EPSILONS:
        told = noised_answers(answers, n_answers, epsilon, np.random.default_rng(SEED))
        after = _told(plain.recordings, codes[told], ANSWER)
        found.append(
            Mitigation(
                f"randomised response, epsilon {epsilon:g} an answer", ANSWER, before, after,
                _accuracy_with_noise(plain.takes, n_answers, epsilon), None, epsilon,
                f"The epsilons of several answers add up: {epsilon * 10:g} of ten. They hold of "
                "what is told, and not of whether and when: a device that keeps silent where it is "
                "not sure, or answers when somebody comes, tells so much beside. Not in the "
                "emitted firmware, which has no random source: its power is not counted.",
            )
        )  # fmt: skip
    return found


def _answers(tried: _Tried, recording: Reduced) -> Int64:
    scores = tried.fitted.whole.run(recording.values)
    judged = recording.judged_frames(scores, tried.change.recipe)
    return np.asarray(scores[judged].argmax(axis=1), dtype=np.int64)


def _accuracy_with_noise(takes: Takes, n_answers: int, epsilon: float) -> dict[str, float | int]:
    """Return how much accuracy randomised response takes, as expected: no draw is needed."""
    truth = chance_of_truth(n_answers, epsilon)
    by_chance = (1.0 - truth) / (n_answers - 1)
    right = (takes.labels == takes.answers).astype(np.float64)
    people = np.array(takes.participants)
    before = [float(right[people == name].mean()) for name in np.unique(people)]
    after = [truth * share + by_chance * (1.0 - share) for share in before]
    interval = difference_over_participants(after, before, len(right))
    value = float((truth * right + by_chance * (1.0 - right) - right).mean())
    figure = rounded_figure(value, interval)
    return {**figure, "n_participants": len(before), "n_takes": len(right)}
