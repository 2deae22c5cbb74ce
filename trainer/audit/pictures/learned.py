"""Attackers that were shown pairs of what a step holds and of the picture; no step need be linear.

They choose their own strength on people set apart from those shown: one that suits the people shown
would make a weak attacker, and so a flattering audit.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize

from runtime.stages.contract.stage import Float64
from trainer.audit.pictures.measures import OUTLINE

__all__ = [
    "COMBINED",
    "LEARNED",
    "NETWORK",
    "Guess",
    "Learner",
    "Pairs",
    "Parted",
    "combined",
    "crossed",
    "outline_network",
    "pairs_of",
]

COMBINED = "all of them, weighed"
N_DIRECTIONS = 256
"""Of what a step holds: the strongest. More are noise to attackers with some hundred pairs."""
_ALPHAS = tuple(10.0 ** np.arange(-1.0, 6.0))
_KERNEL_ALPHAS = (0.003, 0.03, 0.3, 3.0)
_KERNEL_WIDTHS = (1.0, 0.3)
"""Of the usual distance, as factors of what stands before its square: what few values hold is best
seen by wider ones (0.01 of IoU, what taught devices keep), what many do by narrower."""
_CELLS_FOR_STRENGTH = 4
"""Strengths of kernels are chosen on every so manieth cell: its neighbours say the same."""
_N_KERNELS = 1_500
"""Of 800 people's pairs, 3,000 found 0.003 of IoU more (finger count, its second dense layer)."""
_ROUNDING = 1e-8
"""Of a mean square of kernels: what keeps pairs that are alike to the last bit from each other."""
_N_HIDDEN = 512
_N_NETWORK_PAIRS = 150_000
"""Pairs that the network is shown in all, each again and again: with more people it is not slower.
Of 1,200 people's pairs 80,000 found 0.740 of IoU, 190,000 found 0.747 (finger count, its second
dense layer); two hidden layers, or twice as many turns of larger batches, found no more."""
_MOST_TURNS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Pairs that an attacker learns from, and what it is asked, along the strongest directions.

    Parameters
    ----------
    x : float64 (n_pairs, n_directions)
        What the step held, centred; the first direction has variance 1.
    y : float64 (n_pairs, n_cells)
        The pictures.
    apart : bool (n_pairs,)
        Pairs of people on whom strengths are chosen.
    asked : float64 (n_asked, n_directions)
    """

    x: Float64
    y: Float64
    apart: NDArray[np.bool_]
    asked: Float64


@dataclass(frozen=True, slots=True, eq=False)
class Guess:
    """Pictures that an attacker made.

    Parameters
    ----------
    apart : float64 (n_apart, n_cells)
        Of the people set apart, without having seen them.
    asked : float64 (n_asked, n_cells)
    outlines : two float64 arrays, of the shapes of both, or None
        How sure it is of each cell that the thing itself is there, where it learned that apart from
        how bright it is.
    strengths : tuple of float
        Those that it chose on the people set apart.
    """

    apart: Float64
    asked: Float64
    outlines: tuple[Float64, Float64] | None = None
    strengths: tuple[float, ...] = ()

    @property
    def sure(self) -> tuple[Float64, Float64]:
        """How sure it is of each cell: as learned apart, or else as bright as it is made."""
        return self.outlines or (self.apart, self.asked)


class Parted(NamedTuple):
    """What an attacker made of the pairs shown, without having learned from them, and of others.

    Parameters
    ----------
    shown : float (n_shown, n_cells)
    apart : float (n_apart, n_cells)
        Of the people set apart.
    asked : float (n_asked, n_cells)
    """

    shown: NDArray[np.floating[Any]]
    apart: Float64
    asked: Float64


Learner = Callable[[Pairs, tuple[float, ...]], Guess]
"""Makes pictures with the strengths given, of those asked alone; without any it chooses them."""


def crossed(
    pairs: Pairs, half: NDArray[np.bool_], learner: Learner, strengths: tuple[float, ...]
) -> NDArray[np.float32]:
    """Return what an attacker makes of the pairs shown who learned from the other half of them.

    Parameters
    ----------
    pairs : Pairs
    half : bool (n_pairs,)
        One half of the people.
    learner : callable
    strengths : tuple of float
        Those that it chose.

    Returns
    -------
    float32 (n_shown, n_cells)
    """
    made = np.zeros(pairs.y.shape, np.float32)
    for side in (half, ~half):
        known, told = side & ~pairs.apart, ~side & ~pairs.apart
        if known.any() and told.any():
            own = Pairs(pairs.x[known], pairs.y[known], pairs.apart[known], pairs.x[told])
            made[told] = learner(own, strengths).asked
    return made[~pairs.apart]


def pairs_of(x: Float64, y: Float64, apart: NDArray[np.bool_], asked: Float64) -> Pairs | None:
    """Return pairs along the strongest directions of `x`; None where `x` is always the same.

    Parameters
    ----------
    x, asked : float64 (n, n_values)
    y : float64 (n_pairs, n_cells)
    apart : bool (n_pairs,)
    """
    from sklearn.decomposition import PCA

    spread = x.std(axis=0)
    kept = spread > 1e-9 * max(1.0, float(np.abs(x).max(initial=0.0)))
    if not kept.any():
        return None
    mean = x[:, kept].mean(axis=0)
    own, other = ((a[:, kept] - mean) / spread[kept] for a in (x, asked))
    directions = PCA(min(N_DIRECTIONS, *own.shape), svd_solver="covariance_eigh").fit(own)
    size = float(np.sqrt(directions.explained_variance_[0])) or 1.0
    return Pairs(directions.transform(own) / size, y, apart, directions.transform(other) / size)


def _ridge(pairs: Pairs, strengths: tuple[float, ...] = ()) -> Guess:
    """Ridge regression: all that is linear in what the step holds."""
    from sklearn.linear_model import Ridge

    def fit(x: Float64, y: Float64, asked: Float64, alpha: float) -> Float64:
        # x is scaled to its strongest direction: the penalty is in units of a single value.
        made = Ridge(alpha * 1e-3, solver="cholesky").fit(x, y).predict(asked)
        return np.asarray(made).reshape(len(asked), -1)

    if strengths:
        return Guess(pairs.y[:0], fit(pairs.x, pairs.y, pairs.asked, *strengths))
    shown, apart = ~pairs.apart, pairs.apart
    tried = [fit(pairs.x[shown], pairs.y[shown], pairs.x[apart], alpha) for alpha in _ALPHAS]
    errors = [float(np.mean((made - pairs.y[apart]) ** 2)) for made in tried]
    best = int(np.argmin(errors))
    asked = fit(pairs.x, pairs.y, pairs.asked, _ALPHAS[best])
    return Guess(tried[best], asked, strengths=(_ALPHAS[best],))


def _kernel(pairs: Pairs, strengths: tuple[float, ...] = ()) -> Guess:
    """Kernel ridge regression: pictures of what looked alike, weighed smoothly.

    Directions are weighed by the root of their spread, so that weak ones count for more than they
    would, but for less than strong ones; a kernel is as wide as pairs lie apart, or somewhat wider,
    whichever suits the people set apart. Of many pairs all
    are learned from, by kernels at some of them, drawn (a subset of regressors: A. Smola and B.
    Schoelkopf, Sparse Greedy Matrix Approximation for Machine Learning, 2000, from memory).
    """
    from sklearn.metrics.pairwise import euclidean_distances, rbf_kernel

    weights = np.maximum(pairs.x.std(axis=0), 1e-9) ** -0.5
    own, asked = pairs.x * weights, pairs.asked * weights
    shown = np.flatnonzero(~pairs.apart)
    places = own[np.sort(np.random.default_rng(len(own)).permutation(shown)[:_N_KERNELS])]
    between = _usual(euclidean_distances(places[::4], squared=True))

    def made(
        x: Float64,
        rows: NDArray[np.bool_] | slice,
        cells: slice,
        width: float,
        alphas: Sequence[float],
    ) -> list[Float64]:
        """Learn some cells from some pairs; return pictures of `x`, one set a strength."""
        k, inner, of_x = (
            rbf_kernel(v, places, gamma=width / between) for v in (own[rows], places, x)
        )
        y = pairs.y[rows, cells]
        mean = y.mean(axis=0)
        squares, products = k.T @ k, k.T @ (y - mean)
        least = _ROUNDING * float(np.trace(squares)) / len(squares) * np.eye(len(squares))
        return [
            np.asarray(
                of_x @ linalg.solve(squares + alpha * inner + least, products, assume_a="pos")
                + mean
            )
            for alpha in alphas
        ]

    every, some = slice(None), slice(None, None, _CELLS_FOR_STRENGTH)
    if strengths:
        return Guess(pairs.y[:0], made(asked, every, every, strengths[0], strengths[1:])[0])
    apart = own[pairs.apart], ~pairs.apart
    truth = pairs.y[pairs.apart, some]
    errors = {
        (width, alpha): float(np.mean((each - truth) ** 2))
        for width in _KERNEL_WIDTHS
        for alpha, each in zip(
            _KERNEL_ALPHAS, made(*apart, some, width, _KERNEL_ALPHAS), strict=True
        )
    }
    best = min(errors, key=lambda key: errors[key])
    known = made(*apart, every, best[0], best[1:])[0]
    told = made(asked, every, every, best[0], best[1:])[0]
    return Guess(known, told, strengths=best)


def _usual(squared: Float64) -> float:
    """Return how far pairs usually lie apart; where most are alike, those of them that differ.

    Of a kernel narrower than rounding, what is alike would not be, and no matrix positive.
    """
    least = 1e-9 * float(squared.max(initial=0.0))
    usual = float(np.median(squared))
    if usual > least:
        return usual
    differ = squared[squared > least]
    return float(np.median(differ)) if len(differ) else 1.0


def outline_network(pairs: Pairs, outlines: NDArray[np.bool_]) -> tuple[Float64, Float64]:
    """Learn each cell's chance to be lit by a network of one hidden layer, by cross-entropy.

    As a mean over all hands that might have been there it needs no shape of a hand to be linear in
    what the step holds, and no two hands to look alike.

    Parameters
    ----------
    pairs : Pairs
    outlines : bool (n_pairs, n_cells)

    Returns
    -------
    apart, asked : float64 (n, n_cells)
        As of :class:`Guess`, of people that the network was not shown.
    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    shown = ~pairs.apart
    # Weak directions count for more than they would, as for kernels; on average each value is 1.
    weights = np.maximum(pairs.x.std(axis=0), 1e-9) ** -0.5
    size = float((pairs.x * weights).std()) or 1.0
    x, asked = ((a * (weights / size)).astype(np.float32) for a in (pairs.x, pairs.asked))
    turns = min(_MOST_TURNS, max(1, _N_NETWORK_PAIRS // max(1, int(shown.sum()))))
    network = MLPClassifier(
        hidden_layer_sizes=(_N_HIDDEN,), alpha=1e-4, learning_rate_init=1e-3, batch_size="auto",
        max_iter=turns, random_state=0,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # so many turns and no more
        network.fit(x[shown], outlines[shown].astype(np.int64))
    apart, other = (np.asarray(network.predict_proba(a)) for a in (x[pairs.apart], asked))
    return apart.astype(np.float64), other.astype(np.float64)


def combined(guesses: Sequence[Guess], truth: Float64) -> Guess:
    """Weigh what several attackers made, by what fits the people set apart best.

    Weights are not negative (D. H. Wolpert, Stacked Generalization, 1992; L. Breiman, Stacked
    Regressions, 1996, both from memory): attackers that fail differently make up for each other.

    Parameters
    ----------
    guesses : sequence of Guess
    truth : float64 (n_apart, n_cells)
        The pictures of the people set apart.
    """
    apart, asked = _weighed([(guess.apart, guess.asked) for guess in guesses], truth)
    return Guess(
        apart,
        asked,
        outlines=_weighed([guess.sure for guess in guesses], (truth > OUTLINE).astype(np.float64)),
    )


def _weighed(made: Sequence[tuple[Float64, Float64]], truth: Float64) -> tuple[Float64, Float64]:
    """Return sums of pictures, of the people set apart and of those asked, by least squares."""
    every = np.array([apart.ravel() for apart, _ in made])
    squares = every @ every.T
    root = linalg.cholesky(squares + _ROUNDING * np.trace(squares) * np.eye(len(made)), lower=True)
    aim = linalg.solve_triangular(root, every @ truth.ravel(), lower=True)
    weights, _ = optimize.nnls(root.T, aim)
    pairs = list(zip(weights.tolist(), made, strict=True))
    apart = sum((w * each[0] for w, each in pairs), np.zeros_like(made[0][0]))
    return apart, sum((w * each[1] for w, each in pairs), np.zeros_like(made[0][1]))


LEARNED: dict[str, Learner] = {
    "ridge regression": _ridge,
    "kernel regression": _kernel,
}
"""Attackers that make pictures, by their names in words."""
NETWORK = "a network for outlines"
