"""A bar that recorded only some of the plate's lifts: how often its clock is found, how often a wrong file is taken.

Run from the checkout::

    python -m tests.benchmarks.bar_parts         # 40 lifters, ten seconds on one core
    python -m tests.benchmarks.bar_parts 10      # fewer

Each lifter does two sets of five reps, which differ as reps do (`simulate/reps.py`), bar and body soft. Each plate file
is aligned by the movement with its own bar file that begins late or ends early, and with the other set's. The starts
are 8 s apart with a standard deviation of 0.5 s, which is steadier than people are, or 5 to 25 s.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from forcekit.errors import CannotMeasure
from forcekit.mechanics.align import align_by_motion
from forcekit.model import FloatArray
from forcekit.simulate.bend import bend_bar, soft_body
from forcekit.simulate.faults import random_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.reps import next_rep

N_REPS = 5
FINE_HZ, PLATE_HZ, BAR_HZ = 2000.0, 1000.0, 200.0
TOLERANCE_S = 0.02
Windows = tuple[tuple[float, float], ...]


def a_set(rng: np.random.Generator, plan: LiftPlan, steady: bool) -> tuple[FloatArray, FloatArray, Windows]:
    """Acceleration of the system at 1 kHz and of the bar at 200 Hz, and stance and dip of each lift."""
    plate, bar, windows, t0 = [], [], [], 0.0
    for _ in range(N_REPS):
        seed = int(rng.integers(2**31))
        m = simulate_lift(next_rep(rng, plan), seed, rate_hz=FINE_HZ)
        m = soft_body(bend_bar(m, hz=6.0, damping=0.06), part=0.25, hz=6.0, damping=0.35)
        mark, start = m.marks[0], 0.0
        pause = 8.0 + 0.5 * rng.standard_normal() if steady else rng.uniform(5.0, 25.0)
        weight = m.gravity_mps2 * (m.plan.body_mass_kg + m.plan.bar_mass_kg)
        first = round((mark.onset_s - 1.0) * FINE_HZ)
        last = round((mark.drive_end_s + 0.5) * FINE_HZ)
        still = np.zeros(max(0, round(pause * FINE_HZ) - (last - first)))
        plate += [m.gravity_mps2 * (m.force_up_n[first:last] / weight - 1.0), still]
        bar += [m.bar_acceleration_mps2[first:last, 2], still]
        start = t0 - first / FINE_HZ
        windows.append((start + mark.onset_s - 0.8, start + mark.lowest_s))
        t0 += (last - first + still.size) / FINE_HZ
    system, own = np.concatenate(plate)[::2], np.concatenate(bar)[::10]
    system = system + rng.normal(0.0, 0.02, system.size)
    return system, own + rng.normal(0.0, 0.03, own.size), tuple(windows)


def outcome(plate: FloatArray, windows: Windows, bar: FloatArray, start_s: float, own: bool) -> str:
    """What aligning says: found, wrong, or refused."""
    try:
        got = align_by_motion(plate, PLATE_HZ, bar, BAR_HZ, windows_s=windows, bar_start_s=start_s)
    except CannotMeasure:
        return "refused"
    return "found" if own and abs(got.clock.offset_s) < TOLERANCE_S else f"wrong, by {got.offsets_s.size} lifts"


def run(n: int, steady: bool) -> None:
    """Print one line for each kind of bar file."""
    told: dict[str, Counter[str]] = {}
    for seed in range(n):
        rng = np.random.default_rng([seed, 77])
        plan = random_plan(rng, movement="jerk")
        plate, bar, windows = a_set(rng, plan, steady)
        _, other, its = a_set(rng, plan, steady)
        for k in range(1, N_REPS + 1):
            late = round((windows[-k][0] - 1.0) * BAR_HZ) if k < N_REPS else 0
            early = round((its[k - 1][1] + 2.0) * BAR_HZ)
            told.setdefault(f"own, last {k}", Counter())[outcome(plate, windows, bar[late:], late / BAR_HZ, True)] += 1
            told.setdefault(f"other set, first {k}", Counter())[outcome(plate, windows, other[:early], 0.0, False)] += 1
    print("steady pauses" if steady else "usual pauses")
    for kind, counted in told.items():
        print(f"    {kind:<20}" + ", ".join(f"{what} {many}" for what, many in sorted(counted.items())))


def main(n: int) -> None:
    """Print both kinds of pauses."""
    run(n, False)
    run(n, True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
