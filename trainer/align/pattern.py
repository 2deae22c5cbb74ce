"""One pattern that the direction shifts, learned with the way it shifts.

Where an optic throws the same pattern wherever the light stands, all pixels of all readouts speak
of one pattern, and a calibration says a hundred times more of it than of each pixel alone. The
pattern P is a cubic spline over the pixels' plane; pixel (x, y) reads it, for a source at slopes s,
at ``A(s) (x, y) + S(s)``: S shifts it, A turns and stretches it, both polynomials of s. P and
the polynomials are fitted in turn by least squares, first near the middle of the field, where few
of their terms matter, then further out; at last also what each pixel makes of the same light: a
hundredth more or less is as much as half of a bright pixel's noise. Speckle and caustics become
others while they shift: where that shows, P changes with the slopes as well, by polynomials of
them whose coefficients are splines in its own plane. Whether an optic does this at all, and how
much it changes, readouts that the fit has not seen say: `trainer.align.learned` compares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.ndimage import map_coordinates
from scipy.sparse import linalg

__all__ = ["Pattern", "changing", "fit_pattern", "settled"]

Floats = npt.NDArray[np.float64]

_CELLS_A_PIXEL = 2.0
"""Spline knots a pixel: it averages over its width, so that little is finer than half of it."""
_MARGIN = 4.0
"""Pixels beyond the outermost place that is read: the spline's own reach, and room to move."""
_SHARES = (0.06, 0.12, 0.25, 0.5, 1.0)
"""Of the readouts, nearest to the middle first, in each round."""
_MOST = 160
"""Readouts of one step: an average over some hundred thousand pixels is enough for each."""
_TURNS = 2
_SETTLING = 2
_BEYOND = 0.08
"""Of the calibrated slopes, how far beyond them the motion still holds: a cell's width."""
_ITERATIONS = 60
_CLOSE = 1e-4
"""Of the readouts' own pull on the pattern: what may be left of it."""
_SMOOTH = 1e-5
_DIFFERENCE = 0.02
_ORDER = 7
_EXPONENTS = tuple((n - j, j) for n in range(_ORDER + 1) for j in range(n + 1))
"""Up to the seventh power: over 35 degrees refraction leaves the fifth off by half of what the
noise of a million electrons is, the third by a hundredth of a pixel."""


def _terms(slopes: Floats) -> Floats:
    """Return the monomials of slopes, (n, 36)."""
    return np.stack([slopes[:, 0] ** i * slopes[:, 1] ** j for i, j in _EXPONENTS], axis=1)


@dataclass(frozen=True, eq=False)
class Pattern:
    """A pattern and how it moves.

    Parameters
    ----------
    spline : float64 (n_down, n_across)
        Coefficients of a cubic spline; its first knot lies at `origin`, in pixels (x, y).
    origin : float64 (2,)
    motion : float64 (6, 36)
        Polynomials of the slopes: shift, and factors of x and y, of the place across, then down.
    pixels : float64 (n_pixels, 2)
        Places of the pixels, (x, y), from the middle of the aperture.
    low, high, seen : float64 (2,), (2,), (n_readouts, 2)
        Ends of the calibrated slopes, and all of them.
    response : float64 (n_pixels,)
        How much more or less than others each pixel gives for the same light, 1 on average.
    unexplained : float
        As of `trainer.align.templates.Templates`.
    changes : float64 (n_changes, n_down, n_across)
        Splines as the first, each times a monomial of the slopes, which `changed` returns.
    misled : float
        How far unseen readouts' directions were led astray, see `trainer.align.learned.misled`.
    """

    spline: Floats
    origin: Floats
    motion: Floats
    pixels: Floats
    low: Floats
    high: Floats
    seen: Floats
    response: Floats
    unexplained: float = 1.0
    changes: Floats = field(default_factory=lambda: np.zeros((0, 1, 1)))
    misled: float = math.inf

    @property
    def n_pixels(self) -> int:
        """Pixels of the aperture."""
        return len(self.pixels)

    def places(self, slopes: Floats) -> tuple[Floats, Floats]:
        """Return where each pixel reads the pattern, pixels across and down: (n, n_pixels) each."""
        parts = _terms(slopes) @ self.motion.T
        x, y = self.pixels.T
        across = parts[:, :1] + parts[:, 1:2] * x + parts[:, 2:3] * y
        down = parts[:, 3:4] + parts[:, 4:5] * x + parts[:, 5:6] * y
        return across, down

    def read(self, across: Floats, down: Floats, slopes: Floats) -> Floats:
        """Return the pattern at places, as it is at slopes (n, 2) and each pixel gives it."""
        light = self.plane(across, down)
        for spline, share in zip(self.changes, self.changed(slopes)[:, 1:].T, strict=True):
            light += share[:, None] * self._read_from(spline, across, down)
        return light * self.response

    def plane(self, across: Floats, down: Floats) -> Floats:
        """Return the pattern itself at any places, as it is on the axis."""
        return self._read_from(self.spline, across, down)

    def changed(self, slopes: Floats) -> Floats:
        """Return what the pattern and its changes count at slopes, (n, 1 + n_changes)."""
        reach = np.maximum(np.abs(self.low), np.abs(self.high))
        return _terms(slopes / reach)[:, : 1 + len(self.changes)]

    def _read_from(self, spline: Floats, across: Floats, down: Floats) -> Floats:
        origin = self.origin[::-1].reshape(2, *[1] * across.ndim)
        at = (np.stack([down, across]) - origin) * _CELLS_A_PIXEL
        return np.asarray(map_coordinates(spline, at, order=3, prefilter=False, mode="nearest"))

    def within(self, slopes: Floats) -> Floats:
        """Return the nearest slopes that the motion holds for."""
        room = _BEYOND * (self.high - self.low)
        return np.asarray(np.clip(np.atleast_2d(slopes), self.low - room, self.high + room))

    def at(self, slopes: Floats, along: int | None = None) -> Floats:
        """Return templates, or their derivatives along x (0) or y (1): (n, n_pixels)."""
        slopes = self.within(slopes)
        if along is not None:
            step = 1e-4 * np.eye(2)[along]
            pair = [self._shares(slopes + way * step) for way in (-1, 1)]
            return (pair[1] - pair[0]) / 2e-4
        return self._shares(slopes)

    def _shares(self, slopes: Floats) -> Floats:
        return _normed(self.read(*self.places(slopes), slopes))


def _normed(light: Floats) -> Floats:
    return np.asarray(light / np.maximum(light.sum(axis=1, keepdims=True), 1e-30))


def fit_pattern(
    slopes: Floats, electrons: Floats, shape: tuple[int, int], moves: Floats, read_e: float
) -> Pattern:
    """Fit a pattern and its motion.

    Parameters
    ----------
    slopes : float64 (n_readouts, 2)
    electrons : float64 (n_readouts, n_pixels)
    shape : tuple of int
        Rows and columns of the aperture.
    moves : float64 (2, 2)
        First guess: pixels (across, down) by slope (x, y), see `trainer.align.learned`.
    read_e : float
        Read noise of a pixel, electrons.
    """
    rows, cols = np.meshgrid(np.arange(shape[0]), np.arange(shape[1]), indexing="ij")
    middle = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    pixels = np.stack([cols.ravel() - middle[0], rows.ravel() - middle[1]], axis=1).astype(float)
    motion = np.zeros((6, len(_EXPONENTS)))
    motion[1, 0] = motion[5, 0] = 1.0
    motion[0, 1:3], motion[3, 1:3] = -moves[0], -moves[1]
    reach = np.abs(moves) @ np.abs(slopes).max(axis=0) * 1.15 + np.array(middle) + _MARGIN
    n_knots = np.ceil(2 * reach * _CELLS_A_PIXEL).astype(int) + 1
    first = Pattern(
        np.zeros((n_knots[1], n_knots[0])), -reach, motion, pixels,
        slopes.min(axis=0), slopes.max(axis=0), slopes, np.ones(len(pixels)),
    )  # fmt: skip
    order = np.argsort(np.hypot(*(slopes - slopes.mean(axis=0)).T), kind="stable")
    found = first
    for share in _SHARES:
        near = order[: max(30, int(share * len(order)))]
        chosen = near[:: max(1, -(-len(near) // _MOST))]
        n_terms = 3 if share < 0.2 else 10 if share < 1.0 else len(_EXPONENTS)
        for _ in range(_TURNS if share < 1.0 else 2 * _TURNS):
            found = _with_spline(found, slopes[chosen], electrons[chosen], read_e)
            found = _moved(found, slopes[chosen], electrons[chosen], n_terms, read_e)
    return found


def changing(pattern: Pattern, order: int) -> Pattern:
    """Return the pattern with room for changes up to a power of the slopes."""
    room = np.zeros(((order + 1) * (order + 2) // 2 - 1, *pattern.spline.shape))
    room[: len(pattern.changes)] = pattern.changes
    return replace(pattern, changes=room)


def settled(pattern: Pattern, slopes: Floats, electrons: Floats, read_e: float) -> Pattern:
    """Return the pattern, its motion and its changes fitted on to all readouts."""
    for _ in range(_SETTLING):
        pattern = _with_spline(pattern, slopes, electrons, read_e)
        pattern = _with_response(pattern, slopes, electrons, read_e)
        pattern = _moved(pattern, slopes, electrons, len(_EXPONENTS), read_e)
    return _with_spline(pattern, slopes, electrons, read_e)


def _amplitudes(pattern: Pattern, light: Floats, electrons: Floats) -> Floats:
    """Return how bright each readout is in units of the pattern: (n, 1)."""
    if not pattern.spline.any():
        return np.asarray(electrons.sum(axis=1, keepdims=True))
    weight = (light * electrons).sum(axis=1, keepdims=True)
    return np.asarray(weight / (light**2).sum(axis=1, keepdims=True))


def _with_spline(pattern: Pattern, slopes: Floats, electrons: Floats, read_e: float) -> Pattern:
    """Solve for the spline and its changes by conjugate gradients, from those there are."""
    across, down = pattern.places(slopes)
    light = pattern.read(across, down, slopes)
    amplitude = _amplitudes(pattern, light, electrons)
    expected = np.maximum(amplitude * light, 0.0) + read_e**2 + 1e-9
    if not pattern.spline.any():
        expected = np.broadcast_to(amplitude / light.shape[1] + read_e**2, light.shape)
    rows = _spline_rows(pattern, across, down)
    columns = rows.T.tocsr()
    bright = amplitude * pattern.response
    squares = (bright**2 / expected).ravel()
    counts = pattern.changed(slopes).repeat(pattern.n_pixels, axis=0).T  # (n_splines, n_readings)
    start = np.stack([pattern.spline, *pattern.changes]).reshape(len(counts), -1)
    unlike = partial(_unlike, light=light, weight=1.0 / expected)
    square = rows.multiply(rows).T.tocsr()
    diagonal = np.stack([square @ (squares * count**2) for count in counts])
    trace = float(diagonal[0].mean())
    shape = pattern.spline.shape
    second = [_second_differences(length) for length in shape]
    rough = sparse.kron(second[0], sparse.eye(shape[1])) + sparse.kron(
        sparse.eye(shape[0]), second[1]
    )
    ridge = (rough * (_SMOOTH * trace) + sparse.eye(rough.shape[0]) * (1e-7 * trace)).tocsr()

    def pulled(left: Floats, each: Floats) -> Floats:
        back = (unlike(left) * bright).ravel()
        return np.concatenate(
            [columns @ (back * c) + ridge @ one for one, c in zip(each, counts, strict=True)]
        )

    def normal(values: Floats) -> Floats:
        each = values.reshape(start.shape)
        seen = sum((rows @ one) * count for one, count in zip(each, counts, strict=True))
        return pulled(np.reshape(seen, light.shape) * bright, each)

    conditioner = 1.0 / (diagonal + ridge.diagonal()).ravel()
    right = pulled(electrons - amplitude * light, -start)
    n, size = right.size, float(np.linalg.norm(pulled(electrons, 0.0 * start)))
    solved, _ = linalg.cg(
        linalg.LinearOperator((n, n), matvec=normal), right,
        rtol=0.0, atol=_CLOSE * size, maxiter=_ITERATIONS,
        M=linalg.LinearOperator((n, n), matvec=lambda values: values * conditioner),
    )  # fmt: skip
    splines = (start.ravel() + solved).reshape(-1, *shape)
    return replace(pattern, spline=splines[0], changes=splines[1:])


def _unlike(values: Floats, light: Floats, weight: Floats) -> Floats:
    """Return values (n, n_pixels) by weight, without what a change of brightness would explain.

    Each readout's brightness is unknown. Solved by turns with the pattern it hardly moves: where
    all pixels of a readout stand at one place between the spline's knots, a pattern that is
    brighter there, and readouts that are dimmer, explain nearly the same.
    """
    along = light * weight
    share = (along * values).sum(axis=1, keepdims=True)
    share = share / np.maximum((along * light).sum(axis=1, keepdims=True), 1e-30)
    return np.asarray(weight * (values - share * light))


def _with_response(pattern: Pattern, slopes: Floats, electrons: Floats, read_e: float) -> Pattern:
    """Solve for what each pixel gives of the pattern's light; those that saw none give 1."""
    top, below = np.full((2, pattern.n_pixels), 1e-30)
    for start in range(0, len(slopes), 64):
        part = slice(start, start + 64)
        light = pattern.read(*pattern.places(slopes[part]), slopes[part])
        expected = _amplitudes(pattern, light, electrons[part]) * light
        weight = np.maximum(expected, 0.0) / (np.maximum(expected, 0.0) + read_e**2 + 1e-9)
        top += (weight * electrons[part]).sum(axis=0)
        below += (weight * expected).sum(axis=0)
    response = pattern.response * np.clip(top / below, 0.5, 2.0)
    return replace(pattern, response=response / response.mean())


def _second_differences(n: int) -> sparse.csr_matrix:
    second = sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(n - 2, n))
    return (second.T @ second).tocsr()


def _spline_rows(pattern: Pattern, across: Floats, down: Floats) -> sparse.csr_matrix:
    """Return each reading as a row of 16 weights on the spline's coefficients."""
    n_down, n_across = pattern.spline.shape
    ends, weights = [], []
    for place, start, n in (
        (down, pattern.origin[1], n_down),
        (across, pattern.origin[0], n_across),
    ):
        at = np.clip((place.ravel() - start) * _CELLS_A_PIXEL, 1.0, n - 3.001)
        cell = np.floor(at)
        f = at - cell
        weights.append(
            np.stack(
                [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3],
                axis=1,
            )
            / 6.0
        )
        ends.append(cell.astype(np.int64)[:, None] + np.arange(-1, 3))
    columns = (ends[0][:, :, None] * n_across + ends[1][:, None, :]).reshape(len(ends[0]), 16)
    values = (weights[0][:, :, None] * weights[1][:, None, :]).reshape(len(ends[0]), 16)
    pointers = np.arange(0, 16 * len(values) + 1, 16)
    size = (len(values), n_down * n_across)
    return sparse.csr_matrix((values.ravel(), columns.ravel(), pointers), shape=size)


def _moved(
    pattern: Pattern, slopes: Floats, electrons: Floats, n_terms: int, read_e: float
) -> Pattern:
    """Take one step of Gauss and Newton on the motion's polynomials."""
    size = 6 * n_terms
    normal, right = np.zeros((size, size)), np.zeros(size)
    x, y = pattern.pixels.T
    for start in range(0, len(slopes), 64):
        part = slice(start, start + 64)
        across, down = pattern.places(slopes[part])
        light = pattern.read(across, down, slopes[part])
        amplitude = _amplitudes(pattern, light, electrons[part])
        step, read = _DIFFERENCE, partial(pattern.read, slopes=slopes[part])
        by_across = read(across + step, down) - read(across - step, down)
        by_down = read(across, down + step) - read(across, down - step)
        scale = amplitude / (2 * step)
        expected = np.maximum(amplitude * light, 0.0) + read_e**2 + 1e-9
        left = electrons[part] - amplitude * light
        moved = np.stack(
            [g * scale * factor for g in (by_across, by_down) for factor in (1.0, x, y)], axis=1
        )
        terms = _terms(slopes[part])[:, :n_terms]
        weight = 1.0 / expected
        weighted = np.stack([_unlike(part, light, weight) for part in moved.swapaxes(0, 1)], axis=1)
        squares = np.einsum("fap,fbp->fab", weighted, moved, optimize=True)
        pulls = np.einsum("fap,fp->fa", weighted, left, optimize=True)
        normal += np.einsum("fab,fm,fn->ambn", squares, terms, terms, optimize=True).reshape(
            size, size
        )
        right += np.einsum("fa,fm->am", pulls, terms, optimize=True).ravel()
    normal[np.diag_indices(size)] *= 1 + 1e-6
    normal[np.diag_indices(size)] += 1e-12 * np.trace(normal) / size
    motion = pattern.motion.copy()
    motion[:, :n_terms] += np.linalg.solve(normal, right).reshape(6, n_terms)
    return replace(pattern, motion=motion)
