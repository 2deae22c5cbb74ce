"""Where settings stand on the knobs, and which of a grid too large to try whole are tried first.

The first are points of a Sobol sequence (I. Sobol, USSR Comput. Math. Math. Phys. 7, 1967;
scrambled as A. Owen, 1998, by scipy.stats.qmc) over the knobs' places; what follows them is for
:mod:`trainer.choice.worth.foretold` to say.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import qmc

from runtime.stages.contract.stage import Float64
from trainer.choice.tried.settings import Tried

__all__ = ["coordinates_of", "places_of", "spread"]

SEED = 1
_KNOBS = ("led_share", "exposure_share", "rows_share", "rate_divisor", "bits_at_most")
MOST_DRAWS = 1 << 14
"""Where knobs have conditions, places are drawn at which there is no setting: an end to that."""

Place = tuple[int, ...]


def places_of(tried: Sequence[Tried]) -> list[Place]:
    """Return where each setting stands on every knob: 0 and on; keys of recipes follow, then it."""
    steps = {
        name: sorted({getattr(one.option, name) for one in tried}, reverse=name != "rate_divisor")
        for name in _KNOBS
    }
    turned = [dict(one.option.turned) for one in tried]
    keys = list(dict.fromkeys(key for each in turned for key in each))
    values = {key: list(dict.fromkeys(each[key] for each in turned)) for key in keys}
    recipes = list(dict.fromkeys(one.option.recipe.name for one in tried))
    return [
        (
            *(steps[name].index(getattr(one.option, name)) for name in _KNOBS),
            *(values[key].index(each[key]) for key in keys),
            recipes.index(one.option.recipe.name),
        )
        for one, each in zip(tried, turned, strict=True)
    ]


def coordinates_of(places: Sequence[Place]) -> Float64:
    """Return places as numbers, (n_settings, n_knobs): each knob's whole way is 1 long.

    Recipes have no order: each has a column of its own, and any other one is as far away. What is
    the same everywhere has none.
    """
    whole = np.array(places, dtype=np.float64)
    knobs = whole[:, :-1] / np.maximum(whole[:, :-1].max(axis=0), 1.0)
    recipes = whole[:, -1:] == np.unique(whole[:, -1])
    columns = np.hstack([knobs, recipes / np.sqrt(2.0)])
    return columns[:, np.ptp(columns, axis=0) > 0.0]


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
