"""Which settings of a grid too large to try whole: some spread evenly, then those beside the best.

The first are points of a Sobol sequence (I. Sobol, USSR Comput. Math. Math. Phys. 7, 1967;
scrambled as A. Owen, 1998, by scipy.stats.qmc) over the knobs' places; then, round by round,
settings one step of one knob away from those that no other beats: a local search of a front (L.
Paquete, M. Chiarandini and T. Stuetzle, Pareto local optimum sets, 2004; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import qmc

from trainer.choice.tried.settings import Tried

__all__ = ["beside", "places_of", "spread"]

SEED = 1
_KNOBS = ("led_share", "exposure_share", "rows_share", "rate_divisor", "bits_at_most")
MOST_DRAWS = 1 << 14
"""Where knobs have conditions, places are drawn at which there is no setting: an end to that."""

Place = tuple[int, ...]


def places_of(tried: Sequence[Tried]) -> list[Place]:
    """Return where each setting stands on every knob: 0 and on, the model last."""
    models = list(dict.fromkeys(one.option.recipe.digest() for one in tried))
    steps = {
        name: sorted({getattr(one.option, name) for one in tried}, reverse=name != "rate_divisor")
        for name in _KNOBS
    }
    return [
        (
            *(steps[name].index(getattr(one.option, name)) for name in _KNOBS),
            models.index(one.option.recipe.digest()),
        )
        for one in tried
    ]


def spread(places: Sequence[Place], n_wanted: int) -> list[int]:
    """Return about so many settings that lie evenly over the knobs, the first one among them.

    Parameters
    ----------
    places : sequence of tuple of int
        As :func:`places_of` returns them, all different.
    n_wanted : int
        At least 1.
    """
    number = {place: index for index, place in enumerate(places)}
    sizes = np.array(places).max(axis=0) + 1
    sequence = qmc.Sobol(len(sizes), seed=np.random.default_rng(SEED))
    found = [0]
    for _ in range(MOST_DRAWS):
        if len(found) >= min(n_wanted, len(places)):
            break
        place = tuple(np.floor(sequence.random(1)[0] * sizes).astype(int).tolist())
        index = number.get(place)
        if index is not None and index not in found:
            found.append(index)
    return sorted(found)


def beside(places: Sequence[Place], front: Sequence[int], known: Sequence[int]) -> list[int]:
    """Return settings not tried yet that are one step of one knob away from some of a front.

    The model has no order: any other one is a step away.
    """
    found = []
    for index in sorted(set(range(len(places))) - set(known)):
        for other in front:
            steps = [abs(a - b) for a, b in zip(places[index], places[other], strict=True)]
            steps[-1] = min(1, steps[-1])
            if sum(steps) == 1:
                found.append(index)
                break
    return found
