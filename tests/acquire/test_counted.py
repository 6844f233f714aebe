"""A device that neither dates nor counts its samples: what of its times is not to be trusted is said."""

from __future__ import annotations

import json

import pytest

from forcekit.acquire.device_file import device_text
from forcekit.acquire.recorder import Entry, EntryKind
from forcekit.acquire.take import assemble
from forcekit.model import Channel, DeviceFile, Link, Plate, TimeAxis

PRINTER = DeviceFile(
    name="printing plate",
    kind="plate",
    channels=(Channel(name="fz", unit="N"),),
    plates=(Plate(kind="vertical", force_z="fz"),),
    time=TimeAxis(rate_hz=100.0),
    link=Link(transport="serial", format="lines", baud=115200),
)


def journal(arrivals: list[tuple[float, int]], again_s: float | None = None) -> list[Entry]:
    """Make a journal in which so many lines came at each of these times."""
    head = json.dumps({"source": "port", "device": device_text(PRINTER)}).encode()
    made = [Entry(EntryKind.DEVICE, 0, 0.0, head), Entry(EntryKind.DATA, 0, 0.0, b"\n")]
    for host_s, n in arrivals:
        if host_s == again_s:
            made.append(Entry(EntryKind.EVENT, 0, host_s, json.dumps({"what": "again"}).encode()))
        made.append(Entry(EntryKind.DATA, 0, host_s, b"700.5\n" * n))
    return made


@pytest.mark.parametrize(("n", "told"), [(9, "90 samples came in a second, the device file says 100"), (10, None)])
def test_a_rate_that_is_not_the_stated_one_is_told(n: int, told: str | None) -> None:
    """Nine lines in a tenth of a second are not 100 a second; the times, counted with 100, are wrong by a tenth."""
    (stream,) = assemble(journal([(10.0 + 0.1 * k, n) for k in range(200)]), "a.forcelog").streams
    assert stream.counted
    wrong = [note for note in stream.notes if "correct rate_hz" in note]
    assert bool(wrong) is (told is not None)
    assert told is None or wrong[0].startswith(told)
    assert not any("replay" in note for note in stream.notes)


def test_a_silence_is_told() -> None:
    """What was lost in it is in no time, so that the samples before and after it seem to follow one another."""
    arrivals = [(10.0 + 0.1 * k + (2.0 if k >= 100 else 0.0), 10) for k in range(200)]
    (stream,) = assemble(journal(arrivals, again_s=arrivals[100][0]), "a.forcelog").streams
    assert stream.t_s[-1] == pytest.approx(19.99)
    assert any(note.startswith("nothing came for 0.5 s and more before 1") for note in stream.notes)
