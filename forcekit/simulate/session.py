"""Many lifts and everything between them in one motion: `simulate_session` follows a script of steps.

Between lifts people step on and off, take the bar from the rack, walk out, breathe, shift the grip, shrug, start a
dip and think better of it, chat, load discs. None of that is a lift: the truth of a session is exactly its lifts.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from forcekit.simulate.between import STEPS, Ask, Scene, Step, StepName, at_rack_m
from forcekit.simulate.faults import PATTERNS, random_plan
from forcekit.simulate.motion import Chunk, Motion, assemble
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.truth import lift_truth

__all__ = ["Step", "StepName", "random_script", "same_lifter", "simulate_session"]

SESSION_RATE_HZ = 2000.0
"""Fine grid of a session; takes about 0.6 kB of memory per sample."""

_BODY_FIELDS = (
    "body_mass_kg",
    "stature_m",
    "foot_length_m",
    "stance_half_width_m",
    "body_height_of_stature",
    "rack_height_of_stature",
    "overhead_of_stature",
    "latitude_deg",
    "height_m",
)


def simulate_session(script: Sequence[Step], plan: LiftPlan, seed: int, *, rate_hz: float = SESSION_RATE_HZ) -> Motion:
    """Motion of a whole session.

    Parameters
    ----------
    script : sequence of Step
        Begins with the lifter off the plate and the bar in the rack.
    plan : LiftPlan
        Tells the lifter's body, the site and the first load; the plans of the lifts must have the same body.
    seed : int
    rate_hz : float, hertz
        Of the fine grid; a multiple of 50 Hz.

    Raises
    ------
    ValueError
        When a step cannot follow the one before it, or a lift has another body or load than the session has then.

    Examples
    --------
    >>> steps = [Step(name="empty"), Step(name="step on"), Step(name="unrack"), Step(name="walk out"),
    ...          Step(name="lift", plan=LiftPlan()), Step(name="walk in"), Step(name="rerack"), Step(name="step off")]
    >>> len(simulate_session(steps, LiftPlan(), 1).truths)
    1
    """
    rng = np.random.default_rng(seed)
    scene = Scene(plan, at_rack_m(plan), 0.0, False)
    chunks: list[Chunk] = []
    for i, step in enumerate(script):
        where = f'step {i + 1}, "{step.name}"'
        allowed, make = STEPS[step.name]
        if (scene.on > 0.0, scene.held) not in allowed:
            raise ValueError(f"{where}: the lifter is in the wrong place for it")
        if step.plan is not None and step.plan != same_lifter(step.plan, plan):
            raise ValueError(f"{where}: its plan has another body or site than the session")
        made, scene = make(Ask(scene, step, rate_hz, rng))
        chunks += made
    motion = assemble(chunks, plan, rng, rate_hz=rate_hz)
    return dataclasses.replace(motion, truths=tuple(lift_truth(motion, m) for m in motion.marks))


def same_lifter(plan: LiftPlan, lifter: LiftPlan) -> LiftPlan:
    """Give the plan with the body and site of another plan."""
    return dataclasses.replace(plan, **{name: getattr(lifter, name) for name in _BODY_FIELDS})


def random_script(rng: np.random.Generator, lifter: LiftPlan, n_lifts: int, *, fault_frac: float = 0.5) -> list[Step]:
    """Draw a messy session: sets of one to three lifts with loads, faults, false starts and people walking about.

    Parameters
    ----------
    rng : numpy Generator
    lifter : LiftPlan
        Whose body and first load are used.
    n_lifts : int
    fault_frac : float
        Part of the lifts that have a fault.
    """
    script = [Step(name="empty", seconds=float(rng.uniform(1.5, 3.0)))]
    bar_kg, left = lifter.bar_mass_kg, n_lifts
    while left > 0:
        in_set = min(left, int(rng.integers(1, 4)))
        script += _set(rng, dataclasses.replace(lifter, bar_mass_kg=bar_kg), in_set, fault_frac)
        left -= in_set
        if left:
            bar_kg = float(np.clip(bar_kg + rng.choice([-5.0, 2.5, 5.0]), 20.0, 150.0))
            script += _pause(rng, bar_kg)
    return [*script, Step(name="empty", seconds=2.0)]


def _set(rng: np.random.Generator, lifter: LiftPlan, n_lifts: int, fault_frac: float) -> list[Step]:
    script = [Step(name="step on"), Step(name="stand", seconds=1.0)]
    script += [Step(name="unrack"), Step(name="walk out")]
    for _ in range(n_lifts):
        script += _fidgets(rng)
        pattern = str(rng.choice(PATTERNS)) if rng.random() < fault_frac else None
        landing = float(rng.choice([1.0, 1.0, 1.0, 0.5, 0.0]))
        body = {name: getattr(lifter, name) for name in _BODY_FIELDS}
        plan = random_plan(rng, pattern, landing=landing, bar_mass_kg=lifter.bar_mass_kg, **body)
        script.append(Step(name="lift", plan=plan))
        if landing == 0.0 and plan.feet_leave:
            script.append(Step(name="come back"))
    return [*script, *_fidgets(rng), Step(name="walk in"), Step(name="rerack"), Step(name="step off")]


def _fidgets(rng: np.random.Generator) -> list[Step]:
    names: tuple[StepName, ...] = ("stand", "regrip", "shrug", "aborted dip", "chat")
    some = [names[int(i)] for i in rng.integers(len(names), size=int(rng.integers(0, 3)))]
    return [Step(name=name, seconds=float(rng.uniform(1.0, 4.0))) for name in some]


def _pause(rng: np.random.Generator, bar_kg: float) -> list[Step]:
    script = [Step(name="load", bar_kg=bar_kg, seconds=float(rng.uniform(2.0, 5.0)))]
    if rng.random() < 0.5:
        script.append(Step(name="spotter", seconds=float(rng.uniform(2.0, 5.0))))
    if rng.random() < 0.5:
        script.append(Step(name="disc on plate", seconds=float(rng.uniform(1.5, 4.0))))
    return [*script, Step(name="empty", seconds=float(rng.uniform(1.0, 2.0)))]
