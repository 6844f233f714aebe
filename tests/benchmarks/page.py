"""How long after the drive's end the result is on the page, how often the trace is drawn, and what the server costs.

    python tests/benchmarks/page.py [REPS]

An invented lifter does set after set at the pace of real life, plate and bar at 1 kHz through pseudo-terminals. The
clock starts when the packet with the drive's last sample arrives and stops when the browser has painted the frame that
shows the rep. About 8 s a rep.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

from browser import chromium, window
from served import Served, served

from forcekit.acquire.arrival import host_now
from forcekit.acquire.samples import Batch
from forcekit.live.invented import LIFTERS, invented_day

SET = replace(LIFTERS[0], faults=(None, "back_then_forward", None, "slow_turnaround", None, "too_deep") * 2)
STAMP = """() => {
  window.painted = {};
  const look = () => {
    const rep = /rep (\\d+)/.exec(document.getElementById('which').textContent);
    if (!rep || rep[1] in window.painted) return;
    window.painted[rep[1]] = null;
    requestAnimationFrame(() => {
      const after = new MessageChannel();
      after.port1.onmessage = () => { window.painted[rep[1]] = performance.timeOrigin + performance.now(); };
      after.port2.postMessage(0);
    });
  };
  const whole = { childList: true, characterData: true, subtree: true };
  new MutationObserver(look).observe(document.getElementById("which"), whole);
}"""


def arrivals_of(running: Served) -> list[tuple[float, float]]:
    """List that fills with the plate's (newest sample on its own clock, arrival) while the session runs."""
    found: list[tuple[float, float]] = []
    capture = running.session._capture
    take = capture._on_batch
    assert take is not None

    def tapped(number: int, batch: Batch) -> None:
        device = capture.states()[number].device
        if device is not None and device.kind == "plate":
            found.append((float(batch.tick[-1]) * capture.tick_s(number), batch.host_s))
        take(number, batch)

    capture._on_batch = tapped
    return found


def cpu_by_thread() -> dict[str, float]:
    """Seconds of processor time that each thread has used."""
    tick = os.sysconf("SC_CLK_TCK")
    used: dict[str, float] = {}
    for thread in threading.enumerate():
        try:
            stat = Path(f"/proc/self/task/{thread.native_id}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        used[thread.name] = used.get(thread.name, 0.0) + (int(stat[11]) + int(stat[12])) / tick
    return used


def main(n_reps: int) -> None:
    """Measure and print."""
    to_wall_s = time.time() - host_now()
    with tempfile.TemporaryDirectory() as folder, served(invented_day(lifters=(SET,)), Path(folder)) as running:
        arrivals = arrivals_of(running)
        with chromium() as browser, window(browser) as seen:
            seen.page.goto(running.here)
            seen.page.evaluate(STAMP)
            seen.page.wait_for_timeout(3000)
            frames, began = seen.page.evaluate("forcekitTrace.frames"), time.monotonic()
            used = cpu_by_thread()
            while len(running.session.state()["reps"]) < n_reps + 1:
                seen.page.wait_for_timeout(500)
            wall_s = time.monotonic() - began
            frames = seen.page.evaluate("forcekitTrace.frames") - frames
            spent = {name: s - used.get(name, 0.0) for name, s in cpu_by_thread().items()}
            painted = {int(k): v for k, v in seen.page.evaluate("window.painted").items() if v}
            complaints = seen.complaints
        clock, host = (np.array(column) for column in zip(*arrivals, strict=True))
        plate = running.session._feed._plate
        assert plate is not None
        t = clock - plate.first_tick * plate.tick_s
        late = []
        for rep, at_ms in painted.items():
            end_s = running.session.rep_detail(rep)["at"]["end"]
            i = int(np.searchsorted(t, end_s))
            if i < t.size:
                late.append(at_ms - 1e3 * (host[i] + to_wall_s))
    print(f"reps {len(late)}, {wall_s:.0f} s, load average {os.getloadavg()[0]:.1f}, complaints {complaints}")
    print(
        f"drive's end arrived -> painted: median {np.median(late):.0f} ms, 95 % {np.percentile(late, 95):.0f} ms, "
        f"{min(late):.0f} to {max(late):.0f} ms"
    )
    print(f"trace drawn {frames / wall_s:.1f} times a second")
    for name, s in sorted(spent.items(), key=lambda x: -x[1]):
        print(f"  {name:<24} {100 * s / wall_s:5.1f} % of a core")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
