"""Measures of timing, motion and force of one lift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from forcekit.analysis.errors import LOCAL_HALF_S, LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.crossings import peak
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import AttemptCard

__all__ = ["Reading", "tempo"]


@dataclass(frozen=True, slots=True)
class Reading:
    """An estimate whose interval may reach further to one side: extra half-widths (95 %) below and above."""

    estimate: Uncertain
    below: float = 0.0
    above: float = 0.0


Readings = dict[str, Reading | CannotMeasure]


def tempo(curves: LiftCurves, phases: Phases, card: AttemptCard) -> Readings:
    """All measures of timing, motion and force.

    Parameters
    ----------
    curves : LiftCurves
    phases : Phases
    card : AttemptCard
        For the stature.
    """
    return {**_times(curves, phases), **_motion(curves, phases, card), **_forces(curves, phases)}


def _times(curves: LiftCurves, phases: Phases) -> Readings:
    rate = curves.rate_hz
    early = (phases.onset.place - phases.onset.earliest) / rate
    late = (phases.onset.latest - phases.onset.place) / rate
    off: Reading | CannotMeasure
    off = Reading(phases.drive_end_at) if phases.takeoff_place is not None else CannotMeasure(Reason.NO_TAKEOFF)
    return {
        "unweighting_time": Reading(phases.braking_start_at - phases.onset_at, below=late, above=early),
        "braking_time": Reading(phases.lowest_at - phases.braking_start_at),
        "dip_time": Reading(phases.lowest_at - phases.onset_at, below=late, above=early),
        "drive_time": Reading(phases.drive_end_at - phases.lowest_at),
        "transition_time": Reading(phases.transition_at[1] - phases.transition_at[0]),
        "onset_at": Reading(phases.onset_at, below=early, above=late),
        "braking_start_at": Reading(phases.braking_start_at),
        "lowest_at": Reading(phases.lowest_at),
        "drive_end_at": Reading(phases.drive_end_at),
        "takeoff_at": off,
    }


def _motion(curves: LiftCurves, phases: Phases, card: AttemptCard) -> Readings:
    depth = curves.travel_at(phases.onset.place, phases.onset_at) - curves.travel_at(
        phases.lowest_place, phases.lowest_at
    )
    down = -curves.velocity_at(phases.braking_start_place, phases.braking_start_at)
    up, _, _ = _peak_up(curves, phases)
    out: Readings = {
        "dip_depth": Reading(depth),
        "peak_dip_velocity": Reading(down),
        "peak_drive_velocity": Reading(up),
    }
    if card.stature_m is None:
        out["dip_depth_of_stature"] = CannotMeasure(Reason.NO_STATURE)
    else:
        out["dip_depth_of_stature"] = Reading(depth / card.stature_m)
    if phases.takeoff_place is None:
        out["takeoff_velocity"] = CannotMeasure(Reason.NO_TAKEOFF)
    else:
        out["takeoff_velocity"] = Reading(curves.velocity_at(phases.takeoff_place, phases.drive_end_at))
    return out


def _peak_up(curves: LiftCurves, phases: Phases) -> tuple[Uncertain, float, int]:
    """Peak upward speed, its place and sample."""
    speed = curves.motion.velocity_mps
    first, last = int(phases.lowest_place), min(speed.size - 1, int(np.ceil(phases.drive_end_place)) + 1)
    i = first + int(np.argmax(speed[first : last + 1]))
    height, place, _ = peak(speed, max(first, i - 1), min(speed.size - 1, i + 1), 1.0)
    return Uncertain(height, curves.parts(curves.d_velocity, place)), place, i


def _forces(curves: LiftCurves, phases: Phases) -> Readings:
    weight = curves.weight
    gravity = Uncertain(
        curves.gravity_mps2,
        np.append(curves.d_gravity, np.zeros(curves.n_sources - curves.d_gravity.size)) * curves.gravity_mps2,
    )
    mass = weight / gravity
    start, low, end = phases.onset.place, phases.lowest_place, phases.drive_end_place
    top = _extreme_force(curves, start, end, "peak force", largest=True)
    bottom = _extreme_force(curves, start, low, "lowest force", largest=False)
    at_lowest = curves.force_at(low, phases.lowest_at, "force at lowest")
    braking_time = phases.lowest_at - phases.braking_start_at
    down = curves.velocity_at(phases.braking_start_place, phases.braking_start_at)
    up = curves.velocity_at(end, phases.drive_end_at)
    rise = curves.travel_at(end, phases.drive_end_at) - curves.travel_at(low, phases.lowest_at)
    work = mass * (up * up * 0.5 + gravity * rise)
    return {
        "system_weight": Reading(weight),
        "system_mass": Reading(mass),
        "peak_force": Reading(top),
        "peak_force_of_weight": Reading(top / weight),
        "lowest_force_of_weight": Reading(bottom / weight),
        "force_at_lowest": Reading(at_lowest),
        "braking_rfd": Reading((at_lowest - weight) / braking_time),
        "braking_impulse": Reading(-(mass * down)),
        "drive_impulse": Reading(mass * up),
        "peak_power": Reading(_peak_power(curves, low, end)),
        "mean_drive_power": Reading(work / (phases.drive_end_at - phases.lowest_at)),
    }


def _extreme_force(curves: LiftCurves, first: float, last: float, slot: str, *, largest: bool) -> Uncertain:
    """Largest or smallest force between two places; its instant does not matter, the slope is zero there."""
    half = LOCAL_HALF_S * curves.rate_hz
    value, place, n = peak(curves.force_n, int(np.ceil(first)), int(np.floor(last)), half, largest=largest)
    # The vertex of a parabola through n samples has 9/4 of the variance of their mean.
    noise = curves.noise_n * (1.5 / np.sqrt(n) if n > 3 else 1.0)
    u = float(np.hypot(noise, curves.bend_n(place, half)))
    return Uncertain(value, curves.parts(curves.d_force, place) + curves.local(slot, u))


def _peak_power(curves: LiftCurves, low: float, end: float) -> Uncertain:
    """Largest product of force and speed in the drive."""
    power = curves.force_n * curves.motion.velocity_mps
    half = LOCAL_HALF_S * curves.rate_hz
    value, place, n = peak(power, int(np.ceil(low)), int(np.floor(end)), half)
    speed = curves.motion.velocity_at(place)
    force = value / speed if speed else 0.0
    noise = curves.noise_n * (1.5 / np.sqrt(n) if n > 3 else 1.0)
    u = speed * float(np.hypot(noise, curves.bend_n(place, half)))
    parts = speed * curves.parts(curves.d_force, place) + force * curves.parts(curves.d_velocity, place)
    return Uncertain(value, parts + curves.local("peak power", u))
