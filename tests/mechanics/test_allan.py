"""Allan deviation and noise figures: known noises come back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import CannotMeasure
from forcekit.mechanics.allan import AllanCurve, allan_deviation, noise_figures

RATE = 100.0
N = 2**17


def test_white_noise_comes_back() -> None:
    """White noise of density 1e-3 is found within four standard uncertainties; nothing else is claimed."""
    values = 1e-3 * np.sqrt(RATE) * np.random.default_rng(1).standard_normal(N)
    found = noise_figures(allan_deviation(values, RATE))
    assert abs(found.white.value - 1e-3) < 4.0 * found.white.u
    assert found.white.u < 1e-5
    assert not found.instability.seen
    assert not found.walk.seen
    assert found.instability.value < 3e-4


@pytest.mark.parametrize("seed", range(3))
def test_random_walk_comes_back(seed: int) -> None:
    """A random walk of 1e-4 per root second beside white noise is found within four standard uncertainties."""
    rng = np.random.default_rng([seed, 5])
    values = 1e-3 * np.sqrt(RATE) * rng.standard_normal(N) + np.cumsum(1e-4 * rng.standard_normal(N) / np.sqrt(RATE))
    found = noise_figures(allan_deviation(values, RATE))
    assert found.walk.seen
    assert abs(found.walk.value - 1e-4) < 4.0 * found.walk.u
    assert abs(found.white.value - 1e-3) < 4.0 * found.white.u


def test_figures_of_an_exact_curve() -> None:
    """N, B and K of a curve that follows the formula are those of the formula."""
    tau = 2.0 ** np.arange(-6.0, 11.0)
    n, b, k = 1e-3, 4e-4, 2e-5
    deviation = np.sqrt(n**2 / tau + 2.0 * np.log(2.0) / np.pi * b**2 + k**2 * tau / 3.0)
    found = noise_figures(AllanCurve(tau, deviation, deviation * 0.01, np.full(tau.size, 5000.0)))
    got = (found.white.value, found.instability.value, found.walk.value)
    assert got == pytest.approx((n, b, k), rel=1e-6)
    assert found.white.seen
    assert found.instability.seen
    assert found.walk.seen


@given(offset=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3))
def test_offset_drops_out_and_scale_passes_through(offset: float, scale: float) -> None:
    """A constant changes nothing, a factor changes the deviation by itself."""
    x = np.random.default_rng(3).standard_normal(512)
    base = allan_deviation(x, 1.0).deviation
    np.testing.assert_allclose(allan_deviation(scale * x + offset, 1.0).deviation, scale * base, rtol=1e-6)


def test_a_steady_drift_grows_with_tau() -> None:
    """A ramp of slope d has a deviation of d τ/√2 (textbook identity)."""
    curve = allan_deviation(0.5 * np.arange(4000.0) / RATE, RATE)
    np.testing.assert_allclose(curve.deviation, 0.5 * curve.tau_s / np.sqrt(2.0), rtol=1e-6)


def test_uncertainty_of_the_curve_is_that_of_repeats() -> None:
    """Over many recordings of white noise the deviation scatters as stated."""
    rng = np.random.default_rng(8)
    curves = [allan_deviation(rng.standard_normal(2048), 1.0, counts=(1, 8, 64)) for _ in range(300)]
    spread = np.std([c.deviation for c in curves], axis=0, ddof=1)
    # 300 repeats give a standard deviation to 4 %; the degrees of freedom are approximate to about a tenth, and for
    # long averages they are those of a random walk, which are fewer.
    np.testing.assert_allclose(spread[:2], curves[0].u[:2], rtol=0.25)
    assert 0.6 * curves[0].u[2] < spread[2] < 1.2 * curves[0].u[2]


def test_too_short_recordings_are_refused() -> None:
    """A few samples have no noise figures."""
    with pytest.raises(CannotMeasure, match="record ten minutes"):
        noise_figures(allan_deviation(np.arange(20.0), 1.0))
    with pytest.raises(ValueError, match="too few"):
        allan_deviation(np.arange(10.0), 1.0, counts=(8,))
