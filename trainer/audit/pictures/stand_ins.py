"""Faces and standing people, drawn from plain shapes, as scenes for the attack on pictures.

They stand for what a sensor that looks into a room might see; their proportions are invented, and
they are no measurement of real ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64

__all__ = ["DRAWN", "drawn"]

DRAWN = ("drawn faces", "drawn standing people")
_MIDDLE = 0.5  # of the field's half width that a drawing of size 1 fills


def drawn(
    kind: str, n_people: int, n_each: int, shape: tuple[int, int], seed: int
) -> tuple[Float64, NDArray[np.str_]]:
    """Draw pictures of several people, each turned, moved and sized anew.

    Parameters
    ----------
    kind : str
        One of :data:`DRAWN`.
    n_people, n_each : int
    shape : (int, int)
        Height and width.
    seed : int

    Returns
    -------
    pictures : float64 (n_people * n_each, height, width)
        From 0 to 1, row 0 the lowest.
    people : str (n_people * n_each,)
    """
    height, width = shape
    y, x = (
        ((np.arange(n) + 0.5) / n * 2.0 - 1.0) * n / max(shape) / _MIDDLE for n in (height, width)
    )
    across, up = np.meshgrid(x, y)
    pictures = []
    for number in range(n_people):
        rng = np.random.default_rng([seed, DRAWN.index(kind), number])
        own = rng.uniform(-1.0, 1.0, 6)
        for _ in range(n_each):
            scale, turn = rng.uniform(0.8, 1.3), rng.normal(0.0, 0.12)
            shift = rng.uniform(-0.35, 0.35, 2)
            right, above = across - shift[0], up - shift[1]
            u = (np.cos(turn) * right + np.sin(turn) * above) / scale
            v = (np.cos(turn) * above - np.sin(turn) * right) / scale
            pictures.append(_face(u, v, own) if kind == DRAWN[0] else _figure(u, v, own))
    names = [f"S{number:02d}" for number in range(n_people) for _ in range(n_each)]
    return np.stack(pictures), np.array(names)


def _ball(u: Float64, v: Float64, place: tuple[float, float], half: tuple[float, float]) -> Float64:
    """Return an ellipse shaded as a ball is that is lit from where it is seen."""
    squared = ((u - place[0]) / half[0]) ** 2 + ((v - place[1]) / half[1]) ** 2
    return np.asarray(np.sqrt(np.clip(1.0 - squared, 0.0, 1.0)))


def _face(u: Float64, v: Float64, own: Float64) -> Float64:
    """A head with eyes and a mouth; `own` are breadth, length, and the places of both."""
    head = _ball(u, v, (0.0, 0.0), (0.62 + 0.08 * own[0], 0.85 + 0.08 * own[1]))
    apart, high = 0.25 + 0.05 * own[2], 0.15 + 0.06 * own[3]
    dark = _ball(u, v, (-apart, high), (0.14, 0.09)) + _ball(u, v, (apart, high), (0.14, 0.09))
    dark = dark + _ball(u, v, (0.0, -0.42 + 0.06 * own[4]), (0.22 + 0.07 * own[5], 0.09))
    return np.asarray(head * (1.0 - 0.8 * np.clip(dark, 0.0, 1.0)))


def _figure(u: Float64, v: Float64, own: Float64) -> Float64:
    """Head, trunk, legs and arms; `own` are their breadths and how they stand."""
    head = _ball(u, v, (0.0, 0.82), (0.14 + 0.02 * own[0], 0.18))
    trunk = _ball(u, v, (0.0, 0.25), (0.26 + 0.06 * own[1], 0.46))
    apart, thick = 0.16 + 0.08 * own[2], 0.12 + 0.03 * own[3]
    legs = [_ball(u, v, (side * apart, -0.55), (thick, 0.52)) for side in (-1.0, 1.0)]
    hang = 0.36 + 0.08 * own[4]
    arms = [_ball(u, v, (side * hang, 0.2), (0.09, 0.42 + 0.04 * own[5])) for side in (-1.0, 1.0)]
    return np.asarray(np.max([head, trunk, *legs, *arms], axis=0))
