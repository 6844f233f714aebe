"""Plans with one clear fault each, a clean plan, and random plans within what lifters do.

Each fault lies well beyond the limits of common practice, so that a detector has no excuse; the numbers are our own
choice inside the published bands (dip 6 to 16 % of stature, braking 0.08 to 0.25 s, drive 0.9 to 2.0 m/s).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from forcekit.model import Movement
from forcekit.simulate.plan import LiftPlan

__all__ = ["FAULTS", "clean_plan", "faulty_plan"]

FAULTS: dict[str, dict[str, Any]] = {
    "forward_in_dip": {
        "shift_in_dip_of_foot": 0.18,
        "forward_velocity_mps": 0.14,
        "forward_in_dip_frac": 0.6,
        "bar_forward_in_dip_m": 0.03,
    },
    "back_then_forward": {
        "shift_in_dip_of_foot": -0.05,
        "shift_in_drive_of_foot": 0.24,
        "forward_velocity_mps": 0.13,
        "forward_in_dip_frac": 0.0,
        "bar_forward_in_drive_m": 0.03,
    },
    "forward_throughout": {
        "stance_pressure_of_foot": 0.71,
        "pressure_at_drive_end_of_foot": 0.86,
        "forward_velocity_mps": 0.10,
    },
    "toward_heels": {
        "shift_in_dip_of_foot": -0.16,
        "shift_in_drive_of_foot": -0.02,
        "forward_velocity_mps": -0.08,
    },
    "bar_floats": {"unweighting_s": 0.24, "onset_ramp_frac": 0.22, "bar_float": 1.0},
    "arms_early": {"arms_lead_s": 0.13},
    "elbows_drop": {"elbows_drop_rad": 0.38, "elbows_drop_in_drive_rad": 0.10},
    "slow_turnaround": {"pause_s": 0.14},
    "too_deep": {"dip_depth_of_stature": 0.185, "unweighting_s": 0.34, "braking_s": 0.20},
    "too_shallow": {
        "dip_depth_of_stature": 0.043,
        "unweighting_s": 0.18,
        "braking_s": 0.10,
        "drive_velocity_mps": 1.15,
    },
    "double_dip": {"first_dip_of_stature": 0.05},
    "side_to_side": {"side_shift_m": 0.04},
    "falls_short": {"drive_velocity_mps": 0.68, "drive_end_height_m": -0.02},
}
"""Pattern -> what differs from a clean plan."""


def clean_plan(**changes: Any) -> LiftPlan:
    """Give a lift with nothing to find fault with; `changes` replace fields of `LiftPlan`."""
    return dataclasses.replace(LiftPlan(), **changes)


def faulty_plan(pattern: str, **changes: Any) -> LiftPlan:
    """Give a lift with one clear fault; `changes` replace fields of `LiftPlan` that the fault does not need."""
    return dataclasses.replace(LiftPlan(), **(changes | FAULTS[pattern]), patterns=(pattern,))
