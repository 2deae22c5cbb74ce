"""Plain classifiers asked about the same people and takes: what a recipe has to come up to.

They get a generous deal. A gesture is seen over the whole of its cue, in sixteen steps, which a
device cannot know the beginning of; a pose is seen as the mean over the cue's last 0.4 s. Nothing
about them is tuned to any world: they are the same for all, with the libraries' usual settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.decomposition import PCA
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from trainer.recipe import Recipe
from worlds.product import open_dataset, read_session

__all__ = ["PEERS", "Takes", "ask_peers", "read_takes"]

Singles = NDArray[np.float32]
STEPS, AFTER_S = 16, 0.15
HELD_S = 0.4
BINS, QUADRANTS = 8, 2
COMPONENTS = {True: 24, False: 60}
"""Of one step of a gesture, and of a pose."""
PEERS = (
    "8x8 bins, extra trees",
    "principal components, RBF SVM",
    "four quadrants, extra trees",
    "four quadrants, RBF SVM",
)


@dataclass(frozen=True)
class Takes:
    """Takes of a data set, as peers see them.

    Parameters
    ----------
    readouts : float32 (n_takes, n_steps, n_rows, n_cols)
        Lit minus dark, mean over each step.
    labels : int64 (n_takes,)
    locked : bool (n_takes,)
    moves : bool
        Gestures rather than poses.
    """

    readouts: Singles
    labels: NDArray[np.int64]
    locked: NDArray[np.bool_]
    moves: bool


def read_takes(folder: Path, recipe: Recipe) -> Takes:
    """Read the takes that a recipe would learn from and be judged by."""
    dataset = open_dataset(folder)
    locked = {person.participant_id: person.locked for person in dataset.participants}
    moves = recipe.evaluation.take_end == "movement"
    readouts, labels, sides = [], [], []
    for info in dataset.sessions:
        session = read_session(info.path)
        wanted = [
            (event, recipe.class_index(event.trial_type))
            for event in session.events
            if not recipe.is_background(event.trial_type)
        ]
        if not any(label is not None for _, label in wanted):
            continue
        block = session.frames()
        time_s = (block.time_us - block.time_us[0]) / 1e6
        for event, label in wanted:
            if label is None:
                continue
            onset_s = event.onset_s if event.cue_onset_s is None else event.cue_onset_s
            lasting_s = event.cue_duration_s or event.duration_s
            end_s = onset_s + lasting_s
            edges = np.linspace(onset_s, end_s + AFTER_S, STEPS + 1) if moves else np.array(
                [end_s - HELD_S, end_s]
            )  # fmt: skip
            bounds = np.searchsorted(time_s, edges)
            steps = [
                block.lit[a : max(b, a + 1)].mean(axis=0, dtype=np.float32)
                - block.dark[a : max(b, a + 1)].mean(axis=0, dtype=np.float32)
                for a, b in pairwise(bounds)
            ]
            readouts.append(np.stack(steps))
            labels.append(label)
            sides.append(locked[info.participant_id])
    return Takes(np.stack(readouts), np.array(labels), np.array(sides), moves)


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


def _components(takes: Takes, train: NDArray[np.bool_], seed: int) -> Singles:
    """Return the strongest directions of the pixels' shares, found on training people."""
    n_takes, n_steps = takes.readouts.shape[:2]
    pixels = _shares(takes.readouts.reshape(n_takes, n_steps, -1), train)
    seen, level = pixels[:, :, :-1], pixels[:, :, -1:]
    n_components = min(COMPONENTS[takes.moves], n_steps * int(train.sum()) - 1)
    pca = PCA(n_components, svd_solver="randomized", random_state=seed)
    pca.fit(seen[train].reshape(-1, seen.shape[2]))
    found = pca.transform(seen.reshape(-1, seen.shape[2])).reshape(n_takes, n_steps, -1)
    return np.concatenate([found, level], axis=2)


def ask_peers(takes: Takes, seed: int = 0) -> dict[str, NDArray[np.int64]]:
    """Return each peer's answers about the locked people's takes; it has learned the others'."""
    train = ~takes.locked
    bins = _shares(_binned(takes.readouts, BINS), train)
    quadrants = _shares(_binned(takes.readouts, QUADRANTS), train)
    answers = {}
    for name, features, kind in (
        (PEERS[0], bins, "trees"),
        (PEERS[1], _components(takes, train, seed), "svm"),
        (PEERS[2], quadrants, "trees"),
        (PEERS[3], quadrants, "svm"),
    ):
        flat = features.reshape(len(features), -1)
        if kind == "trees":
            model = ExtraTreesClassifier(400, random_state=seed)
        elif features is quadrants:
            model = make_pipeline(StandardScaler(), SVC(C=10.0))
        else:  # brought to one scale by the kernel: each to its own would make weak ones strong
            model = SVC(C=10.0)
        model.fit(flat[train], takes.labels[train])
        answers[name] = np.asarray(model.predict(flat[takes.locked]), dtype=np.int64)
    return answers
