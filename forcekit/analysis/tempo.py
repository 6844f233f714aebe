"""Measures of timing, motion and force of one lift."""

from __future__ import annotations

import math

import numpy as np

from forcekit.analysis.errors import LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.analysis.reading import Reading, Readings
from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.crossings import peak
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import AttemptCard

__all__ = ["tempo"]


PEAK_HALF_S = 0.006
"""Half-width of the parabola through a peak (our choice: a drive's peak force can end in a sharp edge)."""
LIGHT_HALF_S = 0.015
"""The same for the lightest moment, which is broad (our choice)."""
TURN_U_SAMPLES = 0.003
"""Standard uncertainty of the turnaround from how the speed bends between samples (seen in simulated lifts)."""


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
        "transition_time": Reading((phases.transition_at[1] - phases.transition_at[0]).widened(TURN_U_SAMPLES / rate)),
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
    up = _peak_up(curves, phases)
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


def _peak_up(curves: LiftCurves, phases: Phases) -> Uncertain:
    """Peak upward speed: where the acceleration goes through zero."""
    motion = curves.motion
    first, last = int(phases.lowest_place), min(motion.velocity_mps.size - 2, int(np.ceil(phases.drive_end_place)) + 1)
    i = first + int(np.argmax(motion.velocity_mps[first : last + 1]))
    i = i if motion.acceleration_mps2[i] > 0.0 else i - 1
    here, there = motion.acceleration_mps2[i], motion.acceleration_mps2[i + 1]
    place = i + min(max(float(here / (here - there)), 0.0), 1.0) if here > there else float(i)
    return Uncertain(motion.velocity_at(place), curves.parts(curves.d_velocity, place))


def _forces(curves: LiftCurves, phases: Phases) -> Readings:
    weight = curves.weight
    gravity = Uncertain(curves.gravity_mps2, curves.d_gravity * curves.gravity_mps2)
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
    half = (PEAK_HALF_S if largest else LIGHT_HALF_S) * curves.rate_hz
    i, j = int(np.ceil(first)), int(np.floor(last))
    value, place, n = peak(curves.force_n, i, j, half, curves.noise_n, largest=largest)
    closer, _, _ = peak(curves.force_n, i, j, 0.5 * half, curves.noise_n, largest=largest)
    # The vertex of a parabola through n samples has 9/4 of the variance of their mean. A sharp edge shows as a
    # difference between a wide and a narrow parabola.
    noise = curves.noise_n * (1.5 / np.sqrt(n) if n > 3 else 1.0)
    edge = 0.5 * abs(closer - value)
    u = float(np.sqrt(noise**2 + curves.bend_n(place, half) ** 2 + edge**2))
    return Uncertain(value, curves.parts(curves.d_force, place) + curves.local(slot, u))


def _peak_power(curves: LiftCurves, low: float, end: float) -> Uncertain:
    """Largest product of force and speed in the drive."""
    first, last = math.ceil(low), math.floor(end)
    speed_up = curves.motion.velocity_mps[first : last + 1]
    power = curves.force_n[first : last + 1] * speed_up
    half = PEAK_HALF_S * curves.rate_hz
    value, place, n = peak(power, 0, last - first, half, curves.noise_n * float(speed_up.max()))
    place += first
    speed = curves.motion.velocity_at(place)
    force = value / speed if speed else 0.0
    noise = curves.noise_n * (1.5 / np.sqrt(n) if n > 3 else 1.0)
    u = speed * float(np.hypot(noise, curves.bend_n(place, half)))
    parts = speed * curves.parts(curves.d_force, place) + force * curves.parts(curves.d_velocity, place)
    return Uncertain(value, parts + curves.local("peak power", u))
