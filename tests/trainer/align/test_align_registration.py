"""From a calibration to integers: near the bound, and no number where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from band_limited import MovingPattern, readouts
from scipy.ndimage import fourier_shift, gaussian_filter

from runtime.errors import OverflowRisk, UsageError
from runtime.stages.alignment.registration import Registration
from trainer.align.bound import PixelNoise, direction_bound
from trainer.align.cells import Design
from trainer.align.learned import first_motion, learn_optic
from trainer.align.lowered import Lowering, lower_registration, with_tolerance
from trainer.align.pattern import Pattern
from trainer.align.templates import fit_templates

GAIN, READ_E, N = 0.25, 11.0, 24
OPTIC = MovingPattern(N, turn_rad=0.4, uneven=0.01)
STEP = 2.0**18


def _calibration(n: int = 130) -> tuple[np.ndarray, np.ndarray]:
    """Return directions spread over the field, and what an average of ten readouts holds."""
    rng = np.random.default_rng(8)
    slopes = rng.uniform(-0.42, 0.42, (n, 2))
    counts = sum(
        readouts(OPTIC.at(slopes), 6e5, rng, READ_E, GAIN).astype(float) for _ in range(10)
    )
    return slopes, np.asarray(counts) / 10 / GAIN


@pytest.fixture(scope="module")
def optic() -> Pattern:
    """Return what 130 directions taught of an optic."""
    learned = learn_optic(*_calibration(), (N, N), READ_E / np.sqrt(10))
    assert isinstance(learned, Pattern)
    return learned


@pytest.fixture(scope="module")
def stage(optic: Pattern) -> Registration:
    """Return the stage of that optic."""
    slopes, _ = _calibration()
    assert optic.unexplained < 0.04
    lowering = Lowering(
        N, N, N, N * N, (0,), 4095, GAIN, Design(2e5, 1e6, READ_E**2 + 2 / 12 / GAIN**2), 0.0
    )
    made, cost = lower_registration([optic], lowering)
    assert cost["loss"] < 1.2
    some = readouts(OPTIC.at(slopes), 3e5, np.random.default_rng(9), READ_E, GAIN)
    return with_tolerance(made, some, 1.5)


def test_what_pixels_make_of_the_same_light_is_learned(optic: Pattern) -> None:
    """Pixels that differ by a hundredth are told apart, to less than half of it."""
    off = optic.response - OPTIC.response / OPTIC.response.mean()
    assert off.std() < 0.5 * OPTIC.response.std()


def _aligned(stage: Registration, values: np.ndarray) -> np.ndarray:
    return stage.run(values, {})[0]


@pytest.mark.parametrize(("electrons", "most"), [(2e4, 1.7), (2e5, 1.5), (1e6, 2.2)])
def test_directions_are_near_the_bound_in_fixed_point(
    stage: Registration, electrons: float, most: float
) -> None:
    """All but one frame in a hundred stay near the bound; their mean is below half of it."""
    # At 1e6 electrons what 130 directions teach of the optic is as large as the bound itself.
    rng = np.random.default_rng(int(electrons))
    slopes = rng.uniform(-0.38, 0.38, (400, 2))
    values = readouts(OPTIC.at(slopes), electrons, rng, READ_E, GAIN)
    y = _aligned(stage, values)
    errors = y[:, :2] / STEP - slopes
    noise = PixelNoise(float(np.sqrt(READ_E**2 + 1 / 12 / GAIN**2)))
    some = slopes[:40]
    light, along_x, along_y = (OPTIC.at(some, k) for k in (None, 0, 1))
    bounds = [
        np.diag(direction_bound(light[i], along_x[i], along_y[i], electrons, noise))
        for i in range(len(some))
    ]
    bound = np.sqrt(np.mean(bounds, axis=0))
    kept = (np.abs(errors) < 8 * bound).all(axis=1)
    assert kept.mean() >= 0.99
    assert (np.sqrt((errors[kept] ** 2).mean(axis=0)) < most * bound).all()
    assert (np.abs(errors[kept].mean(axis=0)) < 0.5 * bound).all()
    assert (y[:, 3] <= 0).mean() > 0.97
    real = stage.run_float(values[:50].astype(np.float64))
    near = kept[:50]
    assert np.abs(real[near, :2] / STEP - y[:50][near, :2] / STEP).max() < 2 * bound.max()


def test_light_alike_on_all_pixels_moves_nothing(stage: Registration) -> None:
    """A background that is the same everywhere drops out of the direction."""
    at = np.array([[0.1, -0.2]])
    plain = np.round(OPTIC.at(at) * 4e5 * GAIN).astype(np.int32)
    lifted = _aligned(stage, plain + 200)
    assert np.abs(lifted[:, :2] - _aligned(stage, plain)[:, :2]).max() <= 2


@pytest.mark.parametrize("seen", ["two", "three", "covered", "smeared", "saturated", "outside"])
def test_what_is_not_one_source_leaves_energy_over(stage: Registration, seen: str) -> None:
    """Another source, a cover, a film, clipping, or a pattern never calibrated is an excess."""
    rng = np.random.default_rng(31)
    slopes = rng.uniform(-0.35, 0.35, (60, 2))
    light = OPTIC.at(slopes) * 6e5
    if seen in ("two", "three"):
        light = light + OPTIC.at(slopes[::-1] + 0.07) * 5e5
        light = light + (OPTIC.at(-slopes) * 4e5 if seen == "three" else 0)
    square = light.reshape(-1, N, N)
    if seen == "covered":
        square[:, :, : N // 2] = 0.0
    if seen == "smeared":
        square = gaussian_filter(square, (0, 1.2, 1.2))
    if seen == "saturated":
        square = np.minimum(square * 4, 900.0 / GAIN)
    if seen == "outside":
        square = MovingPattern(N, seed=77).at(slopes).reshape(-1, N, N) * 6e5
    values = readouts(square.reshape(60, -1), 1.0, rng, READ_E, GAIN)
    assert (_aligned(stage, values)[:, 3] > 0).mean() > 0.95


def test_no_source_explains_next_to_nothing(stage: Registration) -> None:
    """Noise alone, black and one value everywhere have a level far below that of any source."""
    rng = np.random.default_rng(5)
    dark = np.round(rng.normal(0, READ_E * GAIN, (80, N * N))).astype(np.int32)
    dark[:2] = [[0], [777]]
    one = readouts(OPTIC.at(rng.uniform(-0.3, 0.3, (40, 2))), 2e4, rng, READ_E, GAIN)
    assert _aligned(stage, dark)[:, 2].max() + 16 < _aligned(stage, one)[:, 2].min()
    assert _aligned(stage, np.zeros((0, N * N), np.int32)).shape == (0, 4)


def test_wide_counts_are_refused_before_they_overflow(stage: Registration) -> None:
    """A sensor of 16 bits, whose squares would pass 32 bits, is refused in one line."""
    most = np.full(N * N, 65535, dtype=np.int64)
    with pytest.raises(OverflowRisk, match="registration"):
        stage.bounds(-most, most)


def test_the_first_motion_is_that_of_plain_shifts() -> None:
    """Cross-correlation of neighbours finds the pixels that a slope moves, as a Fourier shift."""
    rng = np.random.default_rng(2)
    plain = MovingPattern(N, pixels=15.0)
    slopes = rng.uniform(-0.4, 0.4, (120, 2))
    found = first_motion(slopes, plain.at(slopes) * 1e5, (N, N))
    np.testing.assert_allclose(found, 15.0 * np.eye(2), atol=1.5)  # a start: whole pixels


@pytest.fixture(scope="module")
def shifted() -> tuple[MovingPattern, Registration]:
    """Return a periodic pattern that SciPy's Fourier shift moves, 10 pixels a slope, and its stage.

    Its directions are read at 3e5 counts without noise but rounding.
    """
    rng, n = np.random.default_rng(6), 16
    base = gaussian_filter(rng.standard_normal((n, n)), 1.6, mode="wrap")
    spectrum = np.fft.fft2(1.0 + 0.4 * base / base.std())

    class Shifted(MovingPattern):
        def light(self, slopes: np.ndarray) -> np.ndarray:
            moved = [
                np.fft.ifft2(fourier_shift(spectrum, (s[1] * 10, s[0] * 10))).real.ravel()
                for s in np.atleast_2d(slopes)
            ]
            return np.maximum(np.array(moved), 0.0)

    optic = Shifted(n, reach=0.2)
    lowering = Lowering(n, n, n, n * n, (0,), 4095, 1.0, Design(1e6, 1e6, 4.0), 0.0)
    return optic, lower_registration([optic], lowering)[0]


def _moved_pixels(shifted: tuple[MovingPattern, Registration], slopes: np.ndarray) -> np.ndarray:
    """Return by how many pixels a pattern is found to have moved."""
    optic, made = shifted
    values = np.round(optic.at(slopes) * 3e5).astype(np.int32)
    return np.asarray(_aligned(made, values)[:, :2] / STEP * 10)


def test_a_pattern_shifted_in_fourier_space_is_measured_to_a_thousandth_of_a_pixel(
    shifted: tuple[MovingPattern, Registration],
) -> None:
    """A subpixel shift made by SciPy's Fourier shift of a periodic pattern is found again."""
    slopes = np.random.default_rng(7).uniform(-0.15, 0.15, (60, 2))
    errors = _moved_pixels(shifted, slopes) - slopes * 10
    assert np.sqrt((errors**2).mean()) < 2e-3


def test_plain_shifts_are_those_that_scikit_image_finds(
    shifted: tuple[MovingPattern, Registration],
) -> None:
    """Of the same readouts in counts, both say by how many pixels they are shifted, to 0.005."""
    # skimage.registration.phase_cross_correlation of scikit-image 0.26.0, of each readout against
    # that of slope 0: upsample_factor 1000, normalization None, columns before rows. It finds
    # them by upsampled cross-correlation (M. Guizar-Sicairos, S. T. Thurman, J. R. Fienup, Optics
    # Letters 33, 2008, as its documentation says).
    found_there = np.array(
        [[0.371, -0.822], [-1.213, 0.455], [1.004, 1.337], [-0.068, -1.415], [0.905, 0.012]]
    )
    slopes = np.array(
        [[0.0371, -0.0822], [-0.1213, 0.0455], [0.1004, 0.1337], [-0.0068, -0.1415],
         [0.0905, 0.0012]]
    )  # fmt: skip
    found = _moved_pixels(shifted, slopes) - _moved_pixels(shifted, np.zeros((1, 2)))
    np.testing.assert_allclose(found, found_there, atol=5e-3)


@pytest.mark.parametrize(
    ("spoiled", "message"),
    [("few", "at least 60"), ("dark", "light in a readout"), ("line", "on one line"),
     ("shuffled", "do not explain")],
)  # fmt: skip
def test_a_calibration_that_cannot_be_learned_is_one_line(spoiled: str, message: str) -> None:
    """Too few directions, darkness, one line of them, or a truth that fits nothing are refused."""
    slopes, electrons = _calibration(70)
    if spoiled == "few":
        slopes, electrons = slopes[:30], electrons[:30]
    elif spoiled == "dark":
        electrons = electrons * 0.0
    elif spoiled == "line":
        slopes = slopes * [1.0, 0.0]
    else:
        electrons = electrons[np.random.default_rng(1).permutation(len(electrons))]
    with pytest.raises(UsageError, match=message) as error:
        learn_optic(slopes, electrons, (N, N), READ_E)
    assert "\n" not in str(error.value)


def test_each_pixel_by_itself_serves_an_optic_that_moves_nothing() -> None:
    """Where pixels follow the direction each in its own way, they are learned one by one."""
    rng = np.random.default_rng(3)
    waves = rng.uniform(-6, 6, (2, 100))
    phases = rng.uniform(0, 6, 100)
    slopes = rng.uniform(-0.3, 0.3, (300, 2))

    def light(at: np.ndarray) -> np.ndarray:
        return 1.2 + np.sin(at @ waves + phases)

    learned = fit_templates(slopes, light(slopes) * 1e3)
    new = rng.uniform(-0.25, 0.25, (50, 2))
    wanted = light(new) / light(new).sum(axis=1, keepdims=True)
    assert np.abs(learned.at(new) - wanted).max() < 0.03 * wanted.max()
    step = 1e-4
    aside = np.array([step, 0.0])
    slope = (learned.at(new + aside) - learned.at(new - aside)) / (2 * step)
    np.testing.assert_allclose(learned.at(new, 0), slope, atol=1e-5)


def test_tables_out_of_range_are_refused(stage: Registration) -> None:
    """A filter beyond the bank, a cell's odd side or a term too large is one line."""
    from runtime.errors import FormatError

    for change, message in (
        ({"starts": np.full_like(stage.starts, 1 << 30)}, "starts"),
        ({"fine": (*stage.fine[:4], stage.fine[4] + 1)}, "side"),
        ({"fine_terms": np.full_like(stage.fine_terms, 32000)}, "fine_terms"),
        ({"bin_rows": 5}, "bin_rows"),
        ({"energy": stage.energy[:3]}, "energy"),
        ({"offsets": (1,)}, "offset"),
    ):
        with pytest.raises(FormatError, match=message):
            replace(stage, **change)  # type: ignore[arg-type]
