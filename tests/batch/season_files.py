"""A small season's export: simulated lifts in two halls, broken files among them."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from forcekit.simulate.faults import clean_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.write import CsvDialect, write_device, write_stream

TABLES = ("lifts", "failures", "files", "quality")


def make_season(folder: Path) -> Path:
    """Write a folder: `hall/` with six lifts, `north/` with two lifts of another plate, and five files with trouble."""
    for place, kind, seeds in (("hall", "cells", range(6)), ("north", "components", range(6, 8))):
        (folder / place).mkdir(parents=True)
        for seed in seeds:
            motion = simulate_lift(clean_plan(stance_s=1.5, hold_s=0.5), seed)
            stream = record_plate(motion, PlateSensor(kind=kind, rate_hz=250.0), seed).plate  # type: ignore[arg-type]
            assert stream is not None
            dialect = CsvDialect(comments=(f"# laboratory {place}",))
            device = write_stream(stream, folder / place / f"lift_{seed}.csv", dialect)
        write_device(device, folder / place / "device.toml")
    whole = (folder / "hall" / "lift_0.csv").read_bytes()
    lines = whole.split(b"\n")
    trouble = folder / "hall" / "trouble"
    trouble.mkdir()
    (trouble / "empty.csv").write_bytes(b"")
    (trouble / "picture.csv").write_bytes(bytes(range(256)) * 40)
    (trouble / "word.csv").write_bytes(whole.replace(lines[200], lines[200].replace(b",", b",oops", 1)))
    (trouble / "still.csv").write_bytes(b"\n".join(lines[:300]) + b"\n")
    (trouble / "short.csv").write_bytes(b"\n".join(lines[:20]) + b"\n")
    return folder


def many(season: Path, folder: Path, n: int) -> Path:
    """Write n recordings: those of the season again and again."""
    sources = sorted((season / "hall").glob("lift_*.csv"))
    folder.mkdir()
    shutil.copy(season / "hall" / "device.toml", folder)
    for i in range(n):
        shutil.copy(sources[i % len(sources)], folder / f"{i:03}.csv")
    return folder


def command(*words: str | Path) -> list[str]:
    """Words of a real process that runs `forcekit batch`."""
    return [sys.executable, "-m", "forcekit", "batch", *(str(w) for w in words)]


def batch(*words: str | Path, code: int = 0) -> subprocess.CompletedProcess[str]:
    """Run `forcekit batch` as a real process; it must exit with the code."""
    done = subprocess.run(command(*words), capture_output=True, text=True, check=False)
    assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
    return done


def contents(out: Path) -> dict[str, bytes]:
    """Every file of a folder of tables but the journal."""
    return {p.name: p.read_bytes() for p in sorted(out.iterdir()) if not p.name.startswith("progress")}
