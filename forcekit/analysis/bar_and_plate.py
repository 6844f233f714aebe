"""What plate and bar show only together: the bar leaving the shoulders, its lead, and whether both tell one lift.

F = m_body (a_body + g) + m_bar (a_bar + g), with both on one clock.
"""

from __future__ import annotations

import math

import numpy as np

from forcekit.analysis.arms import PEAK_AFTER_S, BarLift
from forcekit.analysis.errors import LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.analysis.reading import Reading, Readings
from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.bar_readout import bar_parts, bar_peak_speed
from forcekit.mechanics.pair_quality import agreement_check
from forcekit.mechanics.rack import Agreement, bar_lead, body_share, joined, own_motion
from forcekit.mechanics.uncertain import K95, Uncertain
from forcekit.model import AttemptCard
from forcekit.results import QualityCheck

__all__ = ["pair_measures"]

FLOATING = 0.15
"""Below this rack load the bar no longer presses on the shoulders (as in the cue book)."""
SHOULDERS_PER_BODY, SHOULDERS_U = 1.18, 0.06
"""How far the shoulders sink per metre that the body's own centre of mass sinks: feet and shanks stay behind (own
estimate from segment masses)."""


def pair_measures(
    lift: BarLift,
    curves: LiftCurves,
    phases: Phases,
    card: AttemptCard,
    least_load: Uncertain,
    compared: Agreement,
) -> tuple[Readings, QualityCheck]:
    """Measures that take plate and bar together, and whether the two agree.

    Parameters
    ----------
    lift : BarLift
    curves, phases : of the plate
    card : AttemptCard
        For the load.
    least_load : Uncertain
        Smallest rack load of the dip.
    compared : Agreement
        From `compare_pair`.
    """
    top = bar_peak_speed(
        lift.motion, lift.at(phases.lowest_at.value), lift.at(phases.drive_end_at.value) + PEAK_AFTER_S
    )
    i = int(phases.lowest_place) + int(
        np.argmax(curves.motion.velocity_mps[int(phases.lowest_place) : int(phases.drive_end_place) + 2])
    )
    a = curves.motion.acceleration_mps2
    i = i if a[i] > 0.0 else i - 1
    place = i + float(np.clip(a[i] / (a[i] - a[i + 1]), 0.0, 1.0)) if a[i] > a[i + 1] else float(i)
    system_s = curves.t0_s + place / curves.rate_hz
    u_system = (
        curves.noise_n / curves.weight.value * curves.gravity_mps2 / max(1.0, abs(a[i + 1] - a[i]) * curves.rate_hz)
    )
    check = agreement_check(compared)
    u_system = math.hypot(u_system, 0.1 / curves.rate_hz)
    lead = bar_lead(lift.lift_time(top.t_s), top.u_s, system_s, u_system, lift.clock_u_s(system_s))
    out: Readings = {"bar_lead": Reading(lead)}
    mass = curves.weight.value / curves.gravity_mps2
    try:
        share = body_share(mass, card.load_kg or 0.0)
    except CannotMeasure as reason:
        out["bar_separation"] = reason
        return out, check
    out["bar_separation"] = Reading(_separation(lift, curves, phases, share))
    floats = least_load.value + K95 * least_load.u < FLOATING
    if floats and lift.clock is not None and lift.clock.by == "movement" and lift.clock.drift == 0.0:
        # One lift aligned the clocks, and in it the bar did not move with the body: the match is off by some tens of
        # milliseconds.
        unsure = CannotMeasure(Reason.NOT_ALIGNED, "the bar left the shoulders in the movement that aligns them")
        out = {"bar_lead": unsure, "bar_separation": unsure, "bar_velocity_at_takeoff": unsure}
    if check.verdict != "good" and floats:
        # A bar in the air does not move with the body: that is the finding, not a fault of the files.
        check = QualityCheck(check.name, "doubtful", "The bar left the shoulders, so that plate and bar cannot agree.")
    return out, check


def _separation(lift: BarLift, curves: LiftCurves, phases: Phases, share: float) -> Uncertain:
    """Largest height of the bar over its place on the shoulders between onset and lowest point.

    With z the travel from the onset: the body's own is (z_system - (1 - share) z_bar)/share; the shoulders move
    SHOULDERS_PER_BODY times as far.
    """
    first, last = int(np.ceil(phases.onset.place)), int(np.floor(phases.lowest_place))
    places = np.arange(first, last + 1, max(1, (last - first) // 60))
    t_bar = lift.window_times(curves.t0_s + places / curves.rate_hz)
    grid = np.arange(lift.motion.travel_m.shape[0]) / lift.motion.rate_hz
    z_bar = np.interp(t_bar, grid, lift.motion.travel_m[:, 2])
    z_system = curves.motion.travel_m[places]
    z_bar, z_system = z_bar - z_bar[0], z_system - z_system[0]
    body = (z_system - (1.0 - share) * z_bar) / share
    gap = z_bar - SHOULDERS_PER_BODY * body
    i = int(np.argmax(gap))
    n_plate = curves.n_sources
    d_bar = bar_parts(lift.motion, "travel", t_bar[[0, i]], "up")
    bar = Uncertain(float(z_bar[i]), d_bar[1] - d_bar[0])
    d_system = curves.parts(curves.d_travel, float(places[i])) - curves.parts(curves.d_travel, float(places[0]))
    system, bar = joined(Uncertain(float(z_system[i]), d_system), bar, n_plate)
    value = bar - own_motion(system, bar, share) * SHOULDERS_PER_BODY
    speed = float(np.interp(t_bar[i], grid, lift.motion.velocity_mps[:, 2]))
    clock = speed * lift.clock_u_s(curves.t0_s) * (1.0 + SHOULDERS_PER_BODY * (1.0 - share) / share)
    value = value.widened(math.hypot(SHOULDERS_U * abs(float(body[i])), clock))
    # Never surer than at the lowest point: a gap of nothing rests on the whole dip, not on its first instant.
    least_u = 0.5 * SHOULDERS_U * float(np.max(np.abs(body)))
    if value.u < least_u:
        value = value.widened(math.sqrt(least_u**2 - value.u**2))
    return value if value.value > 0.0 else value.moved(-value.value)
