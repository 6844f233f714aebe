"""Recording as a person does it: the real command in a real terminal, keystrokes, signals, a full disk."""

from __future__ import annotations

import os
import re
import resource
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from forcekit.acquire.recording_file import read_recording, read_take
from forcekit.acquire.replay import replay
from forcekit.acquire.source import read
from forcekit.model import Recording
from tests.acquire.streams import plate_stream
from tests.stories.in_process import run

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_signals"


class Terminal:
    """A program in a pseudo-terminal: what it shows, and what is typed."""

    def __init__(self, *words: str | Path, folder: Path) -> None:
        import pty

        self.master, slave = pty.openpty()
        command = [sys.executable, "-m", "forcekit", *(str(w) for w in words)]
        environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "160", "LINES": "40"}
        self.program = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=environment, start_new_session=True
        )
        os.close(slave)
        self.shown = ""

    def type(self, text: str) -> None:
        """Type keys."""
        os.write(self.master, text.encode())

    def wait_for(self, pattern: str, at_most_s: float = 20.0) -> re.Match[str]:
        """Read on until the pattern appears among what was shown since the last wait."""
        end = time.monotonic() + at_most_s
        while (found := re.search(pattern, self.shown)) is None:
            assert time.monotonic() < end, f"{pattern} was not shown:\n{self.shown[-2000:]}"
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self.shown += os.read(self.master, 65536).decode(errors="replace")
                except OSError:  # the program has closed its terminal
                    assert re.search(pattern, self.shown), self.shown[-2000:]
        self.shown = self.shown[found.end() :]
        return found

    def close(self) -> None:
        """End it whatever it does."""
        if self.program.poll() is None:
            self.program.kill()
        self.program.wait()
        os.close(self.master)


@contextmanager
def in_terminal(*words: str | Path, folder: Path) -> Iterator[Terminal]:
    """Give a terminal with the command running in it."""
    terminal = Terminal(*words, folder=folder)
    try:
        yield terminal
    finally:
        terminal.close()


def test_a_session_in_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The real command shows force and stillness, takes keys, stops on q, and its file is analysed with the cards."""
    lift = read(SAMPLES / "oda_60_kg.csv", device=SAMPLES / "club_plate.toml")
    with (
        replay(lift) as planned,
        in_terminal("record", "monday", "--device", planned[0].address, "--load", "60", folder=tmp_path) as t,
    ):
        t.wait_for(r"l load   m made")
        t.wait_for(r"\d+ N  \d+\.\d kg  STILL: ready to lift")
        t.wait_for(r"500 Hz  lost 0  reconnects 0  battery 3\.90 V  24 °C")
        t.type("tbar slipping\x7f\x7f\x7fed\r")
        t.wait_for("note kept")
        t.wait_for("moving")
        t.wait_for("no signal")  # the recording is played to its end
        t.type("m")
        t.wait_for("1 outcome kept; last: 60 kg made")
        t.type("f")
        t.wait_for("2 outcomes kept")
        t.type("u")
        t.wait_for("the last entry was taken back")
        t.type("l62,5\r")
        t.wait_for("kept: 62.5 kg")
        t.type("q")
        path = t.wait_for(r"next: forcekit analyze (\S+)")[1]
        assert 0 == t.program.wait(10)

    take = read_take(tmp_path / path)
    assert [("made", 60.0), (None, 62.5)] == [(c.card.outcome, c.card.load_kg) for c in take.cards]
    assert any("bar slipped" in note for note in take.streams[0].notes)
    assert not list(tmp_path.glob("*.forcelog"))
    code, out, _ = run(capsys, monkeypatch, "analyze", tmp_path / path, "--brief")
    assert 0 == code
    assert "1 lift" in out


@pytest.mark.parametrize(("word", "kinds"), [("virtual", {"plate"}), ("virtual-ble", {"plate", "bar"})])
def test_the_virtual_devices(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, word: str, kinds: set[str]
) -> None:
    """Without any hardware there is a plate at a port, or plate and bar by radio, and the invented lifter's card."""
    code, out, err = run(capsys, monkeypatch, "record", tmp_path / "v", "--device", word, "--seconds", "0.4", "--plain")
    assert (0, "") == (code, err)
    made = re.search(r"recording written: (\S+)", out)
    assert made is not None
    take = read_take(made[1])
    assert kinds == {s.device.kind for s in take.streams}
    assert ["Ines Falkner (invented)"] == [c.card.athlete for c in take.cards]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_it_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    """Without a terminal it tells itself in lines, and Ctrl-C or the system's wish leaves the finished file."""
    with replay(Recording(plate=plate_stream(30.0, 200.0)), loop=True) as planned:
        command = [sys.executable, "-m", "forcekit", "record", "set", "--device", planned[0].address]
        program = subprocess.Popen(
            command, cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert program.stdout is not None
        for line in program.stdout:
            if " N  " in line:
                break
        program.send_signal(number)
        out, err = program.communicate(timeout=20)

    assert (0, "") == (program.returncode, err)
    assert "test plate" in line
    assert "next: forcekit analyze" in out
    (path,) = (p for p in tmp_path.iterdir() if p.suffix in (".parquet", ".npz"))
    plate = read_recording(path).plate
    assert plate is not None
    assert plate.t_s.size > 20


def test_a_full_disk_is_one_sentence(tmp_path: Path) -> None:
    """When the disk takes no more, one sentence says so, the exit code is 2, and the journal can be recovered."""

    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))

    with replay(Recording(plate=plate_stream(30.0)), loop=True) as planned:
        command = [sys.executable, "-m", "forcekit", "record", "set", "--device", planned[0].address]
        done = subprocess.run(
            command, cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}, preexec_fn=no_room,
        )  # fmt: skip

    assert 2 == done.returncode
    assert 1 == len(done.stderr.strip().splitlines())
    assert "the disk refuses to keep more" in done.stderr
    assert "forcekit recover" in done.stderr
    plate = read_recording(tmp_path / "set.forcelog").plate
    assert plate is not None
    assert plate.t_s.size > 300


@pytest.mark.parametrize("name", ["", ".", "..", "/"])
def test_a_recording_needs_a_name(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder as the name of a recording is refused in one sentence, and nothing is written."""
    monkeypatch.chdir(tmp_path)

    code, _, err = run(capsys, monkeypatch, "record", name, "--device", "virtual", "--seconds", "0.1")

    assert (2, 1) == (code, len(err.strip().splitlines()))
    assert "name the recording itself" in err
    assert [] == list(tmp_path.iterdir())
