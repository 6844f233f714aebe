"""The running analysis over long sessions: missed and false reps, time to the result, share of a core, memory.

Run as ``python -m tests.benchmarks.live reps [pieces]``, ``... latency [lifts]``, ``... share [seconds]``,
``... memory [rounds]`` or ``... equal [seconds]``.

``reps`` plays invented sessions of about ten minutes one after the other as one stream (two hours are about 12 pieces)
faster than real time (``reps-with-bar``: with a bar; its memory is mostly the simulation's); ``memory`` plays one piece
of two minutes over and over, so that only the analysis can grow; ``latency`` says how long a first look takes after
take-off;
``share`` records in real time from virtual devices (1 kHz plate, 1 kHz bar, pseudo-terminals of another process);
``equal`` records from virtual devices with clocks of their own and compares what the session showed with its file.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from forcekit.acquire import virtual
from forcekit.acquire.capture import Planned
from forcekit.acquire.replay import replay
from forcekit.acquire.source import read
from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.live import Due, LiveAnalysis, Measured, measured
from forcekit.analysis.pipeline import Settings, analyze
from forcekit.live.invented import invented_day
from forcekit.live.session import LiveSession
from forcekit.model import AttemptCard, FloatArray, Stream
from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import random_script, simulate_session

RATE_HZ = 1000.0
PACKET = 20
BOOK = load_cue_book()


def piece(seed: int, n_lifts: int, *, bar: bool) -> tuple[Stream, Stream | None, list[float]]:
    """One invented session with its spotters, discs, chats and false starts; and when its lifts are lowest."""
    rng = np.random.default_rng(seed)
    lifter = LiftPlan(bar_mass_kg=float(rng.choice([40.0, 60.0, 80.0, 100.0])))
    motion = simulate_session(random_script(rng, lifter, n_lifts), lifter, seed, rate_hz=1000.0)
    plate = record_plate(motion, PlateSensor(rate_hz=RATE_HZ, noise_n=0.6), seed).plate
    assert plate is not None
    sensor = SimulatedBarSensor(rate_hz=RATE_HZ, accel_noise=0.002, gyro_noise=0.0001, gravity_mps2=motion.gravity_mps2)
    beside = record_bar(motion, sensor, seed) if bar else None
    return plate, beside, [t.measures["lowest_at"] for t in motion.truths]


def rows(stream: Stream) -> FloatArray:
    """Raw numbers, shape (n, k)."""
    return np.column_stack([stream.raw[c.name] for c in stream.device.channels])


def packets(plate: Stream, bar: Stream | None, start_s: float) -> Iterator[tuple[str, FloatArray, FloatArray]]:
    """Packets of 20 ms of both sensors in turn."""
    a, b = rows(plate), None if bar is None else rows(bar)
    for i in range(0, plate.t_s.size, PACKET):
        yield "plate", plate.t_s[i : i + PACKET] + start_s, a[i : i + PACKET]
        if bar is not None and b is not None:
            yield "bar", bar.t_s[i : i + PACKET] + start_s, b[i : i + PACKET]


def memory_mb() -> float:
    """Largest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def resident_mb() -> float:
    """Memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def reps(n_pieces: int, *, bar: bool) -> None:
    """Missed and false reps, work and memory of a long stream."""
    live: LiveAnalysis | None = None
    start_s, truth, busy_s = 0.0, [], 0.0
    found: dict[str, list[float]] = {"first look": [], "settled": []}
    n_measured = n_withdrawn = 0
    measuring_s: list[float] = []
    for seed in range(n_pieces):
        plate, beside, lowest = piece(1000 + seed, 25, bar=bar)
        live = live or LiveAnalysis(plate.device, None if beside is None else beside.device)
        truth += [start_s + t for t in lowest]
        for kind, t_s, raw in packets(plate, beside, start_s):
            began = time.process_time()
            events = live.push_plate(t_s, raw) if kind == "plate" else live.push_bar(t_s, raw)
            busy_s += time.process_time() - began
            for event in events:
                if not isinstance(event, Due):
                    continue
                found[event.window.stage].append(event.window.lowest_s)
                began = time.process_time()
                made = measured(event, AttemptCard(), Settings(), BOOK)
                measuring_s.append(time.process_time() - began)
                n_measured += isinstance(made, Measured)
                n_withdrawn += not isinstance(made, Measured)
        start_s += float(plate.t_s[-1]) + 1.0 / RATE_HZ
        told = f"{start_s / 60:5.0f} min  memory {resident_mb():4.0f} MB, {live.n_remembered} samples remembered"
        print(f"{told}, watching {1e2 * busy_s / start_s:.1f} % of a core, {len(truth)} lifts", flush=True)
    for stage, times in found.items():
        missed = sum(np.min(np.abs(np.array(times) - t)) > 0.7 for t in truth)
        false = sum(np.min(np.abs(np.array(truth) - t)) > 0.7 for t in times)
        print(f"{stage}: {len(times)} of {len(truth)} lifts, missed {missed}, false {false}")
    print(f"measured {n_measured}, withdrawn {n_withdrawn}, {1e3 * np.median(measuring_s):.0f} ms in the middle")
    print(
        f"all work: {1e2 * (busy_s + sum(measuring_s)) / start_s:.1f} % of a core; largest memory {memory_mb():.0f} MB"
    )


def memory(rounds: int) -> None:
    """Memory after each round of one piece with a bar."""
    plate, bar, _ = piece(3, 5, bar=True)
    assert bar is not None
    span_s = float(plate.t_s[-1]) + 1.0 / RATE_HZ
    live = LiveAnalysis(plate.device, bar.device)
    for k in range(rounds):
        for what, t_s, raw in packets(plate, bar, k * span_s):
            for event in live.push_plate(t_s, raw) if what == "plate" else live.push_bar(t_s, raw):
                if isinstance(event, Due):
                    measured(event, AttemptCard(), Settings(), BOOK)
        print(f"{(k + 1) * span_s / 60.0:4.0f} min {resident_mb():5.0f} MB, {live.n_remembered} samples remembered")


def latency(n_lifts: int) -> None:
    """From the end of the drive to the first look, in its parts."""
    waits, works, spent, confirms = [], [], [], []
    seed = 0
    while len(works) < n_lifts:
        plate, _, _ = piece(2000 + seed, 12, bar=False)
        seed += 1
        live = LiveAnalysis(plate.device)
        for _, t_s, raw in packets(plate, None, 0.0):
            began, cpu = time.perf_counter(), time.process_time()
            for event in live.push_plate(t_s, raw):
                if isinstance(event, Due) and event.window.stage == "first look":
                    made = measured(event, AttemptCard(), Settings(), BOOK)
                    works.append(time.perf_counter() - began)
                    spent.append(time.process_time() - cpu)
                    assert isinstance(made, Measured)
                    assert event.recording.plate is not None
                    end_s = float(event.recording.plate.t_s[-1])
                    off = made.lift.instants.takeoff_s
                    waits.append(end_s - made.lift.instants.drive_end_s)
                    if off is not None:
                        confirms.append(end_s - off - 0.020)
    for name, values in (
        ("samples needed after the end of the drive", waits),
        ("of these beyond 20 ms without load, where the feet leave", confirms),
        ("computing, from the packet to the numbers", works),
        ("the same in time of the processor, however busy the machine is", spent),
    ):
        middle, late = np.quantile(values, [0.5, 0.95])
        print(f"{name}: median {1e3 * middle:.0f} ms, 95 % {1e3 * late:.0f} ms ({len(values)} lifts)")


def sensors(pipe: Connection) -> None:
    """Be the virtual devices until told to stop."""
    from forcekit.acquire.replay import replay
    from forcekit.model import Recording

    plate, bar, _ = piece(3000, 6, bar=True)
    with replay(Recording(plate, bar), loop=True) as planned:
        pipe.send([p.address for p in planned])
        pipe.recv()


def share(seconds: float) -> None:
    """Share of a core of a session with 1 kHz plate and 1 kHz bar."""
    from forcekit.live.session import LiveSession

    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=sensors, args=(theirs,))
    process.start()
    ports = ours.recv()
    with tempfile.TemporaryDirectory() as folder:
        session = LiveSession([Planned(p) for p in ports], folder=Path(folder))
        session.start()
        time.sleep(3.0)
        began, cpu = time.perf_counter(), time.process_time()
        while time.perf_counter() - began < seconds:
            session.state()
            session.trace(0)
            time.sleep(0.1)
        spent = time.process_time() - cpu
        took = time.perf_counter() - began
        devices = session.state()["devices"]
        n = len(session.state()["reps"])
        session.close()
    ours.send("stop")
    process.join()
    lost = [d["lost"] for d in devices]
    print(f"{took:.0f} s, {n} reps, lost {lost}: {1e2 * spent / took:.1f} % of a core, memory {memory_mb():.0f} MB")


def equal(seconds: float) -> None:
    """Every number of every lift, of the running session and of its file."""
    virtual.SEND_BUFFER = 64 * 1024 * 1024
    with tempfile.TemporaryDirectory() as folder, replay(invented_day().recording, loop=True) as planned:
        session = LiveSession(planned, folder=Path(folder))
        session.start()
        time.sleep(seconds)
        path = session.close()
        assert path is not None
        offline = analyze(read(path)).lifts
    shown = [r.lift for r in session._measuring.reps]
    pairs = list(zip(shown, offline, strict=True))
    n_other = sum(a.measures[name] != b.measures[name] for a, b in pairs for name in a.measures)
    n_all = sum(len(a.measures) for a in shown)
    with_bar = sum(a.measures["bar_dip_depth"].ok for a in shown)
    checks = sum((a.quality, a.findings, a.instants) != (b.quality, b.findings, b.instants) for a, b in pairs)
    print(f"{len(shown)} lifts live, {len(offline)} in the file, {with_bar} with a bar")
    print(f"of {n_all} measures {n_other} differ")
    print(f"checks, findings or instants differ in {checks} lifts")


if __name__ == "__main__":
    what = sys.argv[1] if len(sys.argv) > 1 else "reps"
    number = float(sys.argv[2]) if len(sys.argv) > 2 else None
    if what == "latency":
        latency(int(number or 100))
    elif what == "share":
        share(number or 60.0)
    elif what == "memory":
        memory(int(number or 20))
    elif what == "equal":
        equal(number or 200.0)
    else:
        reps(int(number or 12), bar=what == "reps-with-bar")
