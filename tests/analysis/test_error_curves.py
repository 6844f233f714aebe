"""Error curves by coefficients against the curves themselves, sample by sample."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.analysis.error_curves import ErrorCurve, RunningIntegrals, StepCurves
from forcekit.mechanics.motion import running_integral

BLOCKS = [(0, 7), (7, 8), (8, 20), (20, 33), (0, 1), (32, 33), (5, 33)]
N = 33


def drawn() -> np.ndarray:
    """The blocks as curves of ones and zeros, shape (m, N)."""
    curves = np.zeros((len(BLOCKS), N))
    for row, (a, b) in zip(curves, BLOCKS, strict=True):
        row[a:b] = 1.0
    return curves


@pytest.mark.parametrize("n_integrals", [0, 1, 2])
def test_blocks_integrate_as_the_trapezoid_rule_does(n_integrals: int) -> None:
    """Value, integral and integral of the integral at every sample, also of blocks of one sample and at both ends."""
    expected = drawn()
    for _ in range(n_integrals):
        expected = running_integral(expected, 1.0)
    steps = StepCurves.of(BLOCKS)
    np.testing.assert_allclose(steps.at(np.arange(N)[:, None], n_integrals).T, expected, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("n", [2, 63, 64, 65, 200])
def test_integrals_at_a_sample_are_those_of_the_trapezoid_rule(n: int) -> None:
    """Value, integral and integral of the integral at every sample, at and between the borders of the blocks."""
    curves = 600.0 + np.random.default_rng(n).standard_normal((3, n))
    expected = [curves]
    for _ in range(2):
        expected.append(running_integral(expected[-1], 0.002))
    integrals = RunningIntegrals.of(curves, 0.002)
    for i in range(n - 1):
        for found, whole in zip(integrals.at(i), expected, strict=True):
            np.testing.assert_allclose(found.T, whole[:, i : i + 2], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("n_integrals", [0, 1, 2])
def test_a_curve_is_read_linearly_between_samples(n_integrals: int) -> None:
    """Coefficients times curves, at samples, between them and, held back, beyond both ends."""
    rng = np.random.default_rng(5)
    curves, more, factors = rng.standard_normal((4, N)), rng.standard_normal((2, N)), rng.standard_normal((9, 13))
    curve = ErrorCurve(RunningIntegrals.of(curves, 1.0), more, StepCurves.of(BLOCKS), factors, n_integrals)
    blocks = drawn()
    for _ in range(n_integrals):
        curves, blocks = running_integral(curves, 1.0), running_integral(blocks, 1.0)
    whole = factors @ np.concatenate((curves, more, blocks))
    for place in (0.0, 3.0, 7.25, 31.5, 32.0):
        i = min(int(place), N - 2)
        expected = whole[:, i] + (place - i) * (whole[:, i + 1] - whole[:, i])
        np.testing.assert_allclose(curve.at(place), expected, rtol=0.0, atol=1e-11)
    assert N == curve.n_samples
