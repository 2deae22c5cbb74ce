"""The photon limit: the least light by which a hand could be told at all."""

from __future__ import annotations

import math

import pytest

from capture.thin.photon_limit import HandInView, photon_limit
from runtime.errors import UsageError


def test_a_hand_at_twenty_centimetres_gives_so_many_electrons_for_a_microjoule() -> None:
    """125 cm2 at 0.2 m, reflectance 0.5, aperture 0.1 mm, 940 nm: about 1,400 electrons."""
    # Check value: common practice, no source. By hand: 1.656e12 photons * 0.09947 * 0.5 * 6.25e-8
    # * 0.6 * 0.45.
    assert HandInView().electrons_per_uj == pytest.approx(1400.0, rel=0.01)
    assert HandInView().electrons_per_uj == pytest.approx(
        1.65622e12 * 0.0994718 * 0.5 * 6.25e-8 * 0.27, rel=1e-4
    )


def test_presence_takes_so_much_energy_by_shot_noise_and_by_read_noise() -> None:
    """A sensitivity of 5 takes 0.018 uJ by shot noise, and 0.34 uJ with 64 bins of 8 electrons."""
    # Check values: common practice, no source; the second is given to two digits.
    limit = photon_limit()
    assert limit.shot_noise_alone_uj == pytest.approx(0.018, rel=0.01)
    assert limit.energy_uj == pytest.approx(0.34, rel=0.02)
    assert photon_limit(read_noise_e=0.0).energy_uj == pytest.approx(limit.shot_noise_alone_uj)


@pytest.mark.parametrize("n_bins, read_noise_e", [(1, 0.0), (4, 30.0), (1024, 2.0)])
def test_the_electrons_of_the_limit_are_told_from_none_with_that_sensitivity(
    n_bins: int, read_noise_e: float
) -> None:
    """N electrons over the root of N and the read noise of all bins in both exposures is d'."""
    limit = photon_limit(n_bins=n_bins, read_noise_e=read_noise_e, d_prime=3.5)
    noise_e = math.sqrt(limit.electrons + 2 * n_bins * read_noise_e**2)
    assert limit.electrons / noise_e == pytest.approx(3.5)
    assert limit.energy_uj * limit.electrons_per_uj == pytest.approx(limit.electrons)


def test_light_that_comes_back_falls_with_the_fourth_power_of_the_distance() -> None:
    """Twice as far away, a sixteenth of the electrons come back."""
    near, far = HandInView(distance_m=0.2), HandInView(distance_m=0.4)
    assert near.electrons_per_uj / far.electrons_per_uj == pytest.approx(16.0)


def test_the_limit_tells_all_that_it_follows_from() -> None:
    """Formula and inputs come with the result, as plain values."""
    told = photon_limit().to_json()
    assert told["hand"]["area_cm2"] == 125.0
    assert "d'^2" in str(told["formula"])
    assert told["n_exposures"] == 2


@pytest.mark.parametrize(
    "wrong, message",
    [
        ({"distance_m": 0.05}, "fills the view"),
        ({"reflectance": 1.5}, "reflectance is 1.5, expected 0.001 to 1"),
        ({"wavelength_nm": math.nan}, "wavelength_nm is nan"),
        ({"area_cm2": "much"}, "area_cm2 is much"),
    ],
)
def test_a_hand_that_cannot_be_is_refused(wrong: dict[str, float], message: str) -> None:
    """A hand that is too near, or a value out of range, is one line."""
    with pytest.raises(UsageError, match=message) as caught:
        HandInView(**wrong)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("wrong", [{"d_prime": 0.0}, {"n_bins": 0}, {"n_exposures": 3}])
def test_a_question_that_cannot_be_answered_is_refused(wrong: dict[str, int]) -> None:
    """Sensitivity, bins and exposures out of range are one line each."""
    with pytest.raises(UsageError, match=next(iter(wrong))):
        photon_limit(**wrong)
