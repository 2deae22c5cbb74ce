"""Plain learners asked about the same people and takes: what a recipe has to come up to.

They get a generous deal. A gesture is seen over the whole of its cue, in sixteen steps, which a
device cannot know the beginning of; a pose is seen as the mean over the cue's last 0.4 s, and a
small unrest by how much each value varies over its last 1.6 s. Nothing about them is tuned to any
world: they are the same for all, with the libraries' usual settings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.compose import TransformedTargetRegressor
from sklearn.decomposition import PCA
from sklearn.ensemble import ExtraTreesClassifier, ExtraTreesRegressor
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC, SVR

from trainer.recipe import Recipe
from worlds.product import Event, Session, open_dataset, read_session

__all__ = ["PEERS", "Sight", "Takes", "ask_peers", "read_takes"]

Singles = NDArray[np.float32]
STEPS, AFTER_S = 16, 0.15
HELD_S, UNREST_S = 0.4, 1.6
BINS, QUADRANTS = 8, 2
PEERS = (
    "8x8 bins, extra trees",
    "principal components, RBF SVM",
    "four quadrants, extra trees",
    "four quadrants, RBF SVM",
)


class Sight(Enum):
    """How a take is looked at."""

    MOVEMENT = "movement"
    POSE = "pose"
    UNREST = "unrest"


COMPONENTS = {Sight.MOVEMENT: 24, Sight.POSE: 60, Sight.UNREST: 24}
"""Of one step of a gesture, of a pose, and of the ways to vary."""


@dataclass(frozen=True)
class Takes:
    """Takes of a data set, as peers see them.

    Parameters
    ----------
    readouts : float32 (n_takes, n_steps, n_rows, n_cols)
        Lit minus dark: mean over each step of a gesture, over a pose, each frame of an unrest.
    truth : int64 or float64 (n_takes,)
        Classes; of a quantity, its value.
    people : str array (n_takes,)
    locked : bool (n_takes,)
    sight : Sight
    """

    readouts: Singles
    truth: NDArray[Any]
    people: NDArray[np.str_]
    locked: NDArray[np.bool_]
    sight: Sight

    @property
    def of_classes(self) -> bool:
        """Whether the truth is one of several answers, and no number."""
        return self.truth.dtype.kind == "i"


def read_takes(folder: Path, recipe: Recipe, *, looked_at: bool = True) -> Takes:
    """Read the takes that a recipe would learn from and be judged by.

    Where nobody looks at them, what was asked is read without the readouts, which are then empty.
    """
    dataset = open_dataset(folder)
    locked = {person.participant_id: person.locked for person in dataset.participants}
    sight = _sight(recipe)
    found = [
        (readouts, truth, info.participant_id)
        for info in dataset.sessions
        for readouts, truth in _takes_of(
            read_session(info.path), recipe, sight if looked_at else None
        )
    ]
    n_steps = min(
        len(readouts) for readouts, _, _ in found
    )  # all alike, but for a frame's rounding
    people = np.array([person for _, _, person in found])
    return Takes(
        np.stack([readouts[-n_steps:] for readouts, _, _ in found]),
        np.array([truth for _, truth, _ in found]),
        people,
        np.array([locked[person] for person in people]),
        sight,
    )


def _sight(recipe: Recipe) -> Sight:
    if recipe.evaluation.take_end == "movement":
        return Sight.MOVEMENT
    return Sight.UNREST if recipe.features.swing_frames else Sight.POSE


def _takes_of(
    session: Session, recipe: Recipe, sight: Sight | None
) -> Iterator[tuple[Singles, int | float]]:
    """Yield what is seen of each take, float32 (n_steps, n_rows, n_cols), and its truth."""
    wanted: list[tuple[Event, int]] = []
    for event in session.events:
        label = recipe.class_index(event.trial_type)
        if label is not None and not recipe.is_background(event.trial_type):
            wanted.append((event, label))
    if not wanted:
        return
    if sight is None:
        yield from (
            (np.zeros((0, 0, 0), np.float32), _truth(session, recipe, k)) for _, k in wanted
        )
        return
    block = session.frames()
    time_s = (block.time_us - block.time_us[0]) / 1e6
    for event, label in wanted:
        onset_s = event.onset_s if event.cue_onset_s is None else event.cue_onset_s
        end_s = onset_s + (event.cue_duration_s or event.duration_s)
        if sight is Sight.MOVEMENT:
            edges = np.linspace(onset_s, end_s + AFTER_S, STEPS + 1)
        elif sight is Sight.POSE:
            edges = np.array([end_s - HELD_S, end_s])
        else:
            edges = np.arange(end_s - UNREST_S, end_s, session.sensor.frame_period_us / 1e6)
        bounds = np.searchsorted(time_s, edges)
        steps = [
            block.lit[a : max(b, a + 1)].mean(axis=0, dtype=np.float32)
            - block.dark[a : max(b, a + 1)].mean(axis=0, dtype=np.float32)
            for a, b in pairwise(bounds)
        ]
        yield np.stack(steps), _truth(session, recipe, label)


def _truth(session: Session, recipe: Recipe, label: int) -> int | float:
    truth = label if recipe.quantity is None else session.distance_mm
    assert truth is not None
    return truth


def _binned(readouts: Singles, n_bins: int) -> Singles:
    """Sum over bins as equal as the sides allow, float32 (n_takes, n_steps, n_bins ** 2)."""
    for axis in (2, 3):
        starts = np.arange(n_bins) * readouts.shape[axis] // n_bins
        readouts = np.add.reduceat(readouts, starts, axis=axis)
    return readouts.reshape(*readouts.shape[:2], -1)


def _shares(values: Singles, train: NDArray[np.bool_]) -> Singles:
    """Take values as shares of their take's light, and add each step's light, as a logarithm."""
    light = values.sum(axis=2)
    usual = float(np.median(np.abs(light[train])))
    whole = np.maximum(np.abs(light).mean(axis=1), 0.02 * usual)[:, None, None]
    level = np.log(np.maximum(light, 0.01 * usual) / usual)[:, :, None]
    return np.concatenate([values / whole * values.shape[2], level], axis=2)


def _variation(values: Singles) -> Singles:
    """Return the logarithm of each value's spread over its take, float32 (n_takes, 1, n_values)."""
    return np.log(np.maximum(values.std(axis=1, keepdims=True), 1e-6))


def _features(values: Singles, takes: Takes, train: NDArray[np.bool_]) -> Singles:
    shares = _shares(values, train)
    return _variation(shares) if takes.sight is Sight.UNREST else shares


def _components(takes: Takes, train: NDArray[np.bool_], seed: int) -> Singles:
    """Return the strongest directions of the pixels' shares, found on training people."""
    n_takes, n_steps = takes.readouts.shape[:2]
    pixels = _shares(takes.readouts.reshape(n_takes, n_steps, -1), train)
    seen, level = pixels[:, :, :-1], pixels[:, :, -1:]
    if takes.sight is Sight.UNREST:  # what stays the same in a take says nothing of unrest
        seen = seen - seen.mean(axis=1, keepdims=True)
    n_components = min(COMPONENTS[takes.sight], n_steps * int(train.sum()) - 1)
    pca = PCA(n_components, svd_solver="randomized", random_state=seed)
    pca.fit(seen[train].reshape(-1, seen.shape[2]))
    found = pca.transform(seen.reshape(-1, seen.shape[2])).reshape(n_takes, n_steps, -1)
    if takes.sight is Sight.UNREST:
        return _variation(np.concatenate([found, level], axis=2))
    return np.concatenate([found, level], axis=2)


def ask_peers(takes: Takes, seed: int = 0) -> dict[str, NDArray[Any]]:
    """Return each peer's answers about the locked people's takes; it has learned the others'."""
    train = ~takes.locked
    bins = _features(_binned(takes.readouts, BINS), takes, train)
    quadrants = _features(_binned(takes.readouts, QUADRANTS), takes, train)
    answers = {}
    for name, features, kind in (
        (PEERS[0], bins, "trees"),
        (PEERS[1], _components(takes, train, seed), "svm"),
        (PEERS[2], quadrants, "trees"),
        (PEERS[3], quadrants, "svm"),
    ):
        flat = features.reshape(len(features), -1)
        # Components are brought to one scale by the kernel: each to its own would make weak ones
        # strong. Of variations, as logarithms, there are no weak ones.
        to_scale = features is quadrants or takes.sight is Sight.UNREST
        model = _learner(takes, kind, to_scale, seed)
        model.fit(flat[train], takes.truth[train])
        answers[name] = np.asarray(model.predict(flat[takes.locked]), dtype=takes.truth.dtype)
    return answers


def _learner(takes: Takes, kind: str, to_scale: bool, seed: int) -> Any:
    if kind == "trees":
        trees = ExtraTreesClassifier if takes.of_classes else ExtraTreesRegressor
        return trees(400, random_state=seed)
    machine = SVC(C=10.0) if takes.of_classes else SVR(C=10.0)
    model = make_pipeline(StandardScaler(), machine) if to_scale else machine
    if takes.of_classes:
        return model
    return TransformedTargetRegressor(model, transformer=StandardScaler())
