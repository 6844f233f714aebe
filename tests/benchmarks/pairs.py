"""How often another lift's bar file is named, and how often the right one falsely: simulated lifters with several reps.

Run from the checkout::

    python -m tests.benchmarks.pairs            # 40 lifters in each world, about half an hour on one core
    python -m tests.benchmarks.pairs 10         # fewer

Each lifter has three reps, that differ as reps do (`simulate/reps.py`); each plate file is analysed with the bar file
of its own rep, of the two others, and of the lifter before. Worlds: bar and body rigid; discs that lag on a bending
bar; soft parts of the body besides. Sensors are uncalibrated and have clocks of their own; plates have 200 to 1000 Hz.
"""

from __future__ import annotations

import dataclasses
import sys
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from forcekit.analysis.pipeline import analyze
from forcekit.model import Recording
from forcekit.results import Lift
from forcekit.simulate.bar_sensor import record_bar
from forcekit.simulate.bend import bend_bar, natural_hz, soft_body
from forcekit.simulate.faults import random_plan
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.motion import LiftTruth, Motion
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.reps import next_rep
from forcekit.simulate.sensors import PlateSensor, record_plate
from tests.benchmarks.accuracy import bar_sensor

N_REPS = 3
MOVEMENTS = ("jerk", "jerk", "push press", "push jerk")
COMBINED = ("bar_dip_depth", "bar_braking_time", "bar_peak_velocity", "bar_lead", "bar_separation")
Rep = tuple[Recording, LiftTruth]


def lifter(seed: int, *, world: str, spread: float, pattern: str | None = None, n_reps: int = N_REPS) -> list[Rep]:
    """Recordings of plate and bar of some reps of one lifter, with their truths (of a rigid bar and body)."""
    rng = np.random.default_rng([seed, 31])
    movement = "jerk" if pattern else str(rng.choice(MOVEMENTS))
    usual = random_plan(rng, pattern, movement=movement)  # type: ignore[arg-type]
    stuff = _Stuff(
        world,
        natural_hz(usual.bar_mass_kg) * float(rng.uniform(0.75, 1.35)),
        float(rng.uniform(0.03, 0.12)),
        float(rng.uniform(0.15, 0.35)),
        float(rng.uniform(4.5, 9.0)),
        float(rng.uniform(0.2, 0.5)),
    )
    plate = PlateSensor(rate_hz=float(rng.choice((200.0, 500.0, 1000.0))), noise_n=float(rng.uniform(0.3, 2.0)))
    out = []
    for i in range(n_reps):
        plan = next_rep(rng, usual, spread=spread)
        motion = simulate_lift(plan, 1000 * seed + i, rate_hz=2000.0)
        softer = _softer(plan, motion, 1000 * seed + i, stuff)
        recording = record_plate(softer, plate, 1000 * seed + i)
        bar = record_bar(softer, bar_sensor(rng, motion.gravity_mps2), 1000 * seed + i)
        out.append((dataclasses.replace(recording, bar=bar), motion.truths[0]))
    return out


@dataclass(frozen=True, slots=True)
class _Stuff:
    """How bar and body of one lifter bend."""

    world: str
    bar_hz: float
    bar_damping: float
    soft_part: float
    soft_hz: float
    soft_damping: float


def _softer(plan: LiftPlan, motion: Motion, seed: int, s: _Stuff) -> Motion:
    """Put a bending bar, or that and soft parts of the body, in the place of rigid ones."""
    if s.world == "rigid":
        return motion
    # The plain simulator's bar swings as a whole; here its discs do.
    calm = simulate_lift(dataclasses.replace(plan, bar_whip_m=0.0), seed, rate_hz=2000.0)
    bent = bend_bar(calm, hz=s.bar_hz, damping=s.bar_damping)
    return soft_body(bent, part=s.soft_part, hz=s.soft_hz, damping=s.soft_damping) if s.world == "soft" else bent


def lift_with(plate_of: Recording, bar_of: Recording) -> Lift:
    """The lift of one recording's plate with another's bar."""
    (lift,) = analyze(dataclasses.replace(plate_of, bar=bar_of.bar)).lifts
    return lift


def is_named(lift: Lift) -> bool:
    """Whether a check says that the files may be of different lifts."""
    return any("different lift" in q.sentence for q in lift.quality if q.verdict != "good")


def misled(lift: Lift, truth: LiftTruth) -> list[str]:
    """Measures of bar and plate together that a wrong file puts beyond their stated interval."""
    out = []
    for name in COMBINED:
        m, true = lift.measures[name], truth.measures.get(name)
        if m.low is not None and m.high is not None and true is not None and not m.low <= true <= m.high:
            out.append(name)
    return out


def run(n: int, world: str, spread: float) -> None:
    """Print one line for a world and a spread of the reps."""
    named: dict[str, list[bool]] = defaultdict(list)
    silent_wrong: list[list[str]] = []
    apart: list[tuple[float, float]] = []
    before: list[Rep] = []
    for seed in range(n):
        reps = lifter(seed, world=world, spread=spread)
        for i, (recording, truth) in enumerate(reps):
            for j, (other, its_truth) in enumerate(reps):
                lift = lift_with(recording, other)
                named["right" if i == j else "rep"].append(is_named(lift))
                if i != j and not is_named(lift):
                    silent_wrong.append(misled(lift, truth))
                    a, b = truth.measures, its_truth.measures
                    apart.append((b["braking_time"] - a["braking_time"], b["dip_depth"] / a["dip_depth"] - 1.0))
        if before:
            named["lifter"].append(is_named(lift_with(reps[0][0], before[0][0])))
        before = reps
    told = ", ".join(f"{k} {sum(v)} of {len(v)} ({100.0 * np.mean(v):.1f} %)" for k, v in named.items())
    print(f"{world:6} spread {100 * spread:.0f} %: named {told}")
    if apart:
        ms, depth = np.abs(np.array(apart)).T
        print(
            f"       not named: braking differs by {1e3 * np.median(ms):.1f} ms (median; most {1e3 * ms.max():.1f}), "
            f"depth by {100 * np.median(depth):.1f} % (most {100 * depth.max():.1f} %); "
            f"beyond the intervals: " + ", ".join(f"{m} {sum(m in w for w in silent_wrong)}" for m in COMBINED)
        )


def main(n: int) -> None:
    """Print all worlds."""
    for world in ("rigid", "bent", "soft"):
        run(n, world, 0.04)
    for spread in (0.02, 0.08):
        run(n, "bent", spread)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
