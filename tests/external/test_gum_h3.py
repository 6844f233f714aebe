"""Calibration line of a thermometer: an outsider can check it with the formulas of a straight-line fit.

JCGM 100:2008 (GUM), example H.3: eleven corrections b at temperatures t, fitted by b = y1 + y2 (t - 20). Numbers from
memory; that the example has eleven rows was seen in a secondary copy. Marked unseen.
"""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.mechanics.uncertain import Uncertain, correlated

T_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B_C = -1e-3 * np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160])
pytestmark = pytest.mark.unseen


def fitted() -> tuple[list[Uncertain], float]:
    """Intercept at 20 °C and slope with their covariance, and the scatter about the line: the textbook formulas."""
    design = np.vander(T_C - 20.0, 2, increasing=True)
    y = np.linalg.solve(design.T @ design, design.T @ B_C)
    s2 = float(np.sum((B_C - design @ y) ** 2)) / (T_C.size - 2)
    return correlated(list(y), s2 * np.linalg.inv(design.T @ design)), float(np.sqrt(s2))


def test_the_data_are_those_of_the_example() -> None:
    """Line as printed: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), s 0.0035; half a last digit."""
    (y1, y2), s = fitted()
    assert (y1.value, y2.value) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.00218, abs=5e-6))
    assert (y1.u, y2.u, s) == pytest.approx((0.0029, 0.00067, 0.0035), abs=5e-5)


def test_correlated_numbers_keep_the_printed_correlation() -> None:
    """r(y1, y2) = -0.930; half a last digit."""
    (y1, y2), _ = fitted()
    assert float(np.dot(y1.parts, y2.parts)) / (y1.u * y2.u) == pytest.approx(-0.930, abs=5e-4)


def test_the_predicted_correction_has_the_printed_uncertainty() -> None:
    """At 30 °C the correction is -0.1494 with u = 0.0041: intercept and slope share their sources."""
    (y1, y2), _ = fitted()
    at_30 = y1 + y2 * (30.0 - 20.0)
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.u == pytest.approx(0.0041, abs=5e-5)
