"""A session file of an hour (1 kHz, 8 channels, a bar sensor beside it) with 80 lifts: time and memory over its parse.

Run from the checkout: ``python tests/benchmarks/long_session.py [80]``. Each way is a process of its own, three times
in turn; time is processor time, imports included for both, with one thread for numpy as the commands have: of several,
the waiting ones would be counted too. The size of the data is that of its numbers in memory.
"""

from __future__ import annotations

import dataclasses
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

PER_PART = 10
PART_S = 450.0
ROUNDS = 3
PARSE = "import sys, pandas as pd; a = [pd.read_csv(p, dtype='float64') for p in sys.argv[1:3]]"
ANALYSE = """
import sys, forcekit
a = forcekit.analyze(forcekit.read(sys.argv[1], device=sys.argv[3], bar=sys.argv[2], bar_device=sys.argv[4]))
print(len(a.lifts), sum(m.ok for x in a.lifts for m in x.measures.values()))
"""


def write_session(folder: Path, n_lifts: int) -> tuple[list[str], int]:
    """Write plate, bar and device files; return their paths and the bytes of their numbers."""
    from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
    from forcekit.simulate.plan import LiftPlan
    from forcekit.simulate.sensors import PlateSensor, record_plate
    from forcekit.simulate.session import random_script, simulate_session
    from forcekit.simulate.write import CsvDialect, write_device, write_stream

    parts = []
    lifter = LiftPlan()
    for seed in range(max(1, n_lifts // PER_PART)):
        rng = np.random.default_rng([seed, 99])
        script = random_script(rng, lifter, min(PER_PART, n_lifts))
        motion = simulate_session(script, lifter, seed, rate_hz=1000.0)
        plate = record_plate(motion, PlateSensor(two_plates=True), seed, plate_seed=1).plate
        bar = record_bar(motion, SimulatedBarSensor(rate_hz=1000.0, gravity_mps2=motion.gravity_mps2), 1)
        assert plate is not None
        parts.append((plate, bar))
    out, n_bytes = [], 0
    for k, name in enumerate(("plate", "bar")):
        streams = [part[k] for part in parts]
        raw = {c: np.concatenate([_lasting(s.raw[c], s.t_s) for s in streams]) for c in streams[0].raw}
        n = next(iter(raw.values())).size
        whole = dataclasses.replace(streams[0], t_s=np.arange(n) / 1000.0, raw=raw)
        write_device(write_stream(whole, folder / f"{name}.csv", CsvDialect(decimals=4)), folder / f"{name}.toml")
        n_bytes += 8 * n * (len(raw) + 1)
        out.append(str(folder / f"{name}.csv"))
    return [*out, str(folder / "plate.toml"), str(folder / "bar.toml")], n_bytes


def _lasting(values: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """The channel made as long as a part: its last two seconds, in which nobody is there, come again and again."""
    n = round(PART_S * 1000.0)
    if values.size >= n:
        return values
    return np.concatenate([values, np.resize(values[-2000:], n - values.size)])


def run(code: str, paths: list[str]) -> tuple[float, float, str]:
    """Processor time (s) and peak memory (MB) of a process of its own, and what it printed."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    # Not ru_maxrss: that of a process started by a larger one is the larger one's.
    told = "next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1]"
    probe = f"{code}\nprint({told}, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", probe, *paths], capture_output=True, text=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return seconds, int(done.stderr.split()[-1]) / 1024.0, done.stdout.strip()


def main(n_lifts: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name:
        paths, n_bytes = write_session(Path(name), n_lifts)
        size = sum(Path(p).stat().st_size for p in paths[:2]) / 1e6
        rounds = [(run(PARSE, paths), run(ANALYSE, paths)) for _ in range(ROUNDS)]
    parse, analyse = [r[0] for r in rounds], [r[1] for r in rounds]
    data = n_bytes / 2**20
    print(
        f"files of {size:.0f} MB, numbers of {data:.0f} MB; {n_lifts} lifts made; lifts and measures: {analyse[0][2]}"
    )
    for what, some in (("bare parse (pandas)", parse), ("forcekit", analyse)):
        s, mb = statistics.median(r[0] for r in some), max(r[1] for r in some)
        print(f"{what:20} {s:6.2f} s  peak {mb:6.0f} MB, {mb / data:.2f} times the numbers")
    print(f"time over the bare parse: {statistics.median(a[0] / p[0] for p, a in rounds):.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 80)
