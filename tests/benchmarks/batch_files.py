"""Folders of recordings for the benchmarks: 10 s at 1 kHz with 8 channels (two plates of four cells), quickly made."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from forcekit.simulate.faults import PATTERNS, random_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.write import CsvDialect, write_device, write_stream

N_SAMPLES = 10_000


def make_folder(folder: Path, n: int, n_distinct: int = 200) -> Path:
    """Write n recordings: distinct lifts, again and again, each with a comment line of its own.

    Every file has content of its own (and so a hash of its own); the numbers of file i are those of lift
    i modulo `n_distinct`.
    """
    folder.mkdir(parents=True)
    texts = [_text(folder, seed) for seed in range(min(n, n_distinct))]
    for i in range(n):
        place = folder / f"week_{i // 500:02}"
        place.mkdir(exist_ok=True)
        (place / f"lift_{i:05}.csv").write_bytes(b"# recording %06d\n" % i + texts[i % len(texts)])
    return folder


def _text(folder: Path, seed: int) -> bytes:
    rng = np.random.default_rng([seed, 88])
    pattern = None if rng.random() < 0.4 else str(rng.choice(PATTERNS))
    plan = random_plan(rng, pattern)
    plan = dataclasses.replace(plan, stance_s=float(rng.uniform(2.0, 4.0)), hold_s=6.0)
    stream = record_plate(simulate_lift(plan, seed), PlateSensor(two_plates=True), seed, plate_seed=1).plate
    assert stream is not None
    n = min(N_SAMPLES, stream.t_s.size)
    raw = {name: values[:n] for name, values in stream.raw.items()}
    path = folder / "made.csv"
    device = write_stream(
        dataclasses.replace(stream, t_s=stream.t_s[:n], raw=raw), path, CsvDialect(state_layout=False)
    )
    write_device(device, folder / "device.toml")
    text = path.read_bytes()
    path.unlink()
    return text
