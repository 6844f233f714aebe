"""How long a command takes, whole process, beside the imports it cannot avoid.

Run from the checkout: ``python tests/benchmarks/startup.py``. Makes a recording of 10 s at 1 kHz with 8 channels (two
plates of four cells) and prints the median of five runs of each command.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUNS = 5
IMPORTS = "import numpy, msgspec, pandas, tomlkit, typer"


def seconds(command: list[str]) -> float:
    """Median wall time of a command in seconds, after one run that is not counted."""
    times = []
    for i in range(RUNS + 1):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        if i:
            times.append(time.perf_counter() - start)
    return statistics.median(times)


def recording(folder: Path) -> Path:
    """Write a recording of 10 s at 1 kHz with 8 channels; return its path."""
    from forcekit.simulate.faults import clean_plan
    from forcekit.simulate.lifter import simulate_lift
    from forcekit.simulate.sensors import PlateSensor, record_plate
    from forcekit.simulate.write import CsvDialect, write_device, write_stream

    motion = simulate_lift(clean_plan(stance_s=4.0, hold_s=4.0), 1)
    stream = record_plate(motion, PlateSensor(two_plates=True), 1).plate
    assert stream is not None
    path = folder / "jerk.csv"
    write_device(write_stream(stream, path, CsvDialect()), folder / "jerk.device.toml")
    return path


def main() -> None:
    """Print the table."""
    python = [sys.executable]
    with tempfile.TemporaryDirectory() as folder:
        path = recording(Path(folder))
        rows = {
            "python alone": [*python, "-c", "pass"],
            "forcekit --help": [*python, "-m", "forcekit", "--help"],
            "the imports analyze cannot avoid": [*python, "-c", IMPORTS],
            "forcekit analyze, 10 s at 1 kHz": [*python, "-m", "forcekit", "analyze", str(path)],
            "forcekit analyze --json": [*python, "-m", "forcekit", "analyze", str(path), "--json"],
        }
        for name, command in rows.items():
            print(f"{name:36} {seconds(command):6.2f} s")


if __name__ == "__main__":
    main()
