"""`forcekit live` as it is typed: the demonstration in one command, and bad input in one sentence."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from forcekit.cli_live import _listening, _need_libraries
from forcekit.errors import InputError


def command(folder: Path, *words: str) -> list[str]:
    """The command with some words."""
    return [sys.executable, "-m", "forcekit", "live", str(folder), "--no-browser", *words]


def environment(folder: Path) -> dict[str, str]:
    """Nobody's history."""
    return {**os.environ, "FORCEKIT_DATA": str(folder / "no history")}


def test_the_demonstration_is_one_command(tmp_path: Path) -> None:
    """Plate, bar, lifters and page come up by themselves; an interrupt ends the session with a finished recording."""
    with subprocess.Popen(
        command(tmp_path, "--device", "virtual", "--port", "0"), stdout=subprocess.PIPE, text=True, cwd=tmp_path,
        env=environment(tmp_path),
    ) as running:  # fmt: skip
        assert running.stdout is not None
        address = ""
        for line in running.stdout:
            found = re.search(r"coach's page: (http://127\.0\.0\.1:\d+/)", line)
            address = found.group(1) if found else address
            if "Ctrl-C" in line:
                break
        with urllib.request.urlopen(f"{address}people", timeout=30) as answer:
            assert b"Ines Falkner" in answer.read()
        running.send_signal(signal.SIGINT)
        told = running.stdout.read()
    assert 0 == running.returncode
    assert "recording written" in told
    assert 1 == len(list(tmp_path.glob("session-*")))
    assert not (tmp_path / "no history").exists()


def test_without_a_device_it_says_so(tmp_path: Path) -> None:
    """No device: one sentence that names the ways to name one, exit code 2."""
    done = subprocess.run(
        command(tmp_path, "--port", "0"), capture_output=True, text=True, env=environment(tmp_path), timeout=60
    )
    assert 2 == done.returncode
    assert "no device was named" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_port_in_use_is_named() -> None:
    """A second program on the same port is told which port and what to do."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError, match=rf"--port {port}: .*--port 0"):
            _listening(port, share=False)
    with pytest.raises(InputError, match="1 to 65535"):
        _listening(70000, share=False)


def test_only_this_machine_unless_shared() -> None:
    """Without --share the page is bound to the loopback address, with it to all."""
    for share, address in ((False, "127.0.0.1"), (True, "0.0.0.0")):
        with _listening(0, share) as door:
            assert address == door.getsockname()[0]


def test_missing_libraries_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extra one sentence says what to install."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None if name in ("segno", "uvicorn") else object())
    with pytest.raises(InputError, match=r"uvicorn, segno.*forcekit\[live\]"):
        _need_libraries()
