"""Simultaneous resistance and reactance: an outsider can check it with the means and covariances of five readings.

JCGM 100:2008 (GUM), example H.2: five sets of voltage V, current I and phase phi; R = (V/I) cos phi, X = (V/I) sin phi,
Z = V/I, correlated. Data and results seen in secondary copies.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from forcekit.mechanics.uncertain import Uncertain, correlated, function

READINGS = np.array(
    [
        (5.007, 19.663e-3, 1.0456),
        (4.994, 19.639e-3, 1.0438),
        (5.005, 19.640e-3, 1.0468),
        (4.990, 19.685e-3, 1.0428),
        (4.999, 19.678e-3, 1.0433),
    ]
)


@pytest.fixture
def inputs() -> list[Uncertain]:
    """Means of the readings with the covariance of their means."""
    return correlated(list(READINGS.mean(axis=0)), np.cov(READINGS.T) / 5.0)


@pytest.fixture
def outputs(inputs: list[Uncertain]) -> list[Uncertain]:
    """R, X and Z by the law of propagation, with arithmetic where it serves and a function where it must."""
    v, i, phi = inputs
    return [v / i * function(math.cos, phi), v / i * function(math.sin, phi), v / i]


def correlation(a: Uncertain, b: Uncertain) -> float:
    """Correlation coefficient of two numbers from the sources they share."""
    return float(np.dot(a.parts, b.parts)) / (a.u * b.u)


def test_inputs_have_the_printed_means_and_uncertainties(inputs: list[Uncertain]) -> None:
    """Table H.2: V 4.9990 (0.0032), I 19.661e-3 (0.0095e-3), phi 1.04446 (0.00075); half a last digit each."""
    assert [x.value for x in inputs] == pytest.approx([4.9990, 19.661e-3, 1.04446], rel=1e-5)
    for x, u, half in zip(inputs, (0.0032, 0.0095e-3, 0.00075), (5e-5, 5e-8, 5e-6), strict=True):
        assert x.u == pytest.approx(u, abs=half)


def test_inputs_have_the_printed_correlations(inputs: list[Uncertain]) -> None:
    """r(V,I) -0.36, r(V,phi) 0.86, r(I,phi) -0.65; half a last digit."""
    v, i, phi = inputs
    found = [correlation(v, i), correlation(v, phi), correlation(i, phi)]
    assert found == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)


def test_results_are_the_printed_ones(outputs: list[Uncertain]) -> None:
    """R 127.732, X 219.847, Z 254.260 ohm (half a last digit); u 0.071, 0.295, 0.236.

    The guide rounds on its way: from the raw readings u(X) is 0.2956, so that one unit of the last digit is allowed.
    """
    assert [x.value for x in outputs] == pytest.approx([127.732, 219.847, 254.260], abs=5.5e-4)
    assert [x.u for x in outputs] == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)


def test_results_are_correlated_as_printed(outputs: list[Uncertain]) -> None:
    """r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993; half a last digit and the guide's rounding: 1e-3."""
    r, x, z = outputs
    found = [correlation(r, x), correlation(r, z), correlation(x, z)]
    assert found == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


def test_function_and_arithmetic_agree(inputs: list[Uncertain], outputs: list[Uncertain]) -> None:
    """The whole expression through differences gives the same as step by step (curvature below 1e-6)."""
    whole = function(lambda v, i, phi: v / i * math.cos(phi), *inputs)
    assert (whole.value, whole.u) == pytest.approx((outputs[0].value, outputs[0].u), rel=1e-5)
