"""The next rep of the same lifter: same body and bar, a movement that differs as a lifter's reps differ."""

from __future__ import annotations

import dataclasses

import numpy as np

from forcekit.simulate.plan import LiftPlan

__all__ = ["next_rep"]

_IN_PROPORTION = (
    "dip_depth_of_stature",
    "unweighting_s",
    "braking_s",
    "drive_velocity_mps",
    "landing_velocity_mps",
    "landing_peak_of_weight",
    "arms_push_s",
)
_BY_ITSELF = {"onset_ramp_frac": 0.5, "braking_ramp_frac": 0.5, "unweighting_end_frac": 0.3, "drive_rise": 0.5}
"""How far a share wanders, in units of the spread."""
_STANDING_S = {"stance_s": (1.8, 3.2), "catch_hold_s": (0.2, 0.6), "recover_s": (1.0, 1.7), "hold_s": (1.0, 2.0)}
"""How long somebody stands, stays in the catch and recovers is not a habit of hundredths of a second (our choice)."""


def next_rep(rng: np.random.Generator, plan: LiftPlan, *, spread: float = 0.04) -> LiftPlan:
    """Plan of another rep of the same lifter at the same load.

    Parameters
    ----------
    rng : numpy Generator
    plan : LiftPlan
        What the lifter does on average.
    spread : float
        Standard deviation of depths, times and speeds from rep to rep over their mean.

    Notes
    -----
    Within a session jerks and push presses of 18 men had coefficients of variation of 2 to 10 % (Soriano et al. 2024,
    abstract seen); the default is near the steady end, where reps are hardest to tell apart.
    """
    changes = {name: getattr(plan, name) * (1.0 + spread * _normal(rng)) for name in _IN_PROPORTION}
    for name, part in _BY_ITSELF.items():
        changes[name] = getattr(plan, name) + part * spread * _normal(rng)
    changes["braking_ramp_frac"] = min(changes["braking_ramp_frac"], 1.0)
    changes["onset_power"] = float(np.clip(plan.onset_power + 3.0 * spread * _normal(rng), 1.0, 3.0))
    changes |= {name: float(rng.uniform(*band)) for name, band in _STANDING_S.items()}
    return dataclasses.replace(plan, **changes)


def _normal(rng: np.random.Generator) -> float:
    return float(np.clip(rng.standard_normal(), -2.5, 2.5))
