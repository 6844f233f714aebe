"""Keeping the lifts of a running session in the history: the window's samples as the raw recording, and the results."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from forcekit.acquire.host_clock import ClockFit
from forcekit.acquire.recording_file import write_take
from forcekit.acquire.take import DeviceTake, Span, Take
from forcekit.analysis.pipeline import Settings
from forcekit.history.attempts import Stored
from forcekit.history.keep import Files, filled_names, keep_lifts
from forcekit.history.store import Store
from forcekit.model import AttemptCard, Recording, Stream, TimedCard
from forcekit.results import Analysis, Lift

__all__ = ["Session", "keep_lift", "take_of_window"]


@dataclass(frozen=True, slots=True)
class Session:
    """What all lifts of a session share: its name and when it began, seconds since 1970 (UTC)."""

    name: str
    began: float
    settings: Settings


def take_of_window(recording: Recording, card: AttemptCard, began: float) -> Take:
    """Take that gives back exactly the times and numbers of a window when its file is read."""
    streams = tuple(_device_take(s) for s in (recording.plate, recording.bar) if s is not None)
    first = recording.plate or recording.bar
    assert first is not None
    started = datetime.fromtimestamp(began, UTC).isoformat()
    return Take(streams, (TimedCard(float(first.t_s[0]), card),), started)


def _device_take(s: Stream) -> DeviceTake:
    # Times are kept as the clock itself: 0 + (t - 0) * 1 * 1 gives every one back to the last bit.
    clock = ClockFit(0.0, 0.0, 0.0, 0.0, 0.0, 0, 0.0, 0.0)
    return DeviceTake(
        device=s.device,
        source=s.source,
        tick_s=1.0,
        tick=s.t_s,
        epoch=np.zeros(s.t_s.size, np.int64),
        raw=dict(s.raw),
        spans=(Span(0.0, 0.0, 1.0, clock),),
        counted=False,
    )


def keep_lift(
    store: Store, session: Session, recording: Recording, lift: Lift, number: int, said: AttemptCard
) -> Stored:
    """Keep a settled lift with the samples of its window.

    Parameters
    ----------
    recording : Recording
        The window's samples.
    said : AttemptCard
        The card before the store filled in what it knows of the lifter.

    Raises
    ------
    InputError, DeviceError
        If the store or the disk refuses.
    """
    assert lift.card.athlete is not None
    suffix = ".parquet" if find_spec("pyarrow") else ".npz"
    with tempfile.TemporaryDirectory(prefix="window-") as folder:
        path = Path(folder) / f"{session.name}-lift-{number}{suffix}"
        write_take(take_of_window(recording, said, session.began), path)
        return keep_lifts(
            store,
            lift.card.athlete,
            Analysis(path.name, (lift,)),
            Files(path),
            at=session.began,
            setup={
                "settings": {"shortest_stance_s": session.settings.shortest_stance_s},
                "devices": [s.device.name for s in (recording.plate, recording.bar) if s is not None],
                "filled": filled_names(said, lift.card),
            },
        )[0]
