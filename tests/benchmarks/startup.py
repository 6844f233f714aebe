"""How long a command takes, whole process, beside the imports it cannot avoid.

Run from the checkout: ``python tests/benchmarks/startup.py``. Makes a recording of 10 s at 1 kHz with 8 channels (two
plates of four cells); the commands take turns and the median processor time of seven runs of each is printed. All run
from compiled modules, as an installed package does, also where the environment forbids Python to write them.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

ANALYZE = "forcekit analyze, 10 s at 1 kHz"
RUNS = 7
PARSER = "pyarrow, pyarrow.csv" if find_spec("pyarrow") else "pandas"
IMPORTS = f"import numpy, msgspec, {PARSER}, typer"
"""What reading a CSV by a device file and printing a result cannot do without."""
COMMAND = f"""
{IMPORTS}
from pathlib import Path
app = typer.Typer(add_completion=False)
@app.command()
def nothing(path: Path) -> None: pass
app(["jerk.csv"], standalone_mode=False)
"""
"""The same, and a command of one argument that does nothing: typer loads what converts arguments only then."""


def seconds(command: list[str], cache: str) -> float:
    """Processor time of one run of a command; its compiled modules are kept in a folder."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    subprocess.run(command, check=True, capture_output=True, env=env | {"PYTHONPYCACHEPREFIX": cache})
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


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
            "import typer": [*python, "-c", "import typer, rich"],
            "forcekit --help": [*python, "-m", "forcekit", "--help"],
            "the imports analyze cannot avoid": [*python, "-c", IMPORTS],
            "and typer with one argument": [*python, "-c", COMMAND],
            ANALYZE: [*python, "-m", "forcekit", "analyze", str(path)],
            "forcekit analyze --json": [*python, "-m", "forcekit", "analyze", str(path), "--json"],
        }
        taken: dict[str, list[float]] = {name: [] for name in rows}
        for i in range(RUNS + 1):
            for name, command in rows.items():
                taken[name].append(seconds(command, f"{folder}/compiled"))
                if i == 0:
                    taken[name].clear()  # the first round fills the caches
        for name, times in taken.items():
            print(f"{name:36} {statistics.median(times):6.2f} s")
        pairs = [("forcekit --help", "import typer"), (ANALYZE, "the imports analyze cannot avoid")]
        for name, base in [*pairs, (ANALYZE, "and typer with one argument")]:
            over = statistics.median(a / b for a, b in zip(taken[name], taken[base], strict=True))
            print(f"{name} over {base}: {over:.2f}")


if __name__ == "__main__":
    main()
