"""`kill -9` at random moments of a batch, then go on: the tables must be those of an undisturbed run, byte for byte.

Run from the checkout: ``python tests/benchmarks/batch_kills.py [50]``. The batch is killed that many times, at any
moment from its start to the writing of the tables; whenever it comes to its end before it is killed, its tables are
compared and it begins anew.
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
N_FILES = 150


def main(n_kills: int) -> None:
    """Kill, go on, compare."""
    from batch_files import make_folder

    place = Path(tempfile.mkdtemp())
    try:
        folder = make_folder(place / "season", N_FILES, 20)
        words = [sys.executable, "-m", "forcekit", "batch", str(folder), "--workers", "2", "-o"]
        start = time.perf_counter()
        subprocess.run([*words, str(place / "whole")], check=True, capture_output=True)
        seconds = time.perf_counter() - start
        wanted = _contents(place / "whole")
        rng = np.random.default_rng(8)
        killed = finished = leftovers = 0
        out = place / "out"
        while killed < n_kills:
            child = subprocess.Popen([*words, str(out)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            try:
                child.wait(float(rng.uniform(0.0, 1.1 * seconds)))
            except subprocess.TimeoutExpired:
                child.send_signal(signal.SIGKILL)
                child.wait()
                killed += 1
                continue
            finished += 1
            assert wanted == _contents(out), "the tables differ"
            shutil.rmtree(out)
        subprocess.run([*words, str(out)], check=True, capture_output=True)
        assert wanted == _contents(out), "the tables differ"
        leftovers = sum(p.name.endswith(".part") for p in out.iterdir())
    finally:
        shutil.rmtree(place)
    print(f"killed {killed} times within {1.1 * seconds:.1f} s of its start; came to its end {finished + 1} times")
    print(f"tables the same bytes as undisturbed each time: True; unfinished files left: {leftovers}")


def _contents(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in out.iterdir() if not p.name.startswith(("progress", "."))}


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
