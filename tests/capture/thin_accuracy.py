"""Whether models cannot tell thinned readouts from those recorded anew: equivalence over people.

People show fingers; a linear classifier learns from some of them and is asked about others, on sums
over 8 by 8 bins. It learns from thinned readouts and is asked about recorded ones, the other way
round, and learns and is asked about recorded ones: people's shares of right answers are compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from rerecorded import Scene
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.model_selection import GroupKFold
from statsmodels.stats.weightstats import ttost_paired
from thin_moments import N_BINS
from threadpoolctl import threadpool_limits

from capture.frames import FrameBlock
from capture.thin.setting import Setting
from capture.thin.thinned import thinned

Floats = npt.NDArray[np.float64]
MARGIN = 0.02
HELD_S = 0.4
N_FOLDS = 4


@dataclass(frozen=True)
class Equivalence:
    """Shares of right answers, mean over people, and how sure it is that they are the same.

    Parameters
    ----------
    anew, asked_anew, asked_thinned : float
        Learned from and asked about recorded readouts; learned from thinned, asked about recorded
        ones; learned from recorded, asked about thinned ones.
    p_asked_anew, p_asked_thinned : float
        Of two one-sided paired t tests over people (Schuirmann, 1987; from memory), that the share
        differs from `anew` by 2 points or more.
    errors : (float, float)
        Standard errors of both differences.
    """

    anew: float
    asked_anew: float
    asked_thinned: float
    p_asked_anew: float
    p_asked_thinned: float
    errors: tuple[float, float]

    @property
    def holds(self) -> bool:
        """Whether both differences are below the margin, at 5 %."""
        return max(self.p_asked_anew, self.p_asked_thinned) < 0.05


def equivalence(scenes: Sequence[Scene], setting: Setting, n_noises: int) -> Equivalence:
    """Compare models over people; each scene is recorded so often, with noise of its own."""
    anew, thin, labels, people = [], [], [], []
    for number, scene in enumerate(scenes):
        own_anew, own_thin = [], []
        for noise in range(n_noises):
            again = scene.record(setting, 1000 + noise)
            full = scene.record(Setting(), 2000 + noise)
            rng = np.random.default_rng([noise, number])
            weak = FrameBlock.concatenate(list(thinned([full], scene.sensor, setting, rng)))
            own_anew.append(_takes(scene, again))
            own_thin.append(_takes(scene, weak))
        anew.append(np.stack(own_anew, axis=1))  # (n_takes, n_noises, n_values)
        thin.append(np.stack(own_thin, axis=1))
        labels += [cue.trial_type for cue in scene.cues]
        people += [number] * len(scene.cues)
    recorded, made, names = np.concatenate(anew), np.concatenate(thin), np.array(labels)
    whose = np.array(people)
    right = {
        "anew": _right(recorded, recorded, names, whose),
        "asked_anew": _right(made, recorded, names, whose),
        "asked_thinned": _right(recorded, made, names, whose),
    }
    shares = {
        key: np.array([each[whose == one].mean() for one in np.unique(whose)])
        for key, each in right.items()
    }
    tests, errors = [], []
    for key in ("asked_anew", "asked_thinned"):
        difference = shares[key] - shares["anew"]
        tests.append(float(ttost_paired(shares[key], shares["anew"], -MARGIN, MARGIN)[0]))
        errors.append(float(difference.std(ddof=1) / np.sqrt(len(difference))))
    means = {key: float(each.mean()) for key, each in shares.items()}
    return Equivalence(**means, p_asked_anew=tests[0], p_asked_thinned=tests[1], errors=(*errors,))


def _takes(scene: Scene, block: FrameBlock) -> Floats:
    """Return one row a cue: roots of shares of bins and the light, over its last 0.4 s."""
    time_s = (block.time_us - block.time_us[0]) / 1e6
    rows = []
    for cue in scene.cues:
        stop_s = cue.end_us / 1e6
        part = slice(*np.searchsorted(time_s, [stop_s - HELD_S, stop_s]))
        light = block.lit[part].astype(np.float64).mean(axis=0) - block.dark[part].mean(axis=0)
        for axis in (0, 1):
            starts = np.arange(N_BINS) * light.shape[axis] // N_BINS
            light = np.add.reduceat(light, starts, axis=axis)
        whole = max(float(light.sum()), 1.0)
        share = light.ravel() / whole * light.size
        rows.append(np.append(np.sign(share) * np.sqrt(np.abs(share)), np.log(whole)))
    return np.array(rows)


def _right(
    learned: Floats, asked: Floats, names: npt.NDArray[np.str_], whose: npt.NDArray[np.int64]
) -> Floats:
    """Return for each take the share of models and noises by which it is told rightly.

    People are held out. Each noise's model is asked about all other noises' takes.
    """
    right, n_asked = np.zeros(len(names)), 0
    with threadpool_limits(1):
        for noise in range(learned.shape[1]):
            others = [n for n in range(asked.shape[1]) if n != noise]
            n_asked += len(others)
            for train, test in GroupKFold(N_FOLDS).split(names, groups=whose):
                model = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto")
                model.fit(learned[train, noise], names[train])
                answers = model.predict(asked[test][:, others].reshape(-1, asked.shape[2]))
                told = answers.reshape(len(test), -1) == names[test][:, None]
                right[test] += told.sum(axis=1)
    return right / n_asked


__all__ = ["MARGIN", "Equivalence", "equivalence"]
