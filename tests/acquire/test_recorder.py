"""The journal: nothing that was written is lost, whatever ends the program."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.recorder import Entry, EntryKind, Journal, read_journal
from forcekit.acquire.recording_file import finish_journal, read_recording
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.errors import DeviceError, InputError
from forcekit.model import Link
from tests.acquire.streams import plate_stream
from tests.acquire.waiting import wait_until

ROOT = Path(__file__).parents[2]


def entries(n: int, seed: int = 1) -> list[Entry]:
    """Make entries of all sizes, some of which contain the journal's own marks."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(n):
        body = rng.bytes(int(rng.integers(0, 60)))
        if i % 5 == 0:
            body += b"\xf7\xc5\x1a\x9e" + body[:4]
        made.append(Entry(EntryKind.DATA, i % 3, 100.0 + i / 8.0, body))
    return made


def write(path: Path, some: list[Entry]) -> bytes:
    """Write a journal and give its bytes."""
    with Journal(path) as journal:
        for entry in some:
            journal.write(entry)
    return path.read_bytes()


def test_entries_come_back(tmp_path: Path) -> None:
    """What was written is read in order, also when the journal was closed and gone on with."""
    some = entries(40)
    path = tmp_path / "a.forcelog"

    write(path, some[:25])
    write(path, some[25:])

    assert some == list(read_journal(path))


def test_torn_at_every_byte(tmp_path: Path) -> None:
    """Cut anywhere, the journal gives every whole entry; opened again, it is cut there and goes on."""
    some = entries(6)
    data = write(tmp_path / "a.forcelog", some)
    ends = np.cumsum([len(e.pack()) for e in some]) + len(b"forcelog 1\n")
    torn = tmp_path / "torn.forcelog"
    for size in range(11, len(data)):
        torn.write_bytes(data[:size])
        whole = some[: int(np.sum(ends <= size))]

        assert whole == list(read_journal(torn))
        if size % 7 == 0:
            write(torn, some[:1])
            assert [*whole, some[0]] == list(read_journal(torn))


def test_zeros_at_the_end(tmp_path: Path) -> None:
    """A tail of zeros, as a power cut may leave, costs nothing."""
    some = entries(10)
    path = tmp_path / "a.forcelog"
    path.write_bytes(write(path, some) + bytes(5000))

    assert some == list(read_journal(path))
    with Journal(path) as journal:
        assert journal.n_torn == 5000


def test_damage_in_the_middle_costs_one_entry(tmp_path: Path) -> None:
    """A flipped bit anywhere costs the entry it hits and no other, and never gives a wrong one."""
    some = entries(12)
    path = tmp_path / "a.forcelog"
    data = write(path, some)
    rng = np.random.default_rng(2)
    for at in rng.integers(11, len(data), 200):
        damaged = bytearray(data)
        damaged[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(bytes(damaged))

        left = list(read_journal(path))

        assert len(left) == len(some) - 1
        assert all(e in some for e in left)


def test_foreign_files_are_refused(tmp_path: Path) -> None:
    """A file that is no journal is neither read nor written over."""
    path = tmp_path / "a.forcelog"
    path.write_bytes(b"time,force\n0,1\n")

    with pytest.raises(InputError, match="is no journal; give another name"):
        Journal(path)
    with pytest.raises(InputError, match="is no journal of a recording"):
        list(read_journal(path))
    with pytest.raises(InputError, match="cannot be read"):
        list(read_journal(tmp_path / "none.forcelog"))
    assert path.read_bytes() == b"time,force\n0,1\n"


@pytest.mark.parametrize("wait_s", [0.35, 0.5, 0.8])
def test_killed_while_recording(tmp_path: Path, wait_s: float) -> None:
    """A program killed outright has every sample on disk that is older than the flush interval."""
    stream = plate_stream(30.0)
    player = Player(stream, Link(transport="serial"))
    journal = tmp_path / "set.forcelog"
    with VirtualSerial(player) as sensor:
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.acquire.recording_child", str(tmp_path / "set"), sensor.port], cwd=ROOT
        )
        try:
            wait_until(lambda: player.n_sent > 50, what="the recording")
            time.sleep(wait_s)
            n_before = player.n_sent - 250
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait()

    made = finish_journal(journal)
    plate = read_recording(made).plate
    assert plate is not None
    assert plate.t_s.size >= n_before
    assert np.array_equal(stream.raw["fl"][: plate.t_s.size], plate.raw["fl"])


def write_all(journal: Journal, some: list[Entry], kept: list[Entry]) -> None:
    """Write entries and note those that were kept."""
    for entry in some:
        journal.write(entry)
        kept.append(entry)


def test_full_disk(tmp_path: Path) -> None:
    """When the system refuses more bytes, a sentence says so and the file ends with its last whole entry."""
    path = tmp_path / "a.forcelog"
    some = entries(200)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    journal = Journal(path)
    # The limit on file size is the one refusal of the kernel that needs no disk of its own; a full tmpfs is
    # tried by tests/benchmarks/recording.py.
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, before[1]))
    kept: list[Entry] = []
    try:
        with pytest.raises(DeviceError, match="What was recorded so far is whole in this file"):
            write_all(journal, some, kept)
        with pytest.raises(DeviceError, match="make room or choose another folder"):
            journal.write(some[0])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
        journal.close()

    assert len(kept) > 10
    assert kept == list(read_journal(path))
    assert path.stat().st_size == 11 + sum(len(e.pack()) for e in kept)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    """A recording that cannot even begin says so, and nothing of what was recorded before."""
    with pytest.raises(DeviceError, match="the recording cannot be begun there"):
        Journal(tmp_path / "gone" / "a.forcelog")
