"""4000 sample frames a second through a pseudo-terminal for a minute: losses and the share of a core.

Run as ``python -m tests.benchmarks.serial_rate [seconds]``; the sensor runs in a process of its own.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.recording_file import read_recording
from forcekit.acquire.virtual import Player, VirtualSerial
from forcekit.model import Link
from tests.acquire.streams import plate_stream

RATE_HZ = 4000.0


def sensor(seconds: float, pipe: Connection) -> None:
    """Be the sensor until told to stop."""
    with VirtualSerial(Player(plate_stream(seconds, RATE_HZ), Link(transport="serial"))) as virtual:
        pipe.send(virtual.port)
        pipe.recv()
        pipe.send((virtual.player.n_sent, virtual.player.n_overruns))


def main(seconds: float) -> None:
    """Record and compare."""
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=sensor, args=(seconds, theirs))
    process.start()
    port = ours.recv()
    with tempfile.TemporaryDirectory() as folder:
        capture = Capture(Path(folder) / "set", [Planned(port)])
        cpu, begin = time.process_time(), time.monotonic()
        capture.start()
        n = round(seconds * RATE_HZ)
        while capture.states()[0].n_samples < n and time.monotonic() - begin < seconds + 10.0:
            time.sleep(0.1)
        cpu_share = (time.process_time() - cpu) / (time.monotonic() - begin)
        state = capture.states()[0]
        ours.send("stop")
        n_sent, n_overruns = ours.recv()
        process.join()
        begin = time.process_time()
        capture.close()
        size = capture.path.stat().st_size
        made = capture.finish()
        finish_s = time.process_time() - begin
        plate = read_recording(made).plate
        assert plate is not None
        wanted = plate_stream(seconds, RATE_HZ)
        equal = all(np.array_equal(wanted.raw[k], plate.raw[k]) for k in wanted.raw)
        print(f"sent by the sensor              {n_sent} frames in {seconds:.0f} s, {n_overruns} found no room")
        print(f"received                        {state.n_samples} samples, {state.n_lost} lost, {state.n_bad} damaged")
        print(f"numbers equal to what was sent  {equal}")
        print(f"share of one core               {100.0 * cpu_share:.1f} % (read, journal, decode)")
        sizes = f"{size / 1e6:.1f} MB to {made.stat().st_size / 1e6:.1f} MB"
        print(f"finishing                       {finish_s:.1f} s of CPU, {sizes}")
        assert equal
        assert (state.n_samples, state.n_lost, n_overruns) == (n, 0, 0)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
