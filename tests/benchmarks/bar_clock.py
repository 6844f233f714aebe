"""How well plate and bar, each with a clock of its own, are put on one clock: simulated sessions with rack work.

Run from the checkout::

    python -m tests.benchmarks.bar_clock            # 100 sessions a row, about two minutes on two cores
    python -m tests.benchmarks.bar_clock 20         # fewer

A session has one or three lifts between stepping on, unracking, walking out and in, racking and stepping off. The bar's
lead hangs on the clock alone; its error is that of the clock, but for some tenths of a millisecond. Worlds as in
`pairs.py`: bar and body rigid; discs that lag on a bending bar; soft parts of the body besides.
"""

from __future__ import annotations

import dataclasses
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from forcekit.analysis.pipeline import analyze
from forcekit.simulate.bar_sensor import record_bar
from forcekit.simulate.bend import bend_bar, natural_hz, soft_body
from forcekit.simulate.faults import random_plan
from forcekit.simulate.motion import LiftMarks, Motion
from forcekit.simulate.reps import next_rep
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, StepName, simulate_session
from tests.benchmarks.accuracy import bar_sensor

MOVEMENTS = ("jerk", "push press", "push jerk")
SAME_LIFT_S = 0.5
Found = tuple[float, float, float]


def true_lead(motion: Motion, mark: LiftMarks) -> float:
    """Time from the system's to the bar's peak upward speed, from the noise-free motion (s)."""
    inside = (motion.t_s > mark.lowest_s) & (motion.t_s < mark.drive_end_s + 0.2)
    weight = (mark.plan.body_mass_kg + motion.bar_mass_kg) * motion.gravity_mps2
    system = np.where(inside, np.cumsum(np.where(inside, motion.force_up_n - weight, 0.0)), -np.inf)
    bar = np.where(inside, motion.bar_velocity_mps[:, 2], -np.inf)
    return float(motion.t_s[int(np.argmax(bar))] - motion.t_s[int(np.argmax(system))])


def session(seed: int, world: str, n_lifts: int) -> tuple[Motion, np.random.Generator]:
    """Motion of a session of one lifter, and the numbers that go on from there."""
    rng = np.random.default_rng([seed, 77])
    plan = dataclasses.replace(random_plan(rng, None, movement=str(rng.choice(MOVEMENTS))), bar_whip_m=0.0)  # type: ignore[arg-type]
    before: tuple[StepName, ...] = ("empty", "step on", "unrack", "walk out")
    after: tuple[StepName, ...] = ("walk in", "rerack", "step off", "empty")
    steps = [Step(name=n) for n in before]
    for i in range(n_lifts):
        steps += [Step(name="stand")] if i else []
        steps.append(Step(name="lift", plan=dataclasses.replace(next_rep(rng, plan, spread=0.04), bar_whip_m=0.0)))
    motion = simulate_session([*steps, *(Step(name=n) for n in after)], plan, seed)
    if world != "rigid":
        hz = natural_hz(plan.bar_mass_kg) * float(rng.uniform(0.75, 1.35))
        motion = bend_bar(motion, hz=hz, damping=float(rng.uniform(0.03, 0.12)))
    if world == "soft":
        part, soft_hz, damping = (float(rng.uniform(*r)) for r in ((0.15, 0.35), (4.5, 9.0), (0.2, 0.5)))
        motion = soft_body(motion, part=part, hz=soft_hz, damping=damping)
    return motion, rng


def one(seed: int, *, world: str, n_lifts: int) -> tuple[int, list[Found]]:
    """Lifts found in a session, and the error of the lead and its interval for each that has one."""
    motion, rng = session(seed, world, n_lifts)
    plate = PlateSensor(rate_hz=float(rng.choice((200.0, 500.0, 1000.0))), noise_n=float(rng.uniform(0.3, 2.0)))
    bar = record_bar(motion, bar_sensor(rng, motion.gravity_mps2), seed)
    lifts = analyze(dataclasses.replace(record_plate(motion, plate, seed), bar=bar)).lifts
    out = []
    for lift in lifts:
        lowest, lead = lift["lowest_at"].value, lift["bar_lead"]
        mark = next((m for m in motion.marks if lowest is not None and abs(m.lowest_s - lowest) < SAME_LIFT_S), None)
        if mark is not None and lead.value is not None and lead.low is not None and lead.high is not None:
            true = true_lead(motion, mark)
            out.append((lead.value - true, lead.low - true, lead.high - true))
    return len(lifts), out


def main(n: int) -> None:
    """Print a line for each world and number of lifts."""
    for world in ("rigid", "bent", "soft"):
        for n_lifts in (1, 3):
            with ProcessPoolExecutor(2) as pool:
                found = list(pool.map(partial(one, world=world, n_lifts=n_lifts), range(n), chunksize=4))
            e = 1e3 * np.array([f for _, fs in found for f in fs])
            covered = (e[:, 1] <= 0.0) & (e[:, 2] >= 0.0)
            off = np.abs(e[:, 0])
            print(
                f"{world:5} {n_lifts} lift(s): {len(e)} of {sum(k for k, _ in found)} on one clock, lead off by "
                f"{np.sqrt(np.mean(off**2)):.2f} ms RMS (95 %: {np.quantile(off, 0.95):.2f}, most {off.max():.2f}), "
                f"covered {100 * np.mean(covered):.1f} %, half-width {np.median(e[:, 2] - e[:, 1]) / 2:.1f} ms"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
