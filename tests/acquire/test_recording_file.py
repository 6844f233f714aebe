"""The finished file: all that was recorded, in both formats, readable without anything else."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.capture import HELLO
from forcekit.acquire.device_file import device_text
from forcekit.acquire.recorder import Entry, EntryKind, Journal, read_journal
from forcekit.acquire.recording_file import finish_journal, read_recording, read_take, write_take
from forcekit.acquire.take import common_card, recording_of
from forcekit.acquire.virtual import Player
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Channel, ClockThen, FloatArray, Link, TimedCard
from tests.acquire.streams import bar_stream, plate_stream

START_S = 5000.0


def journal_of(path: Path, *, seconds: float = 14.0, drift: float = 80e-6) -> Path:
    """Write a journal of a plate and a bar sensor with drifting clocks, late arrivals and two attempt cards.

    The bar's clock wraps after 5 s. The link of the plate is lost from 8.0 to 9.0 s.
    """
    plate, bar = plate_stream(seconds), bar_stream(seconds)
    link = Link(transport="serial")
    players = [
        Player(plate, link, drift=-drift / 2.0, boot_us=123_456),
        Player(bar, link, drift=drift / 2.0, boot_us=2**32 - 5_000_000),
    ]
    rng = np.random.default_rng(5)
    cards = {6.0: AttemptCard(athlete="Runa", load_kg=80.0), 12.0: AttemptCard(athlete="Runa", load_kg=85.0)}
    with Journal(path) as journal:
        journal.write(Entry(EntryKind.SESSION, 0, START_S, json.dumps({"started": "2031-05-04T10:00"}).encode()))
        for i, name in enumerate(("port a", "port b")):
            body = json.dumps({"source": name, "device": None}).encode()
            journal.write(Entry(EntryKind.DEVICE, i, START_S, body))
        for t in np.arange(0.0, seconds + 0.02, 0.01):
            for i, player in enumerate(players):
                now = START_S + 0.3 * i + t
                data = (player.hear(HELLO, now) if t == 0.0 else b"") + b"".join(player.due(now))
                if i == 0 and 8.0 <= t < 9.0:
                    if abs(t - 8.0) < 1e-9:
                        lost = json.dumps({"what": "lost", "text": "unplugged"}).encode()
                        journal.write(Entry(EntryKind.EVENT, 0, now, lost))
                    continue
                late = now + float(rng.exponential(0.002))
                if data:
                    journal.write(Entry(EntryKind.DATA, i, late, data))
            for at, card in cards.items():
                if abs(t - at) < 1e-9:
                    journal.write(Entry(EntryKind.CARD, 0, START_S + t, msgspec.json.encode(card)))
                    then = ClockThen(at, 0, 0.1 + at / 3.0, 1.0 + at / 7e5)
                    journal.write(Entry(EntryKind.CLOCK, 1, START_S + t, msgspec.json.encode(then)))
    return path


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of the journal of 14 s, made once."""
    path = tmp_path_factory.mktemp("journal") / "set.forcelog"
    return journal_of(path).read_bytes()


def on_true_clock(t_s: FloatArray, first_s: float) -> FloatArray:
    """Give the instants, on the plate's clock, at which samples of a stream were truly taken."""
    return (t_s + first_s) * (1.0 - 40e-6)


def test_two_devices_on_one_clock(recorded: bytes, tmp_path: Path) -> None:
    """Plate and bar come back on one clock, the gap is where it was, and times and cards are right."""
    path = tmp_path / "set.forcelog"
    path.write_bytes(recorded)
    plate, bar = plate_stream(14.0), bar_stream(14.0)

    recording = read_recording(path)

    assert recording.plate is not None
    assert recording.bar is not None
    number = np.rint(recording.plate.t_s / (1.0 - 40e-6) * 1000.0).astype(int)
    missing = np.setdiff1d(np.arange(plate.t_s.size), number)
    # What was sent from 8.0 to 9.0 s is missing, to one turn of 10 ms and the piece in flight.
    assert (missing[0], missing[-1]) == pytest.approx((7990, 8990), abs=15)
    assert missing.size == missing[-1] - missing[0] + 1
    assert any(f"{missing.size} samples were lost" in n for n in recording.plate.notes)
    assert "the link was lost at 8.0 s (unplugged)" in recording.plate.notes
    assert np.array_equal(plate.raw["fr"][number], recording.plate.raw["fr"])
    # The plate keeps its own clock, which runs 40 ppm slow; 0.5 us is the rounding of a stamp.
    assert np.abs(plate.t_s[number] * (1.0 - 40e-6) - recording.plate.t_s).max() < 1.1e-6
    # The bar began 0.3 s later. Both lines end 2 ms late at the mean, with the least delay near zero; in 14 s
    # at 100 arrivals a second that is known to some tenths of a millisecond.
    assert recording.bar.t_s.size == bar.t_s.size
    assert np.abs(on_true_clock(bar.t_s, 0.3) - recording.bar.t_s).max() < 1e-3


@pytest.mark.parametrize("suffix", [".parquet", ".npz"])
def test_the_file_holds_what_the_journal_held(recorded: bytes, tmp_path: Path, suffix: str) -> None:
    """Journal and finished file give the same recording to the last digit, in less than half the size."""
    path = tmp_path / "set.forcelog"
    path.write_bytes(recorded)
    take = read_take(path)

    made = write_take(take, tmp_path / f"set{suffix}")
    back = read_take(made)

    assert made.stat().st_size < 0.4 * path.stat().st_size
    assert (take.started, take.cards, take.notes) == (back.started, back.cards, back.notes)
    assert len(back.streams) == 2
    for a, b in zip(take.streams, back.streams, strict=True):
        assert np.array_equal(a.t_s, b.t_s)
        assert a.raw.keys() == b.raw.keys()
        assert all(np.array_equal(a.raw[name], b.raw[name]) for name in a.raw)
        assert (a.device, a.source, a.spans, a.notes) == (b.device, b.source, b.spans, b.notes)
        assert a.then == b.then
    assert [c.offset_s for c in back.streams[1].then] == [0.1 + 6.0 / 3.0, 0.1 + 12.0 / 3.0]
    bar = recording_of(back, "set").bar
    assert bar is not None
    assert bar.own is not None
    # Sent every 5 ms by the sensor's own clock, rounded to a microsecond.
    assert np.abs(bar.own.own_s - 0.005 * np.arange(bar.t_s.size) * (1.0 + 40e-6)).max() < 1.1e-6


def test_other_tools_can_read_it(recorded: bytes, tmp_path: Path) -> None:
    """A table reader that knows nothing of us finds times in microseconds and named columns."""
    import pandas as pd

    path = tmp_path / "set.forcelog"
    path.write_bytes(recorded)
    made = finish_journal(path)

    table = pd.read_parquet(made)

    bar = table[table["stream"] == 1]
    assert bar["plate.fr"].isna().all()
    assert bar["bar.az"].notna().all()
    t_us = bar["t_us"].to_numpy()
    assert np.median(np.diff(t_us)) == 5000
    assert not (tmp_path / "set.forcelog").exists()


def test_nothing_is_written_over(recorded: bytes, tmp_path: Path) -> None:
    """A journal that is finished beside a recording of its name gets a number; only the owner may read it."""
    for name in ("set.parquet", "set-2.parquet"):
        (tmp_path / "set.forcelog").write_bytes(recorded)

        made = finish_journal(tmp_path / "set.forcelog")

        assert made.name == name
        assert made.stat().st_mode & 0o077 == 0


def test_cards(recorded: bytes, tmp_path: Path) -> None:
    """Every card keeps its moment; the recording's card says only what all of them agree on."""
    path = tmp_path / "set.forcelog"
    path.write_bytes(recorded)
    take = read_take(path)

    assert [c.card.load_kg for c in take.cards] == [80.0, 85.0]
    assert [c.t_s for c in take.cards] == pytest.approx([6.0, 12.0], abs=2e-3)
    assert common_card(c.card for c in take.cards) == AttemptCard(athlete="Runa")


def test_an_outcome_speaks_of_its_lift_alone(recorded: bytes, tmp_path: Path) -> None:
    """The only card of a recording, keyed in after a lift: its load holds for all lifts, its outcome does not."""
    path = tmp_path / "set.forcelog"
    path.write_bytes(recorded)
    take = read_take(path)
    card = AttemptCard(load_kg=80.0, outcome="made")
    late, early = (recording_of(replace(take, cards=(TimedCard(t, card),)), "set") for t in (6.0, -0.1))

    assert (80.0, None) == (late.card.load_kg, late.card.outcome)
    assert "made" == late.card_of(2.0, 4.0, 9.0).outcome
    assert late.card_of(9.0, 11.0, 14.0).outcome is None
    assert "made" == early.card.outcome


@pytest.mark.parametrize("suffix", [".parquet", ".npz"])
def test_damaged_files_are_refused_in_words(tmp_path: Path, suffix: str) -> None:
    """A file cut short, a foreign one and one of a later format are refused with what to do."""
    take = read_take(journal_of(tmp_path / "set.forcelog", seconds=2.0))
    path = write_take(take, tmp_path / f"set{suffix}")
    whole = path.read_bytes()

    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"is no recording of forcekit, or it is damaged"):
        read_recording(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match=r"is no recording of forcekit, or it is damaged"):
        read_recording(path)


def test_foreign_npz_is_refused(tmp_path: Path) -> None:
    """An array file of somebody else is refused, not half read."""
    path = tmp_path / "x.npz"
    np.savez(path, a=np.arange(3))

    with pytest.raises(InputError, match="is no recording of forcekit"):
        read_recording(path)


def test_what_a_foreign_table_lacks_is_said_in_words(tmp_path: Path) -> None:
    """Not as a key of the program."""
    path = tmp_path / "x.parquet"
    pytest.importorskip("pyarrow.parquet").write_table(pytest.importorskip("pyarrow").table({"a": [1.0]}), path)

    with pytest.raises(InputError, match=r"it has nothing named forcekit\)"):
        read_recording(path)


@pytest.mark.parametrize("suffix", [".parquet", ".npz", ".forcelog"])
def test_capital_letters_in_the_suffix_do_not_matter(recorded: bytes, tmp_path: Path, suffix: str) -> None:
    """A file that another system renamed in capitals is read like any other."""
    (tmp_path / "a.forcelog").write_bytes(recorded)
    take = read_take(tmp_path / "a.forcelog")
    made = tmp_path / "a.forcelog" if suffix == ".forcelog" else write_take(take, tmp_path / f"a{suffix}")
    shouted = made.rename(tmp_path / f"A{suffix.upper()}")

    assert np.array_equal(read_take(shouted).streams[0].tick, take.streams[0].tick)


def test_any_damage_to_an_npz_is_told_in_words(recorded: bytes, tmp_path: Path) -> None:
    """Bits turned over anywhere give the recording or one sentence, whatever numpy, zip or zlib say of them."""
    (tmp_path / "a.forcelog").write_bytes(recorded)
    data = write_take(read_take(tmp_path / "a.forcelog"), tmp_path / "a.npz").read_bytes()
    rng = np.random.default_rng(3)
    path = tmp_path / "b.npz"
    refusals = []
    for _ in range(60):
        damaged = bytearray(data)
        for at in rng.integers(0, len(data), 3):
            damaged[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(damaged)
        try:
            read_take(path)
        except InputError as error:
            refusals.append(str(error))
    assert len(refusals) > 30
    assert all("b.npz" in told for told in refusals)


def with_device_file(recorded: bytes, path: Path, number: int, text: str) -> Path:
    """Write the journal with a device file for one of its devices."""
    path.write_bytes(recorded)
    entries = list(read_journal(path))
    path.unlink()
    with Journal(path) as journal:
        for e in entries:
            if (e.kind, e.device) == (EntryKind.DEVICE, number):
                body = {"source": json.loads(e.body)["source"], "device": text}
                e = replace(e, body=json.dumps(body).encode())
            journal.write(e)
    return path


def test_a_device_file_that_does_not_fit_costs_that_device_alone(recorded: bytes, tmp_path: Path) -> None:
    """The plate's samples are recovered, one sentence says what of the bar does not fit, and the journal stays."""
    bar = bar_stream(1.0).device
    text = device_text(msgspec.structs.replace(bar, name="another", channels=(*bar.channels, Channel(name="gx"))))
    journal = with_device_file(recorded, tmp_path / "set.forcelog", 1, text)
    take = read_take(finish_journal(journal))
    assert [(s.device.kind, s.tick.size) for s in take.streams] == [("plate", 13_000)]
    assert take.left_out == (
        "port b: what it sent does not fit its device file and is in the journal alone (the sensor sends 3 channels, "
        "but its device file names 4; correct the file's list of channels).",
    )
    plate = recording_of(take, "set").plate
    assert plate is not None
    assert take.left_out[0] in plate.notes
    assert journal.exists()


def test_without_a_usable_device_file_the_sensor_describes_itself(recorded: bytes, tmp_path: Path) -> None:
    """All samples come by the sensor's own description, and a note says why."""
    take = read_take(with_device_file(recorded, tmp_path / "set.forcelog", 1, "kind = 7"))
    assert [s.device.name for s in take.streams] == ["test plate", "test bar"]
    assert take.left_out == ()
    assert take.streams[1].notes[0].startswith("read by the sensor's own description, for the device file in it cannot")
