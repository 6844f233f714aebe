"""The running trace keeps every peak and forgets nothing twice."""

from __future__ import annotations

import numpy as np

from forcekit.live.trace import POINTS_PER_S, Trace


def test_a_peak_of_one_sample_stays_whatever_the_packets() -> None:
    """Thinning keeps the lowest and highest force of each bin, and packets of any size give the same rows."""
    t_s = np.arange(3000) / 1000.0
    force = 800.0 + np.random.default_rng(1).normal(0.0, 1.0, t_s.size)
    force[1234] = 2500.0
    force[2001] = -3.0
    nothing = np.full(t_s.size, np.nan)
    rows = []
    for size in (1, 7, 3000):
        trace = Trace()
        for a in range(0, t_s.size, size):
            trace.add(t_s[a : a + size], force[a : a + size], nothing[a : a + size], nothing[a : a + size])
        rows.append(trace.after(0)[1])
    assert rows[0].shape[0] <= 3.0 * POINTS_PER_S
    assert float(rows[0][:, 1].max()) == 2500.0
    assert float(rows[0][:, 1].min()) == -3.0
    np.testing.assert_array_equal(rows[0], rows[2])
    np.testing.assert_array_equal(rows[1], rows[2])


def test_asking_again_gives_only_what_is_new() -> None:
    """The place that one call gives is where the next one goes on."""
    trace = Trace()
    nothing = np.full(1000, np.nan)
    trace.add(np.arange(1000) / 1000.0, np.arange(1000.0), nothing, nothing)
    place, first = trace.after(0)
    trace.add(1.0 + np.arange(1000) / 1000.0, np.arange(1000.0), nothing, nothing)
    _, second = trace.after(place)
    assert trace.after(trace.after(0)[0])[1].size == 0
    np.testing.assert_array_equal(np.concatenate([first, second]), trace.after(0)[1])
