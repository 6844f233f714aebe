"""The size of a step: its interval agrees with the test that found it, and holds the truth often enough."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.steps import step_size
from forcekit.history.trend import WEEK_S, trend


def stepped(rng: np.random.Generator, size: float, n: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """A series with one step in the middle."""
    return WEEK_S * np.arange(n), rng.standard_normal(n) + size * (np.arange(n) >= n // 2)


@pytest.mark.parametrize("size", [-4.0, 2.5, 6.0])
def test_the_interval_leaves_out_zero_where_a_step_is_told(size: float) -> None:
    """A step is told where a steady series would show it in less than 1 of 20 cases; so does the interval."""
    rng = np.random.default_rng(5)
    found = [trend(*stepped(rng, size)) for _ in range(20)]
    told = [step_size(t, 0) for t in found if len(t.steps) == 1]

    assert len(told) > 5
    for value, low, high in told:
        assert low < value < high
        assert low * high > 0.0
        assert np.sign(value) == np.sign(size)


def test_the_interval_holds_the_truth() -> None:
    """Of 300 series with a step of 5 scatters the interval misses it in at most 5 %, with the choice of the place."""
    rng = np.random.default_rng(11)
    found = [trend(*stepped(rng, 5.0)) for _ in range(300)]
    ends = np.array([step_size(t, 0)[1:] for t in found if len(t.steps) == 1])
    missed = np.mean((ends[:, 0] > 5.0) | (ends[:, 1] < 5.0))

    assert ends.shape[0] > 200
    assert missed <= 0.05


def test_the_size_is_that_of_the_means() -> None:
    """The value is the difference of the levels that the trend tells."""
    found = trend(*stepped(np.random.default_rng(2), 8.0))

    assert found.steps[0].after - found.steps[0].before == pytest.approx(step_size(found, 0)[0], rel=1e-12)
