"""The law of propagation of uncertainty, against its own textbook rules and against drawing whole distributions."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.mechanics.uncertain import (
    K95,
    Uncertain,
    correlated,
    exact,
    function,
    independent,
    monte_carlo,
)
from forcekit.model import FloatArray

numbers = st.floats(-100.0, 100.0).filter(lambda x: abs(x) > 0.1)
sizes = st.floats(1e-3, 5.0)


@given(x=numbers, y=numbers, ux=sizes, uy=sizes)
def test_independent_sums_and_products(x: float, y: float, ux: float, uy: float) -> None:
    """Absolute uncertainties add in squares for sums, relative ones for products and quotients (JCGM 100, 5.1)."""
    a, b = independent([x, y], [ux, uy])
    relative = math.hypot(ux / x, uy / y)
    assert (a + b).u == pytest.approx(math.hypot(ux, uy))
    assert (a - b).u == pytest.approx(math.hypot(ux, uy))
    assert (a * b).u == pytest.approx(abs(x * y) * relative)
    assert (a / b).u == pytest.approx(abs(x / y) * relative)
    assert ((a + b).value, (a - b).value, (a * b).value, (a / b).value) == (x + y, x - y, x * y, x / y)


@given(x=numbers, ux=sizes, c=numbers)
def test_plain_numbers_scale_and_shift(x: float, ux: float, c: float) -> None:
    """A number without uncertainty shifts the value or scales value and uncertainty, from either side."""
    (a,) = independent([x], [ux])
    assert ((a + c).u, (c + a).u, (c - a).u, (-a).u) == pytest.approx((ux, ux, ux, ux))
    assert ((a * c).u, (c * a).u, (a / c).u) == pytest.approx((abs(c) * ux, abs(c) * ux, ux / abs(c)))
    assert (c - a).value == c - x


@given(x=numbers, ux=sizes)
def test_what_is_shared_cancels(x: float, ux: float) -> None:
    """A number less itself is exactly 0 and over itself exactly 1; plus itself it is twice as uncertain."""
    (a,) = independent([x], [ux])
    assert ((a - a).value, (a - a).u) == (0.0, 0.0)
    assert ((a / a).value, (a / a).u) == pytest.approx((1.0, 0.0), abs=1e-12)
    assert (a + a).u == pytest.approx(2.0 * ux)


def test_correlated_numbers_reproduce_their_covariance() -> None:
    """The parts of correlated numbers multiply out to the matrix they were made from, also when it is singular."""
    for covariance in ([[4.0, -1.8], [-1.8, 1.0]], [[1.0, 1.0], [1.0, 1.0]]):
        parts = np.array([x.parts for x in correlated([1.0, 2.0], np.array(covariance))])
        assert parts @ parts.T == pytest.approx(np.array(covariance))


def test_difference_of_correlated_numbers() -> None:
    """u²(x - y) = u²(x) + u²(y) - 2 cov(x, y) (JCGM 100, equation 13)."""
    x, y = correlated([5.0, 3.0], np.array([[4.0, 1.5], [1.5, 1.0]]))
    assert (x - y).u == pytest.approx(math.sqrt(4.0 + 1.0 - 3.0))


def test_function_of_a_product_is_the_product() -> None:
    """Differences of one standard uncertainty are exact for a bilinear function, shared sources included."""
    x, y = correlated([5.0, 3.0], np.array([[0.04, 0.01], [0.01, 0.01]]))
    through = function(lambda a, b: a * b, x, y)
    assert (through.value, through.u) == pytest.approx(((x * y).value, (x * y).u))


def test_function_of_known_slope() -> None:
    """atan2 of two independent numbers: u² = (y² u_x² + x² u_y²)/(x² + y²)² to the order of u squared."""
    x, y = independent([3.0, 1.0], [0.003, 0.002])
    expected = math.sqrt((1.0 * 0.003) ** 2 + (3.0 * 0.002) ** 2) / 10.0
    # The central difference errs by f'''u²/6, relatively below u² = 1e-5.
    assert function(math.atan2, y, x).u == pytest.approx(expected, rel=1e-5)


def test_function_ignores_exact_inputs() -> None:
    """An input without uncertainty adds none."""
    (x,) = independent([2.0], [0.1])
    assert function(lambda a, b: a**b, x, exact(2.0)).u == pytest.approx(0.4)


def test_widened_adds_one_more_source() -> None:
    """A widened number has the root of the sum of squares and keeps what it shares with others."""
    (x,) = independent([2.0], [0.3])
    assert x.widened(0.4).u == pytest.approx(0.5)
    assert (x.widened(0.4) - x).u == pytest.approx(0.4)


def test_moved_keeps_the_uncertainty() -> None:
    """Moving a number changes its value alone."""
    (x,) = independent([2.0], [0.3])
    assert (x.moved(1.5).value, x.moved(1.5).u) == (3.5, pytest.approx(0.3))


def test_linear_propagation_agrees_with_drawing() -> None:
    """Motion of a jump, v = g (J/W - t) with shared weight: standard uncertainty and 95 % limits within 1 %.

    With 200 000 draws the SD has a sampling error of 1/√(2n) = 0.16 %, the quantiles of 0.5 %; the curvature of the
    quotient adds (u_W/W)² = 1e-6.
    """
    w, j, t = 1500.0, 1020.0, 0.5
    uw, uj, ut = 1.5, 2.0, 0.001
    a, b, c = independent([w, j, t], [uw, uj, ut])
    linear = (b / a - c) * 9.81

    def normal(mean: float, sd: float) -> Callable[[np.random.Generator, int], FloatArray]:
        return lambda rng, n: mean + sd * rng.standard_normal(n)

    drawn = monte_carlo(
        lambda x, y, z: (y / x - z) * 9.81, [normal(w, uw), normal(j, uj), normal(t, ut)], n=200_000, seed=3
    )
    assert drawn.u == pytest.approx(linear.u, rel=0.01)
    assert (drawn.low, drawn.high) == pytest.approx(
        (linear.value - K95 * linear.u, linear.value + K95 * linear.u), abs=0.02 * linear.u
    )


def test_the_95_percent_factor() -> None:
    """The factor leaves 2.5 % of the normal distribution on either side."""
    assert 0.5 * (1.0 + math.erf(K95 / math.sqrt(2.0))) == pytest.approx(0.975, abs=1e-12)


def test_a_number_shows_its_uncertainty() -> None:
    """What is printed is value and standard uncertainty."""
    assert repr(Uncertain(1500.0, np.array([1.5]))) == "1500 ± 1.5 (standard uncertainty)"
