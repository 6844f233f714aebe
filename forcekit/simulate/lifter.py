"""One simulated lift with known truth: `simulate_lift`."""

from __future__ import annotations

import dataclasses

import numpy as np

from forcekit.simulate.motion import LiftTruth, Motion, assemble
from forcekit.simulate.path import lift_chunk
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.truth import lift_truth, stance_truth

__all__ = ["LiftPlan", "LiftTruth", "Motion", "simulate_lift", "stance_truth"]

LIFT_RATE_HZ = 5000.0
"""Fine grid of a single lift; instants are found between its samples."""


def simulate_lift(plan: LiftPlan, seed: int, *, rate_hz: float = LIFT_RATE_HZ) -> Motion:
    """Motion of one lift, noise-free, with the true value of every measure.

    Parameters
    ----------
    plan : LiftPlan
    seed : int
        Of sway, breathing and heartbeat; the same seed gives the same motion.
    rate_hz : float, hertz
        Of the fine grid; a multiple of 50 Hz.

    Examples
    --------
    >>> motion = simulate_lift(LiftPlan(), 1)
    >>> round(motion.truths[0].measures["system_mass"], 1)
    162.0
    """
    rng = np.random.default_rng(seed)
    motion = assemble([lift_chunk(plan, rate_hz=rate_hz)], plan, rng, rate_hz=rate_hz)
    return dataclasses.replace(motion, truths=tuple(lift_truth(motion, m) for m in motion.marks))
