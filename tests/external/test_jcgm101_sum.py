"""Sum of four equal inputs by drawing: an outsider can check the normal case with ±1.96 · 2.

JCGM 101:2008, 9.2: Y = X1 + X2 + X3 + X4, each with mean 0 and SD 1, normal (9.2.2) or rectangular (9.2.3). Numbers
from memory, recomputed by us. Marked unseen.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from forcekit.mechanics.uncertain import K95, independent, monte_carlo
from forcekit.model import FloatArray

pytestmark = pytest.mark.unseen


def normal(rng: np.random.Generator, n: int) -> FloatArray:
    """Standard normal draws."""
    return rng.standard_normal(n)


def rectangular(rng: np.random.Generator, n: int) -> FloatArray:
    """Rectangular draws with SD 1."""
    return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), n)


def total(*inputs: FloatArray) -> FloatArray:
    """The model: a sum."""
    return np.sum(inputs, axis=0)


@pytest.mark.parametrize(("draw", "half"), [(normal, 3.92), (rectangular, 3.88)])
def test_interval_of_the_sum(draw: object, half: float) -> None:
    """u = 2.00 and the 95 % interval ±3.92 or ±3.88; a million draws know the ends to 0.005, 0.015 is allowed."""
    y = monte_carlo(total, [draw] * 4, n=1_000_000, seed=2)  # type: ignore[list-item]
    assert y.value == pytest.approx(0.0, abs=0.01)
    assert y.u == pytest.approx(2.0, abs=0.007)
    assert (y.low, y.high) == (pytest.approx(-half, abs=0.015), pytest.approx(half, abs=0.015))


def test_linear_propagation_of_the_sum() -> None:
    """By the law of propagation the sum is uncertain by 2.0, with ±3.92 for 95 %."""
    a, b, c, d = independent([0.0] * 4, [1.0] * 4)
    assert (a + b + c + d).u == pytest.approx(2.0, abs=1e-12)
    assert K95 * (a + b + c + d).u == pytest.approx(3.92, abs=0.005)
