"""The one rounding rule, against exact arithmetic and published definitions."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runtime.errors import OverflowRisk
from runtime.fixedpoint import (
    INT32_MAX,
    INT32_MIN,
    MAX_MULTIPLIER,
    MAX_SHIFT,
    SPLIT_SHIFT,
    bit_length,
    choose_multiplier,
    exact_matmul,
    fits_one_multiply,
    round_shift,
    saturate,
    scale,
    symmetric_limit,
)

int32 = st.integers(INT32_MIN, INT32_MAX)


@given(int32, st.integers(1, 2**31 - 1), st.integers(0, 46))
def test_scale_is_the_rule(x: int, multiplier: int, shift: int) -> None:
    """Scaling is floor(x * m / 2**s + 1/2) of exact fractions, for any sign."""
    exact = floor(Fraction(x * multiplier, 2**shift) + Fraction(1, 2)) if shift else x * multiplier
    assert scale(np.array([x]), multiplier, shift)[0] == exact


@pytest.mark.parametrize(
    ("x", "rounded"),
    [
        (-6, -1),
        (-5, -1),
        (-3, -1),
        (-2, 0),
        (-1, 0),
        (0, 0),
        (1, 0),
        (2, 1),
        (3, 1),
        (5, 1),
        (6, 2),
    ],
)
def test_ties_go_up(x: int, rounded: int) -> None:
    """A quotient half-way between two integers becomes the greater one: quarters, by hand."""
    assert round_shift(np.array([x]), 2)[0] == rounded


# Saturating rounding doubling high multiply, the (2 a b + 2**31) >> 32 of 32-bit values, rounded
# and saturated: Arm Architecture Reference Manual for A-profile, instruction SQRDMULH (from
# memory); the values are worked out by hand from that definition.
@pytest.mark.parametrize(
    ("a", "b", "high"),
    [(2**30, 2**30, 2**29), (-3, 2**30, -1), (INT32_MIN, INT32_MIN, INT32_MAX)],
)
def test_rounding_doubling_high_multiply(a: int, b: int, high: int) -> None:
    """A 31-bit shift of a product, saturated, is the doubling high multiply."""
    assert saturate(scale(np.array([a]), b, 31), INT32_MIN, INT32_MAX)[0] == high


def test_negative_ties_differ_from_rounding_away_from_zero() -> None:
    """Division by 2 that rounds ties away from zero turns -3 into -2; this rule turns it into -1.

    The published vector (-3, 1) -> -2 belongs to a rounding divide by a power of two whose ties go
    away from zero. It is this rule applied to the magnitude.
    """
    away_from_zero = -round_shift(np.array([3]), 1)[0]
    assert away_from_zero == -2
    assert round_shift(np.array([-3]), 1)[0] == -1


def test_quantize_linear_vector() -> None:
    """Division by a scale of 2, rounding and saturation give the QuantizeLinear example.

    ONNX operator specification, QuantizeLinear, node test ``test_quantizelinear``: scale 2, zero
    point 128. Its ties go to even, and none of its ties would go elsewhere by this rule.
    """
    x = np.array([0, 2, 3, 1000, -254, -1000])
    y = saturate(round_shift(x, 1) + 128, 0, 255)
    assert y.tolist() == [128, 129, 130, 255, 1, 0]


def test_matmul_integer_vector() -> None:
    """The integer product gives the MatMulInteger example (ONNX node tests)."""
    a = np.array([[11, 7, 3], [10, 6, 2], [9, 5, 1], [8, 4, 0]]) - 12
    b = np.array([[1, 4], [2, 5], [3, 6]])
    product = exact_matmul(a, b.T)
    assert product.tolist() == [[-38, -83], [-44, -98], [-50, -113], [-56, -128]]


@given(st.integers(1, 300), st.integers(0, 2**32 - 1))
def test_product_is_exact(n_in: int, seed: int) -> None:
    """The fast product equals Python's own integers at the edge of 32 bits."""
    rng = np.random.default_rng(seed)
    x = rng.integers(-32767, 32768, (3, n_in))
    weights = rng.integers(-32767 // n_in - 1, 32767 // n_in + 2, (2, n_in))
    exact = [[sum(a * b for a, b in zip(r, w, strict=True)) for w in weights.tolist()]
             for r in x.tolist()]  # fmt: skip
    assert exact_matmul(x, weights).tolist() == exact


@given(st.integers(1, 2**52 - 1))
def test_bit_length_is_pythons(x: int) -> None:
    """The number of bits equals int.bit_length."""
    assert bit_length(np.array([x]))[0] == x.bit_length()


@given(st.floats(1e-9, 1.0), st.integers(1, 2**30))
def test_chosen_multiplier_fits(real: float, bound: int) -> None:
    """Up to 2**30 some multiplier fits one or two 32-bit products, near the wanted factor."""
    multiplier, shift = choose_multiplier(real, bound)
    one = fits_one_multiply(bound, multiplier, shift)
    assert one or (shift >= SPLIT_SHIFT and multiplier < 2**15)
    if multiplier >= 16 and shift < 46:
        assert multiplier / 2**shift == pytest.approx(real, rel=1 / 16)


@given(st.integers(-(2**30), 2**30), st.integers(1, 2**15 - 1), st.integers(SPLIT_SHIFT, 46))
def test_two_multiplications_are_exact(x: int, multiplier: int, shift: int) -> None:
    """Halves of 16 bits give the scaled value without any sum or product beyond 32 bits."""
    high, low = x >> 16, x & 0xFFFF
    parts = [high * multiplier, (low * multiplier) >> 16, (1 << (shift - 16)) >> 1]
    assert low * multiplier < 2**32
    assert all(INT32_MIN <= v <= INT32_MAX for v in (parts[0], sum(parts[:2]), sum(parts)))
    assert sum(parts) >> (shift - 16) == scale(np.array([x]), multiplier, shift)[0]


@pytest.mark.parametrize("real", [0.0, -1.0, float("nan"), float("inf"), 1e6])
def test_impossible_scale_is_refused(real: float) -> None:
    """A factor that no 32-bit product can carry is refused."""
    with pytest.raises(OverflowRisk):
        choose_multiplier(real, 2**30)


def test_saturation_is_symmetric() -> None:
    """8-bit activations reach from -127 to 127."""
    limit = symmetric_limit(8)
    assert saturate(np.array([-1000, -128, 127, 128]), -limit, limit).tolist() == [
        -127, -127, 127, 127,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bound", "multiplier", "shift", "fits"),
    [
        (INT32_MAX, 1, 0, True), (INT32_MAX + 1, 1, 0, False),  # no rounding term without a shift
        (INT32_MAX - 1, 1, 1, True), (INT32_MAX, 1, 1, False),  # one, for a shift by one
        (65535, 32767, 17, True), (65536, 32767, 17, False),  # 2,147,418,112 + 65,536 is 2**31
        (1, 1, 31, True), (INT32_MAX - 2**30, 1, 31, True), (2**30, 1, 31, False),
        (3, 5, 31, True), (INT32_MAX // 5, 5, 1, True), (INT32_MAX // 5 + 1, 5, 1, False),
    ],
)  # fmt: skip
def test_one_multiplication_fits_up_to_the_last_bit(
    bound: int, multiplier: int, shift: int, fits: bool
) -> None:
    """The largest product and half a step of the shift together are at most 2**31 - 1."""
    assert fits_one_multiply(bound, multiplier, shift) is fits


@pytest.mark.parametrize(
    ("real", "bound", "chosen"),
    [
        (0.5, 100, (16384, 15)),  # 15 bits
        (0.5, 2**16, (16384, 15)), (0.5, 2**17, (8192, 14)),  # one fewer where 2**31 is reached
        (0.5, 2**20, (1024, 11)), (0.5, 2**26, (16, 5)),  # as few as five
        (0.5, 2**27, (8, 4)), (0.5, 2**29, (2, 2)),  # fewer only where two do not work either
        (0.125, 2**27, (16384, 17)),  # rather two multiplications, from a shift of 17 on
        (0.25, 2**27, (8, 5)), (2.0**-4, 2**26, (16, 8)),  # sixteen is enough for one
        (15 / 256, 2**27, (30720, 19)),  # fifteen is not
        (2.0**-32, 2**30, (16384, 46)), (2.0**-33, 2**30, (8192, 46)), (2.0**-46, 2**30, (1, 46)),
        (32767.0, 1, (32767, 0)), (16384.5, 1, (16384, 0)),
        (0.99999999, 100, (16384, 14)),  # rounding carries into one more bit
        (1 / 3, 2**16, (21845, 16)),  # 0.33332825, and not 0.3333435
    ],
)  # fmt: skip
def test_a_multiplier_has_as_many_bits_as_fit(
    real: float, bound: int, chosen: tuple[int, int]
) -> None:
    """Five to fifteen bits in one multiplication; else fifteen in two; else what one allows."""
    assert choose_multiplier(real, bound) == chosen


@pytest.mark.parametrize("real", [-1.0, 0.0, float("nan"), float("inf"), -float("inf")])
def test_a_scale_that_is_no_factor_is_told_as_such(real: float) -> None:
    """What is not a finite number above 0 is named so; what fits nowhere, as too wide."""
    with pytest.raises(OverflowRisk, match="a finite number above 0"):
        choose_multiplier(real, 1)
    for wide, bound in ((32768.0, 1), (2.0**-48, 1), (0.5, 2**31)):
        with pytest.raises(OverflowRisk, match="wider than 32 bits"):
            choose_multiplier(wide, bound)


def test_values_are_saturated_from_any_integer_type() -> None:
    """Unsigned and 64-bit values are clamped as the numbers they are, into int32."""
    top = saturate(np.array([2**40, -(2**40), 5]), -7, 7)
    assert (top.tolist(), top.dtype) == ([7, -7, 5], np.int32)
    assert saturate(np.array([250, 3], np.uint8), -127, 127).tolist() == [127, 3]
    assert [symmetric_limit(n) for n in (1, 2, 8, 16, 32)] == [0, 1, 127, 32767, INT32_MAX]
    assert (INT32_MIN, INT32_MAX, SPLIT_SHIFT) == (-2147483648, 2147483647, 17)
    assert (MAX_MULTIPLIER, MAX_SHIFT) == (32767, 46)
