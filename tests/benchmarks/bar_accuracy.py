"""How far to trust the bar's numbers: simulated jerks with noisy sensors, table of errors and coverage.

Run from the checkout::

    python tests/benchmarks/bar_accuracy.py            # 400 lifts a row, half a minute to some minutes on two cores
    python tests/benchmarks/bar_accuracy.py 100        # fewer

Sensors have biases of 5 mg and 0.5 degree/s, usual noise, scale errors of 0.3 and 0.5 % (normal); lifters, loads and
timing are drawn anew. "cut" ends the recording 0.35 s after the drive, before the bar comes to rest.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "mechanics"), str(Path(__file__).resolve().parents[2])]


def one(seed: int, *, rate_hz: float, cut: bool) -> dict[str, tuple[float, float]]:
    """Errors and standard uncertainties of one lift."""
    import test_bar_accuracy as world

    world.N_LIFTS = 1
    world.errors.cache_clear()
    plain = world.lift
    world.lift = lambda _seed, rate, *, cut: plain(1000 + seed, rate, cut=cut)
    try:
        return {name: tuple(pairs[0]) for name, pairs in world.errors(rate_hz, cut).items()}
    finally:
        world.lift = plain


def main(n_lifts: int) -> None:
    """Print one block per rate and kind of ending."""
    for rate_hz, cut in ((200.0, False), (1000.0, False), (200.0, True), (1000.0, True)):
        with ProcessPoolExecutor(2) as pool:
            found = list(pool.map(partial(one, rate_hz=rate_hz, cut=cut), range(n_lifts), chunksize=10))
        print(f"{rate_hz:.0f} Hz, {'cut off in the catch' if cut else 'bar at rest afterwards'}, {n_lifts} lifts")
        for name in found[0]:
            pairs = np.array([f[name] for f in found])
            factor, unit = (180.0 / np.pi, "deg") if name == "rotation" else (1e3, "mm/s" if name == "speed" else "mm")
            z = pairs[:, 0] / pairs[:, 1]
            print(
                f"  {name:12s} rms {factor * np.sqrt(np.mean(pairs[:, 0] ** 2)):7.3f} {unit:4s} "
                f"stated {factor * np.sqrt(np.mean(pairs[:, 1] ** 2)):7.3f}  "
                f"coverage {100 * np.mean(np.abs(z) < 1.96):5.1f} %"
                f"  z {np.sqrt(np.mean(z**2)):.2f}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
