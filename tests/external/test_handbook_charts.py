"""Individuals and EWMA charts against published worked examples.

An outsider can compute every limit by hand from the moving ranges.

- EWMA: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4: 20 values, centre 50, s 2.0539, λ 0.3
  (seen in secondary copies).
- Individuals, 10 values: same handbook, section 6.3.2.2 (limits seen in secondary copies, data from memory).
- Individuals, 30 values: user's guide of a general statistics package, 9.2, example 9.4 (seen in excerpts).
- d2 = 1.128 and 1.4826: standard tables of control-chart factors and of the normal distribution (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.control import ewma_chart, individuals_chart

EWMA_X = "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
EWMA_Z = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 "
    "51.94 51.99"
)
TEN = "49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
THIRTY = (
    "24.05 23.99 23.95 23.93 23.97 24.02 24.06 24.10 23.98 24.03 23.91 24.06 24.06 23.96 23.98 24.06 24.01 24.00 "
    "23.93 23.92 24.09 24.11 24.05 23.98 23.98 24.06 24.02 24.06 23.97 23.96"
)


def _numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=np.float64)


def test_ewma_column_and_limits():
    """All 20 weighted means and both limits are as printed."""
    chart = ewma_chart(_numbers(EWMA_X), centre=50.0, sigma=2.0539, weight=0.3, growing_limits=False)

    # half a unit of the last printed digit; the means were rounded along the way there, so a whole unit is allowed
    assert chart.ewma == pytest.approx(_numbers(EWMA_Z), abs=0.0051)
    assert (chart.high[-1], chart.low[-1]) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert chart.outside == ()


@pytest.mark.unseen
def test_individuals_chart_of_ten():
    """Centre, mean range and limits are as printed."""
    chart = individuals_chart(_numbers(TEN))

    assert (chart.centre, chart.moving_range) == pytest.approx((50.81, 1.8778), abs=5e-5)
    # the handbook rounds the mean range before it multiplies: 3·0.00005/1.128
    assert (chart.high, chart.low) == pytest.approx((55.8041, 45.8159), abs=2e-4)
    assert chart.outside == ()


def test_individuals_chart_of_thirty():
    """Centre, limits, sigma and the range's limit are as printed."""
    chart = individuals_chart(_numbers(THIRTY))

    assert (chart.centre, chart.low, chart.high) == pytest.approx((24.0083, 23.8571, 24.1596), abs=1e-4)
    assert (chart.moving_range, chart.sigma) == pytest.approx((0.056897, 0.050423), abs=2e-5)
    assert chart.range_high == pytest.approx(0.18585, abs=5e-5)
    assert chart.outside == ()
