"""A recording program killed outright at random moments, and one whose disk is full.

Run as ``python -m tests.benchmarks.recording [kills]``. The full disk is a tmpfs of 1 MB, which needs root.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from forcekit.acquire.arrival import host_now
from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.recorder import FLUSH_S
from forcekit.acquire.recording_file import finish_journal, read_recording
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.errors import InputError
from forcekit.model import Link
from tests.acquire.streams import plate_stream

ROOT = Path(__file__).parents[2]


def killed_once(folder: Path, wait_s: float) -> tuple[float, int]:
    """Kill a recording after a while; gives the age of its newest sample at the kill, and the torn bytes."""
    stream = plate_stream(20.0)
    player = Player(stream, Link(transport="serial"))
    journal = folder / "set.forcelog"
    with VirtualSerial(player) as sensor:
        command = [sys.executable, "-m", "tests.acquire.recording_child", str(folder / "set"), sensor.port]
        child = subprocess.Popen(command, cwd=ROOT)
        while player.n_sent == 0:
            time.sleep(0.002)
        began_s = host_now()
        time.sleep(wait_s)
        killed_s = host_now()
        child.send_signal(signal.SIGKILL)
        child.wait()
    played_s = killed_s - began_s
    try:
        plate = read_recording(finish_journal(journal)).plate
    except InputError:
        return played_s, 0  # nothing had come yet
    assert plate is not None
    n = plate.t_s.size
    assert all(np.array_equal(stream.raw[k][:n], plate.raw[k]) for k in stream.raw)
    return played_s - float(plate.t_s[-1]), n


def kills(n: int) -> None:
    """Kill n recordings at random moments."""
    rng = np.random.default_rng(31)
    ages, n_samples = [], 0
    for _ in range(n):
        with tempfile.TemporaryDirectory() as folder:
            age, found = killed_once(Path(folder), float(rng.uniform(0.0, 1.2)))
        ages.append(age)
        n_samples += found
    worst = max(ages)
    print(f"kill -9                         {n} recordings, {n_samples} samples found, all as sent")
    print(
        f"age of the newest at the kill   median {1e3 * float(np.median(ages)):.0f} ms, "
        f"worst {1e3 * worst:.0f} ms, allowed {1e3 * FLUSH_S:.0f} ms"
    )
    assert worst <= FLUSH_S


def full_disk() -> None:
    """Record on to a tmpfs of 1 MB until it is full."""
    if os.geteuid() != 0:
        print("full disk                       not tried: mounting a tmpfs needs root")
        return
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], check=True)
        try:
            with VirtualSerial(Player(plate_stream(60.0), Link(transport="serial"), speed=20.0)) as sensor:
                capture = Capture(Path(folder) / "set", [Planned(sensor.port)])
                capture.start()
                while capture.failure is None:
                    time.sleep(0.01)
                capture.close()
            plate = read_recording(capture.path).plate
            assert plate is not None
            print(
                f"full disk                       {plate.t_s.size} samples whole in {capture.path.stat().st_size} bytes"
            )
            print(f"  message                       {capture.failure.replace(folder, '...')}")
        finally:
            subprocess.run(["umount", folder], check=True)


if __name__ == "__main__":
    full_disk()
    kills(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
