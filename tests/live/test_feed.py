"""From packets to the running analysis: what comes before the plate is not lost."""

from __future__ import annotations

import numpy as np

from forcekit.acquire.samples import Batch
from forcekit.analysis.pipeline import Settings
from forcekit.live.feed import EARLY_S, Feed
from forcekit.live.trace import Trace
from forcekit.model import Stream
from tests.acquire.streams import bar_stream, plate_stream


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
