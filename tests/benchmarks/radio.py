"""10,000 notifications through the real radio library, from two sensors at once, with a broken link.

Run as ``python -m tests.benchmarks.radio [notifications]``; about two minutes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.virtual import Player
from forcekit.acquire.virtual_ble import VirtualRadio, VirtualSensor
from forcekit.model import Link
from tests.acquire.streams import bar_stream, plate_stream


def main(n_notifications: int) -> None:
    """Play a plate and a bar sensor, drop the bar once."""
    link = Link(transport="ble")
    # 15 ms intervals, about 45 bytes a frame: 500 samples a second are 2 notifications an interval.
    plate = VirtualSensor("plate", "C0:00:00:00:00:01", Player(plate_stream(20.0, 500.0), link, loop=True))
    bar = VirtualSensor("bar", "C0:00:00:00:00:02", Player(bar_stream(20.0), link, drift=80e-6, loop=True))
    with tempfile.TemporaryDirectory() as folder, VirtualRadio([plate, bar]) as radio:
        capture = Capture(Path(folder) / "set", [Planned("plate", ble=True), Planned("bar", ble=True)])
        begin, cpu = time.monotonic(), time.process_time()
        capture.start()
        dropped = 0.0
        while plate.n_notified + bar.n_notified < n_notifications:
            time.sleep(0.05)
            if not dropped and bar.n_notified > 0.3 * n_notifications / 2:
                dropped = time.monotonic()
                lost_before = capture.states()[1].n_samples
                radio.drop(bar)
                while capture.states()[1].n_samples <= lost_before + 20:
                    time.sleep(0.005)
                back_s = time.monotonic() - dropped
        share = (time.process_time() - cpu) / (time.monotonic() - begin)
        time.sleep(0.2)
        states = capture.states()
        print(f"notifications                   {plate.n_notified} plate, {bar.n_notified} bar")
        s = states[0]
        print(f"plate                           {s.n_samples} samples, {s.n_lost} lost, {s.n_bad} damaged")
        s = states[1]
        print(f"bar, link broken once           {s.n_samples} samples, {s.n_lost} lost, back after {back_s:.2f} s")
        print(f"share of one core               {100 * share:.0f} % (sensors, bus service and recording together)")
        made = capture.finish()
        print(f"finished file                   {made.stat().st_size / 1e3:.0f} kB")
        assert (states[0].n_lost, states[0].n_bad) == (0, 0)
        assert 0 < states[1].n_lost < 200 * back_s + 20


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
