"""Plans with one clear fault each, a clean plan, and random plans within what lifters do.

Each fault lies well beyond the limits of common practice, so that a detector has no excuse; the numbers are our
own choice inside the published bands (dip 6 to 16 % of stature, braking 0.08 to 0.25 s, drive 0.9 to 2.0 m/s).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from scipy.optimize import brentq

from forcekit.model import Movement
from forcekit.simulate.dip import drive_end_height, force_band
from forcekit.simulate.plan import LiftPlan

__all__ = ["FAULTS", "PATTERNS", "clean_plan", "faulty_plan", "random_plan"]

Range = tuple[float, float]

FAULTS: dict[str, dict[str, Range]] = {
    "forward_in_dip": {
        "shift_in_dip_of_foot": (0.16, 0.22),
        "forward_velocity_mps": (0.10, 0.18),
        "forward_in_dip_frac": (0.5, 0.7),
        "bar_forward_in_dip_m": (0.025, 0.045),
    },
    "back_then_forward": {
        "shift_in_dip_of_foot": (-0.07, -0.01),
        "shift_in_drive_of_foot": (0.22, 0.28),
        "forward_velocity_mps": (0.10, 0.18),
        "forward_in_dip_frac": (0.0, 0.05),
        "bar_forward_in_drive_m": (0.025, 0.045),
    },
    "forward_throughout": {
        "stance_pressure_of_foot": (0.71, 0.76),
        "pressure_at_drive_end_of_foot": (0.85, 0.88),
        "forward_velocity_mps": (0.06, 0.14),
    },
    "toward_heels": {
        "shift_in_dip_of_foot": (-0.20, -0.15),
        "shift_in_drive_of_foot": (-0.02, 0.0),
        "forward_velocity_mps": (-0.14, -0.06),
    },
    "bar_floats": {
        "dip_depth_of_stature": (0.105, 0.115),
        "onset_ramp_frac": (0.18, 0.24),
        "unweighting_end_frac": (0.20, 0.24),
        "braking_s": (0.13, 0.14),
        "braking_ramp_frac": (0.65, 0.75),
        "shoulders_per_body": (1.48, 1.58),
    },
    "arms_early": {"arms_lead_s": (0.11, 0.14)},
    "elbows_drop": {"elbows_drop_rad": (0.32, 0.50), "elbows_drop_in_drive_rad": (0.05, 0.15)},
    "slow_turnaround": {"pause_s": (0.10, 0.25)},
    "too_deep": {"dip_depth_of_stature": (0.172, 0.20), "braking_s": (0.17, 0.22)},
    "too_shallow": {
        "dip_depth_of_stature": (0.038, 0.046),
        "braking_s": (0.085, 0.11),
        "drive_velocity_mps": (1.0, 1.2),
    },
    "double_dip": {"first_dip_of_stature": (0.04, 0.055)},
    "side_to_side": {"side_shift_m": (0.032, 0.05)},
    "falls_short": {"drive_velocity_mps": (0.55, 0.72)},
}
"""Pattern -> what differs from a clean plan: field of `LiftPlan` and the range it is drawn from."""

PATTERNS: tuple[str, ...] = tuple(FAULTS)

_CLEAN: dict[str, Range] = {
    "stance_pressure_of_foot": (0.42, 0.48),
    "shift_in_dip_of_foot": (-0.012, 0.012),
    "shift_in_drive_of_foot": (-0.010, 0.010),
    "pressure_at_drive_end_of_foot": (0.72, 0.86),
    "forward_velocity_mps": (-0.02, 0.03),
    "left_share": (0.475, 0.525),
    "side_shift_m": (-0.002, 0.002),
    "dip_depth_of_stature": (0.084, 0.116),
    "onset_ramp_frac": (0.30, 0.60),
    "onset_power": (1.0, 3.0),
    "unweighting_end_frac": (0.28, 0.38),
    "braking_s": (0.10, 0.18),
    "braking_ramp_frac": (0.70, 1.0),
    "drive_rise": (0.95, 1.10),
    "drive_velocity_mps": (1.25, 1.85),
    "landing_velocity_mps": (0.7, 1.3),
    "landing_peak_of_weight": (1.8, 3.2),
    "bar_forward_in_dip_m": (-0.004, 0.006),
    "bar_forward_in_drive_m": (-0.012, 0.004),
    "elbows_drop_rad": (-0.02, 0.07),
    "elbows_drop_in_drive_rad": (-0.02, 0.05),
    "shoulders_per_body": (1.12, 1.25),
    "stance_s": (2.0, 3.2),
    "sway_m": (0.0008, 0.0018),
    "breath_m": (0.0004, 0.0013),
    "tremor_mps2": (0.004, 0.010),
    "bar_whip_m": (0.0, 0.0010),
}
_MOST_TRIES = 400
_UNWEIGHTING_S: Range = (0.12, 0.60)
_FORCE_BAND: Range = (1.6, 3.0)
_HEIGHT_BAND_M: Range = (-0.04, 0.09)
_FLOAT_EXCESS: Range = (1.06, 1.10)
"""How fast the shoulders fall in a dip that leaves the bar behind, in units of g."""
_FLOAT_LEAST_FORCE = 0.09
_CLEAN_LEAST_FORCE: Range = (0.35, 0.65)


def clean_plan(**changes: Any) -> LiftPlan:
    """Give a lift with nothing to find fault with; `changes` replace fields of `LiftPlan`."""
    return dataclasses.replace(LiftPlan(), **changes)


def faulty_plan(pattern: str, **changes: Any) -> LiftPlan:
    """Give a lift with one clear fault, in the middle of its ranges; `changes` replace other fields of `LiftPlan`.

    Examples
    --------
    >>> faulty_plan("arms_early", bar_mass_kg=60.0).patterns
    ('arms_early',)
    """
    middle = {name: (low + high) / 2.0 for name, (low, high) in FAULTS[pattern].items()}
    plan = dataclasses.replace(LiftPlan(), **(changes | middle), patterns=(pattern,))
    return _timed(*_finished(plan, pattern, 0.5, sum(_FLOAT_EXCESS) / 2.0))


def random_plan(
    rng: np.random.Generator, pattern: str | None = None, *, movement: Movement | None = None, **changes: Any
) -> LiftPlan:
    """Draw lifter, load, timing, shape and, if wanted, one fault, widely but within what lifters do.

    Parameters
    ----------
    rng : numpy Generator
    pattern : str, optional
        One of `PATTERNS`; left out, the lift is clean.
    movement : str, optional
        Left out, one is drawn (a jerk when there is a fault).
    changes
        Fields of `LiftPlan` that are not drawn.

    Notes
    -----
    Drawn again until peak force lies between 1.6 and 3.0 times the weight and the drive ends between 4 cm below and
    9 cm above the height of stance (the fault of a short drive aside).
    """
    for _ in range(_MOST_TRIES):
        fields: dict[str, Any] = _person(rng) | {"movement": movement or _movement(rng, pattern)}
        ranges = _CLEAN | (FAULTS[pattern] if pattern else {})
        fields |= {name: float(rng.uniform(*band)) for name, band in ranges.items()}
        if fields["movement"] == "dip only":
            fields["drive_velocity_mps"] = float(rng.uniform(0.9, 1.2))
        plan = dataclasses.replace(LiftPlan(), **(fields | changes), patterns=(pattern,) if pattern else ())
        least, excess = float(rng.uniform(*_CLEAN_LEAST_FORCE)), float(rng.uniform(*_FLOAT_EXCESS))
        plan = _timed(*_finished(plan, pattern, least, excess))
        if _plausible(plan, pattern):
            return plan
    raise RuntimeError(f"no plausible plan for {pattern} in {_MOST_TRIES} tries")


def _finished(plan: LiftPlan, pattern: str | None, least_force: float, excess: float) -> tuple[LiftPlan, float]:
    """Give the plan and how light the lifter gets; for a floating bar, light enough for shoulders faster than g."""
    if pattern != "bar_floats":
        return plan, least_force
    b = plan.shoulders_per_body
    system_per_shoulders = (plan.body_mass_kg + b * plan.bar_mass_kg) / (b * plan.system_mass_kg)
    least = max(_FLOAT_LEAST_FORCE, 1.0 - excess * system_per_shoulders)
    return dataclasses.replace(plan, bar_loose=True), least


def _timed(plan: LiftPlan, least_force: float) -> LiftPlan:
    """Choose the unweighting time so that the force falls to a stated part of the weight."""

    def too_light(unweighting_s: float) -> float:
        return force_band(dataclasses.replace(plan, unweighting_s=unweighting_s))[0] - least_force

    shortest, longest = _UNWEIGHTING_S
    if too_light(shortest) > 0.0:
        return dataclasses.replace(plan, unweighting_s=shortest)
    if too_light(longest) < 0.0:
        return dataclasses.replace(plan, unweighting_s=longest)
    return dataclasses.replace(plan, unweighting_s=float(brentq(too_light, shortest, longest, xtol=1e-5)))


def _plausible(plan: LiftPlan, pattern: str | None) -> bool:
    least, low, peak = force_band(plan)
    if not (least > 0.0 and low >= 1.5 and _FORCE_BAND[0] <= peak <= _FORCE_BAND[1]):
        return False
    if pattern == "falls_short" or plan.movement == "dip only":
        return True
    return _HEIGHT_BAND_M[0] <= drive_end_height(plan) <= _HEIGHT_BAND_M[1]


def _person(rng: np.random.Generator) -> dict[str, float]:
    stature = float(rng.uniform(1.52, 1.94))
    body = float(rng.uniform(20.0, 31.0)) * stature**2
    return {
        "stature_m": stature,
        "body_mass_kg": body,
        "foot_length_m": stature * float(rng.uniform(0.146, 0.158)),
        "stance_half_width_m": float(rng.uniform(0.12, 0.18)),
        "bar_mass_kg": float(np.clip(rng.uniform(0.3, 1.6) * body, 20.0, 150.0)),
    }


def _movement(rng: np.random.Generator, pattern: str | None) -> Movement:
    if pattern is not None:
        return "jerk"
    movements: tuple[Movement, ...] = ("jerk", "jerk", "jerk", "push press", "push jerk", "jump dip", "dip only")
    return movements[int(rng.integers(len(movements)))]
