"""From packets to the running analysis: what comes before the plate is not lost."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.acquire.samples import Batch
from forcekit.analysis.pipeline import Settings
from forcekit.live.feed import EARLY_S, Feed
from forcekit.live.trace import Trace
from forcekit.model import AttemptCard, Stream
from tests.acquire.streams import CELLS, bar_stream, plate_stream


def batch(stream: Stream, first: int, last: int) -> Batch:
    """Samples of a stream as its device sends them, a tick a microsecond; they arrive when they were taken."""
    raw = np.column_stack([stream.raw[c.name] for c in stream.device.channels])
    return Batch(0, np.round(1e6 * stream.t_s[first:last]), raw[first:last], float(stream.t_s[last - 1]))


def test_a_bar_that_speaks_first_is_heard_from_its_first_sample() -> None:
    """The link of the bar is up 0.3 s before the plate's: all its samples are remembered, as in the file."""
    plate, bar = plate_stream(2.0, 500.0), bar_stream(2.0)
    feed = Feed(Settings(), "test", Trace())
    n = int(np.searchsorted(bar.t_s, 0.3))
    for a in range(0, n, 10):
        feed.take(1, bar.device, 1e-6, batch(bar, a, min(n, a + 10)))
    feed.take(0, plate.device, 1e-6, batch(plate, 0, 200))
    feed.take(1, bar.device, 1e-6, batch(bar, n, n + 10))
    assert feed.analysis is not None
    assert 200 + n + 10 == feed.analysis.n_remembered


def test_a_bar_without_a_plate_fills_no_memory() -> None:
    """Of a bar alone no more is held than the last seconds."""
    bar = bar_stream(3.0 * EARLY_S)
    feed = Feed(Settings(), "test", Trace())
    for a in range(0, bar.t_s.size - 50, 50):
        feed.take(1, bar.device, 1e-6, batch(bar, a, a + 50))
    held_s = feed._early[-1][0][-1] - feed._early[0][0][0]
    assert EARLY_S - 1.0 < held_s < EARLY_S + 1.0


@pytest.mark.parametrize("size", [12, 700])
def test_a_lifter_who_stands_there_first_is_not_the_empty_plate(size: int) -> None:
    """Whether the plate was loaded at the first packet or not, the trace shows the pressure where it is.

    A lifter stands on the heels, steps off, and on again at 60 % of a foot of 0.25 m; each cell says 30 N too much.
    """
    trace = Trace()
    feed = Feed(Settings(), "test", trace)
    feed.card = AttemptCard(foot_length_m=0.25, heel_line_m=-0.10)
    stream = plate_stream(7.0, 1000.0)
    rng = np.random.default_rng(5)
    stands = np.select([stream.t_s < 2.0, stream.t_s < 3.5], [1.0, 0.0], 1.0)
    x_m = np.where(stream.t_s < 2.0, -0.09, 0.05)
    for i, (name, at_m, _) in enumerate(CELLS):
        force = 30.0 + 800.0 * stands * (0.25 + np.sign(at_m) * x_m) + rng.normal(0.0, 1.0, stands.size)
        stream.raw[name] = np.rint(force / 0.0125 + 100.0 * i)
    for a in range(0, stream.t_s.size, size):
        feed.take(0, stream.device, 1e-6, batch(stream, a, min(a + size, stream.t_s.size)))
    rows = trace.after(0)[1]
    again = rows[rows[:, 0] > 3.55]
    np.testing.assert_allclose(again[:, 2], 0.6, atol=0.02)
    np.testing.assert_allclose(again[:, 1], 800.0, atol=8.0)
