"""The size of a step: its interval agrees with the test that found it, and holds the truth often enough."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.history.trend import WEEK_S, trend


def stepped(rng: np.random.Generator, size: float, n: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """A series with one step in the middle."""
    return WEEK_S * np.arange(n), rng.standard_normal(n) + size * (np.arange(n) >= n // 2)


@pytest.mark.parametrize("size", [-4.0, 2.5, 6.0])
def test_the_interval_leaves_out_zero_where_a_step_is_told(size: float) -> None:
    """A step is told where a steady series would show it in less than 1 of 20 cases; so does the interval."""
    rng = np.random.default_rng(5)
    found = [trend(*stepped(rng, size)) for _ in range(20)]
    told = [t.steps[0] for t in found if len(t.steps) == 1]

    assert len(told) > 5
    for step in told:
        assert step.low < step.after - step.before < step.high
        assert step.low * step.high > 0.0
        assert np.sign(step.after - step.before) == np.sign(size)


def test_the_interval_holds_the_truth() -> None:
    """Of 300 series with a step of 5 scatters the interval misses it in at most 5 %, with the choice of the place."""
    rng = np.random.default_rng(11)
    found = [trend(*stepped(rng, 5.0)) for _ in range(300)]
    ends = np.array([(t.steps[0].low, t.steps[0].high) for t in found if len(t.steps) == 1])
    missed = np.mean((ends[:, 0] > 5.0) | (ends[:, 1] < 5.0))

    assert ends.shape[0] > 200
    assert missed <= 0.05


def test_the_sentence_has_size_interval_and_day() -> None:
    """Levels with no more digits than are sure, the interval of the difference, and the day of the first point."""
    at_s, values = stepped(np.random.default_rng(2), 8.0)
    day = 1_706_000_000.0  # 2024-01-23
    found = trend(at_s + day, 0.1 + 0.001 * values, measure="transition_time", unit="s")
    (step,) = found.steps
    size = f"a difference of {1e3 * step.low:+.1f} to {1e3 * step.high:+.1f} ms, 95 %"

    assert f"a step from 100 ms to 108 ms ({size}) at rep 7, 2024-03-05, from 12 reps" in found.sentence
