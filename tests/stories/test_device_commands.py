"""Naming, replaying, finding and recovering: the commands around a recording, and what they refuse."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.device_file import device_text, save_device
from forcekit.acquire.named_devices import planned_of
from forcekit.acquire.recorder import EntryKind, Journal, read_journal
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.replay import replay
from forcekit.errors import InputError
from forcekit.model import AttemptCard, Channel, Link, Recording, Stream
from tests.acquire.streams import bar_stream, plate_device, plate_stream
from tests.acquire.waiting import wait_until
from tests.stories.in_process import run

ROOT = Path(__file__).parents[2]


def test_names_of_devices(tmp_path: Path) -> None:
    """A port, a radio sensor, a device file behind them or alone; contradictions are refused in words."""
    serial = tmp_path / "lines.toml"
    radio = tmp_path / "radio.toml"
    bare = tmp_path / "bare.toml"
    with_link = msgspec.structs.replace
    save_device(with_link(plate_device(), link=Link(transport="serial", format="lines")), serial)
    save_device(with_link(plate_device(), link=Link(transport="ble", address="shed 3")), radio)
    save_device(plate_device(), bare)

    assert Planned("/dev/ttyX") == planned_of("/dev/ttyX")
    assert Planned("shed 3", ble=True) == planned_of("ble:shed 3")
    assert ("COM3", "lines") == (
        (p := planned_of(f"COM3={serial}")).address,
        p.device and p.device.link and p.device.link.format,
    )
    assert ("shed 3", True) == ((p := planned_of(str(radio))).address, p.ble)
    for word, told in (
        ("ble:", "no device is named"),
        (f"COM3={radio}", "put ble: in front of the name"),
        (f"ble:shed={serial}", "leave ble: out"),
        (f"COM3={bare}", "no \\[link\\] section"),
        (str(serial), "there is no address"),
    ):
        with pytest.raises(InputError, match=told):
            planned_of(word)


def test_replay_is_a_device(tmp_path: Path) -> None:
    """The replay command names a port from which another program records the same numbers."""
    stream = plate_stream(1.5, 500.0)
    with replay(Recording(plate=stream), speed=5.0) as planned:
        capture = Capture(tmp_path / "one", planned)
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == 750, what="the last sample")
        first = capture.finish()
    program = subprocess.Popen(
        [sys.executable, "-m", "forcekit", "replay", first, "--speed", "5"], stdout=subprocess.PIPE, text=True,
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        assert program.stdout is not None
        port = program.stdout.readline().removeprefix("serial port: ").strip()
        assert f"--device {port}" in program.stdout.readline()
        capture = Capture(tmp_path / "two", [Planned(port)])
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == 750, what="the last sample")
        second = read_recording(capture.finish()).plate
        program.send_signal(signal.SIGINT)
        assert 0 == program.wait(10)
    finally:
        program.kill()
        program.communicate()

    assert second is not None
    assert all(np.array_equal(stream.raw[k], second.raw[k]) for k in stream.raw)


def test_devices_in_reach(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Radio sensors are listed with the word that names them; without a radio one sentence says what to do."""
    with replay(Recording(plate=plate_stream(1.0), bar=bar_stream(1.0)), radio=True):
        code, out, _ = run(capsys, monkeypatch, "devices", "--radio-seconds", "0.3")
    assert 0 == code
    assert "serial ports" in out
    assert "ble:virtual plate" in out
    assert "ble:virtual bar" in out

    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/bus")
    code, out, err = run(capsys, monkeypatch, "devices", "--radio-seconds", "0.3")
    assert (0, "") == (code, err)
    assert "switch Bluetooth on" in out


def journal_of(stream: Stream, path: Path) -> Path:
    """Record a stream and leave the journal."""
    with replay(Recording(plate=stream), speed=5.0) as planned:
        capture = Capture(path, planned)
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == stream.t_s.size, what="the last sample")
        capture.card(AttemptCard(load_kg=60.0))
        capture.close()
    return capture.path


def test_recover_tells_what_was_kept(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A journal with a torn end becomes a file with all that was whole; the journal stays as it was."""
    journal = journal_of(plate_stream(1.0), tmp_path / "set")
    torn = tmp_path / "torn.forcelog"
    torn.write_bytes(journal.read_bytes()[:-100])
    before = torn.read_bytes()

    code, out, _ = run(capsys, monkeypatch, "recover", torn)

    assert 0 == code
    assert re.search(r"lost: \d+ bytes of the journal were torn or damaged", out)
    assert "was not stopped in good order" in out
    assert before == torn.read_bytes()
    path = re.search(r"recording written: (.+)", out)
    assert path is not None
    kept = read_recording(path[1]).plate
    assert kept is not None
    assert f"{kept.t_s.size} samples" in out
    assert kept.t_s.size >= 900

    code, out, _ = run(capsys, monkeypatch, "recover", journal)
    assert "nothing that had been written" in out
    assert "1000 samples" in out
    assert "1 attempt card" in out
    assert "good order" not in out


def test_recover_takes_a_corrected_device_file(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A journal whose device file names a channel too many: nothing is read; with the file put right, all of it."""
    stream = plate_stream(1.0)
    journal = journal_of(stream, tmp_path / "set")
    wrong = msgspec.structs.replace(stream.device, channels=(*stream.device.channels, Channel(name="more")))
    entries = list(read_journal(journal))
    journal.unlink()
    with Journal(journal) as written:
        for e in entries:
            if e.kind == EntryKind.DEVICE:
                body = {**json.loads(e.body), "device": device_text(wrong)}
                e = replace(e, body=json.dumps(body).encode())
            written.write(e)
    save_device(stream.device, tmp_path / "right.toml")
    save_device(bar_stream(1.0).device, tmp_path / "bar.toml")

    code, _, err = run(capsys, monkeypatch, "recover", journal)
    assert 2 == code
    assert "correct the file's list of channels" in err
    code, out, _ = run(capsys, monkeypatch, "recover", journal, "--device", tmp_path / "right.toml")
    assert 0 == code
    assert "1000 samples" in out
    path = re.search(r"recording written: (.+)", out)
    assert path is not None
    kept = read_recording(path[1]).plate
    assert kept is not None
    assert np.array_equal(stream.raw["fl"], kept.raw["fl"])

    for words, told in (
        (["--device", tmp_path / "bar.toml"], "bar.toml is of a bar; --device takes the device file of a plate."),
        (["--bar-device", tmp_path / "bar.toml"], "which device bar.toml is for cannot be told; it holds"),
    ):
        code, _, err = run(capsys, monkeypatch, "recover", journal, *words)
        assert 2 == code
        assert told in err


def test_wrong_words_get_one_sentence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What is wrong is said in one line, exit code 2, and no empty journal is left."""
    out = tmp_path / "set"
    (tmp_path / "text.forcelog").write_text("no journal")
    for words, told in (
        (["record", out], "no device was named"),
        (["record", out, "--device", "a", "--device", "a"], "names a twice"),
        (["record", out, "--device", "virtual", "--device", "virtual-ble"], "name one of them"),
        (["record", tmp_path / "no" / "set", "--device", "virtual"], "there is no folder"),
        (["record", out, "--device", "virtual", "--seconds", "0"], "a number above 0"),
        (["record", out, "--device", "a", "--movement", "squat"], "use one of: jerk"),
        (["replay", tmp_path / "nothing.csv"], "no such file"),
        (["recover", tmp_path / "nothing.forcelog"], "it cannot be read"),
        (["recover", tmp_path / "text.forcelog"], "no journal of a recording"),
    ):
        code, _, err = run(capsys, monkeypatch, *words)
        assert 2 == code, words
        assert told in err
        assert 1 == len(err.strip().splitlines())
    assert ["text.forcelog"] == [p.name for p in tmp_path.iterdir()]


def test_a_port_that_is_not_there(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without a sample the reason is told and no empty file is left."""
    monkeypatch.setattr("forcekit.cli_desk.FIRST_SAMPLE_S", 0.2)
    code, out, err = run(
        capsys, monkeypatch, "record", tmp_path / "set", "--device", "/nowhere/port", "--seconds", "0.1", "--plain"
    )
    assert 2 == code
    assert "no signal" in out
    assert "no sample came" in err
    assert "/nowhere/port" in err
    assert [] == list(tmp_path.iterdir())
