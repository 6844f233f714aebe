"""The one place with the order of steps: from a recording to its lifts.

Live and offline call the same `analyze_lift` on the same samples, and so give the same numbers to the last digit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from forcekit.analysis.arms import BAR_NAMES, LiftTimes, bar_measures, follow_bar, shown_bar
from forcekit.analysis.balance import balance, delivered_place
from forcekit.analysis.bar_alone import analyze_bar_alone
from forcekit.analysis.bar_and_plate import pair_measures
from forcekit.analysis.errors import LiftCurves, lift_curves
from forcekit.analysis.findings import CueEntry, find_patterns, load_cue_book
from forcekit.analysis.phases import Phases, find_onset, find_phases
from forcekit.analysis.quality import check_all
from forcekit.analysis.reading import Reading, Readings, as_measures
from forcekit.analysis.segment import SHORTEST_STANCE_S, Candidate, find_lifts, takeoff_threshold
from forcekit.analysis.tempo import tempo
from forcekit.constants import local_gravity
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.align import align_by_motion, vertical_part
from forcekit.mechanics.bar_quality import readings_quality
from forcekit.mechanics.bar_readings import BarReadings, read_bar
from forcekit.mechanics.clock_map import ClockMap, shared_clock
from forcekit.mechanics.foot import foot_frame
from forcekit.mechanics.motion import integrate
from forcekit.mechanics.pair_quality import alignment_check, stamps_check
from forcekit.mechanics.plate import FX, FZ, PlateSignals, pressure, read_plate
from forcekit.mechanics.stance import weigh
from forcekit.model import (
    Analysis,
    AttemptCard,
    BarCurves,
    Curves,
    DeviceFile,
    FootFrame,
    Instants,
    Lift,
    QualityCheck,
    Recording,
    Stream,
)

__all__ = ["Settings", "analyze", "analyze_lift", "check_settings"]

LONGEST_WEIGHING_S = 3.0
"""Longer standing adds slow drift rather than knowledge (our choice)."""
STANCE_GUARD_S = 0.03
"""Left out between stance and onset, so that the first movement does not weigh (our choice)."""
AFTER_S = 1.0
"""The curves go on after the drive for this long, for the plots."""
CLOSING_WITHIN_S = 8.0
ALIGN_STANCE_S = 0.8
"""Standing still before the dip that takes part in the alignment of plate and bar (our choice)."""
STANCE_RANGE_S = (0.05, 5.0)
SESSION_CLOCK_U_S = 0.001
"""Standard uncertainty between two sensors of one session after the fit of their clocks."""
ONE_CLOCK = "plate and bar on one clock"
TIME_OF_DAY_S = 1e5
"""A first stamp beyond a day's seconds is a date, not a counter from the recording's start."""
SAME_LOAD_FRAC = 0.02
"""Standing still again counts for the closure when the same weight stands on the plate."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a person may set for an analysis.

    Attributes
    ----------
    shortest_stance_s : float, second
        A lift with a shorter stance has its weighing called bad and what hangs on it withheld.
    cue_book : Path, optional
        Your own cue book.
    """

    shortest_stance_s: float = SHORTEST_STANCE_S
    cue_book: Path | None = None


def check_settings(settings: Settings) -> None:
    """Raise an InputError if a setting is out of its range."""
    if not STANCE_RANGE_S[0] <= settings.shortest_stance_s <= STANCE_RANGE_S[1]:
        raise InputError(
            f"the shortest stance is {settings.shortest_stance_s:g} s; "
            f"{STANCE_RANGE_S[0]} to {STANCE_RANGE_S[1]} s are allowed."
        )


def analyze(recording: Recording, settings: Settings | None = None) -> Analysis:
    """Find and measure every dip and drive of a recording.

    Parameters
    ----------
    recording : Recording
        See `forcekit.read`.
    settings : Settings, optional

    Returns
    -------
    Analysis
        Its lifts may be none; then `reason` says why.

    Raises
    ------
    InputError
        If the recording cannot be used: wrong sign, wrong unit, too few samples.
    """
    settings = settings or Settings()
    check_settings(settings)
    book = load_cue_book(settings.cue_book)
    if recording.plate is None:
        return analyze_bar_alone(recording, book)
    device = recording.plate.device
    signals = read_plate(recording.plate)
    gravity = local_gravity(device.site.latitude_deg, device.site.height_m)
    noise = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    threshold = takeoff_threshold(signals.zero, noise)
    candidates, passed, stretches = find_lifts(
        signals.force_n,
        signals.rate_hz,
        noise,
        threshold,
        gravity,
        shortest_stance_s=settings.shortest_stance_s,
    )
    bar = None if recording.bar is None else _bar_beside(recording, signals, candidates, gravity)
    t = signals.t_s
    starts = [float(t[c.fastest_down]) for c in candidates] + [np.inf]
    cards = [recording.card_of(starts[i], float(t[c.drive_end]), starts[i + 1]) for i, c in enumerate(candidates)]
    lifts = tuple(
        analyze_lift(signals, c, stretches, card, foot_frame(card, device), device, settings, book, bar)
        for c, card in zip(candidates, cards, strict=True)
    )
    start = float(t[0])
    return Analysis(
        source=recording.source,
        lifts=lifts,
        passed_over=tuple(replace(p, at_s=p.at_s + start) for p in passed),
        reason=None if lifts else _no_lift(signals, stretches, len(passed)),
        notes=signals.notes + (() if bar is None else bar.readings.notes),
    )


@dataclass(frozen=True, slots=True, eq=False)
class BarBeside:
    """The bar's readings and how its clock maps to the plate's, or why it does not."""

    readings: BarReadings
    clock: ClockMap | CannotMeasure
    check: QualityCheck
    stamps: tuple[QualityCheck, ...] = ()


def _bar_beside(
    recording: Recording, signals: PlateSignals, candidates: list[Candidate], gravity_mps2: float
) -> BarBeside | None:
    """Read the bar and put it on the plate's clock: by stamps from one file, else by the movement of all lifts."""
    plate, bar = recording.plate, recording.bar
    if plate is None or bar is None or not candidates:
        return None
    readings = read_bar(bar)
    rate = signals.rate_hz
    if plate.common_clock and bar.common_clock:
        clock = shared_clock(u_s=SESSION_CLOCK_U_S)
        return BarBeside(readings, clock, QualityCheck(ONE_CLOCK, "good", "Both were recorded in one session."))
    if plate.source == bar.source and plate.clock == bar.clock:
        clock = shared_clock(u_s=0.3 / min(rate, readings.rate_hz))
        return BarBeside(readings, clock, QualityCheck(ONE_CLOCK, "good", "Plate and bar are rows of one file."))
    stamps = _stamps(plate, bar)
    force = signals.force_n
    acceleration = np.zeros(force.size)
    windows = []
    for c in candidates:
        first = max(c.still_first, c.still_last - round(ALIGN_STANCE_S * rate))
        weight = float(force[first : c.still_last - round(0.1 * rate)].mean())
        # Beyond the window, too: the comparison smooths, and must not smooth over an edge at the lowest point.
        around = slice(max(0, first - round(0.2 * rate)), c.drive_end)
        acceleration[around] = gravity_mps2 * (force[around] / weight - 1.0)
        windows.append((float(signals.t_s[first]), float(signals.t_s[c.lowest])))
    try:
        aligned = align_by_motion(
            acceleration,
            rate,
            vertical_part(readings.accel_mps2, gravity_mps2),
            readings.rate_hz,
            windows_s=tuple(windows),
            plate_start_s=float(signals.t_s[0]),
            bar_start_s=float(readings.t_s[0]),
        )
    except CannotMeasure as reason:
        return BarBeside(readings, reason, alignment_check(reason), stamps)
    return BarBeside(readings, aligned.clock, alignment_check(aligned), stamps)


def _stamps(plate: Stream, bar: Stream) -> tuple[QualityCheck, ...]:
    """Whether two recordings that are stamped with a time of day overlap; nothing is said of counters from zero."""
    a, b = plate.first_stamp_s, bar.first_stamp_s
    if a is None or b is None or min(a, b) < TIME_OF_DAY_S:
        return ()
    return (stamps_check(a, a + float(plate.t_s[-1]), b, b + float(bar.t_s[-1])),)


def _no_lift(signals: PlateSignals, stretches: list[tuple[int, int]], n_passed: int) -> str:
    """Return one sentence on why a recording holds no lift."""
    long_enough = [b - a for a, b in stretches if (b - a) / signals.rate_hz >= SHORTEST_STANCE_S]
    if not stretches:
        return (
            "The lifter never stands still on the plate, so lifter and bar cannot be weighed and no dip can be told "
            "from other movement."
        )
    if not long_enough:
        longest = max(b - a for a, b in stretches) / signals.rate_hz
        return (
            f"The longest still stretch lasts {longest:.2f} s; a lift needs {SHORTEST_STANCE_S:.1f} s of standing "
            "still before the dip."
        )
    if n_passed:
        return "There is standing still and movement, but no dip followed by a drive; see what was passed over."
    return "The lifter stands still, but no dip and drive follows."


def analyze_lift(
    signals: PlateSignals,
    candidate: Candidate,
    stretches: list[tuple[int, int]],
    card: AttemptCard,
    foot: FootFrame,
    device: DeviceFile,
    settings: Settings,
    book: Mapping[str, CueEntry],
    bar: BarBeside | None = None,
) -> Lift:
    """Measure one lift.

    Parameters
    ----------
    signals : PlateSignals
        Of the whole recording.
    candidate : Candidate
        Where the lift is.
    stretches : list of (int, int)
        All still stretches, for the closure.
    card, foot, device, settings, book
        The attempt and what a person set.
    """
    gravity = local_gravity(device.site.latitude_deg, device.site.height_m)
    curves, phases = _measure_curves(signals, candidate, gravity, site_known=device.site.latitude_deg is not None)
    readings = {**tempo(curves, phases, card), **balance(curves, phases, foot)}
    readings |= {name: CannotMeasure(Reason.NO_BAR) for name in BAR_NAMES}
    shown: BarCurves | None = None
    bar_checks: tuple[QualityCheck, ...] = ()
    if bar is not None:
        more, bar_checks, shown = _bar_of_lift(bar, curves, phases, card, gravity)
        readings |= more
    checks = check_all(
        curves,
        phases,
        card,
        foot,
        closing=_closing_speed(signals, candidate, curves, stretches),
        shortest_stance_s=settings.shortest_stance_s,
    )
    checks += bar_checks
    measures = as_measures(readings, checks)
    movement = card.movement or _movement(phases)
    findings = find_patterns(measures, movement, phases.reversals, book)
    return Lift(
        movement=movement,
        instants=_instants(curves, phases),
        curves=_shown_curves(curves),
        measures=measures,
        findings=findings,
        quality=checks,
        foot=foot,
        card=card,
        notes=_notes(curves, findings) if shown is None or shown.forward_m is None else (),
        bar=shown,
    )


def _bar_of_lift(
    bar: BarBeside, curves: LiftCurves, phases: Phases, card: AttemptCard, gravity: float
) -> tuple[Readings, tuple[QualityCheck, ...], BarCurves | None]:
    """Measures, checks and curves of the bar in one lift."""
    if isinstance(bar.clock, CannotMeasure):
        r = bar.readings
        why = readings_quality(
            r.accel_mps2,
            r.gyro_radps,
            r.rate_hz,
            gravity_mps2=gravity,
            missing=r.missing,
            saturated=r.saturated if r.saturated.any() else None,
            up_axis=r.sensor.up_axis,
        )
        return {name: bar.clock for name in BAR_NAMES}, (bar.check, *bar.stamps, *why), None
    times = LiftTimes(
        phases.onset_at.value,
        phases.lowest_at.value,
        phases.drive_end_at.value,
        phases.drive_end_at.value if phases.takeoff_place is not None else None,
    )
    followed, checks = follow_bar(bar.readings, times, bar.clock, gravity)
    if isinstance(followed, CannotMeasure):
        return {name: followed for name in BAR_NAMES}, (bar.check, *bar.stamps, *checks), None
    readings = bar_measures(followed)
    least = readings["bar_least_rack_load"]
    assert isinstance(least, Reading)
    braking = readings.get("bar_braking_time")
    bar_braking_s = braking.estimate.value if isinstance(braking, Reading) else None
    more, agreement = pair_measures(followed, curves, phases, card, least.estimate, bar_braking_s)
    checks = (bar.check, *bar.stamps, *checks)
    checks = checks if agreement is None else (*checks, agreement)
    return readings | more, checks, shown_bar(followed)


def _measure_curves(
    signals: PlateSignals, candidate: Candidate, gravity: float, *, site_known: bool
) -> tuple[LiftCurves, Phases]:
    """Weigh, integrate, find the instants; the stance ends just before the onset found from a first weighing."""
    rate = signals.rate_hz
    force = signals.force_n
    noise = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    n_still = candidate.still_last - candidate.still_first
    last = candidate.still_last - min(round(0.15 * rate), n_still // 4)
    first = max(candidate.still_first, last - round(LONGEST_WEIGHING_S * rate))
    weighing = weigh(force, first, last, rate, noise, gravity)
    stop = min(force.size, (candidate.takeoff or candidate.drive_end) + round(AFTER_S * rate))
    motion = integrate(force[first:stop], weighing.weight_n, rate, gravity)
    onset = find_onset(force[first:stop], rate, weighing, motion, candidate.fastest_down - first, noise)
    until = first + int(onset.earliest) - min(round(STANCE_GUARD_S * rate), n_still // 10)
    last = int(np.clip(until, first + (last - first) // 2, candidate.still_last))
    first = max(candidate.still_first, last - round(LONGEST_WEIGHING_S * rate))
    weighing = weigh(force, first, last, rate, noise, gravity)
    motion = integrate(force[first:stop], weighing.weight_n, rate, gravity)
    curves = lift_curves(signals, weighing, motion, stop, gravity_mps2=gravity, site_known=site_known)
    takeoff = None if candidate.takeoff is None else candidate.takeoff - first
    threshold = takeoff_threshold(signals.zero, noise)
    phases = find_phases(curves, candidate.fastest_down - first, candidate.drive_end - first, takeoff, threshold)
    return curves, phases


def _closing_speed(
    signals: PlateSignals, candidate: Candidate, curves: LiftCurves, stretches: list[tuple[int, int]]
) -> tuple[float, float] | None:
    """Speed in the still stretch after the lift with its standard uncertainty, if the same weight stands there."""
    rate = signals.rate_hz
    end = candidate.takeoff or candidate.drive_end
    for a, b in stretches:
        if not end < a < end + CLOSING_WITHIN_S * rate or b - a < 0.5 * rate:
            continue
        weight = float(signals.force_n[a:b].mean())
        if abs(weight / curves.weight.value - 1.0) > SAME_LOAD_FRAC:
            return None
        first = curves.weighing.first
        middle = (a + b) // 2
        motion = integrate(signals.force_n[first:middle], curves.weight.value, rate, curves.gravity_mps2)
        # Beyond the curves the speed errors go on growing as they grew over them.
        n, n_stance = curves.d_velocity.n_samples, curves.weighing.last - first
        early, late = curves.d_velocity.at(n_stance), curves.d_velocity.at(n - 1)
        d = early + (late - early) * (middle - curves.weighing.last) / max(1, n - n_stance)
        return float(motion.velocity_mps[-1]), float(np.hypot(np.linalg.norm(d), curves.weighing.sway_mps[1]))
    return None


def _movement(phases: Phases) -> str:
    """Name a movement the card does not name."""
    return "dip and drive, feet left the plate" if phases.takeoff_place is not None else "dip and drive, feet stayed"


def _instants(curves: LiftCurves, phases: Phases) -> Instants:
    t0, step = curves.t0_s, 1.0 / curves.rate_hz
    w = curves.weighing
    return Instants(
        stance_start_s=t0,
        stance_end_s=t0 + (w.last - w.first) * step,
        onset_s=phases.onset_at.value,
        braking_start_s=phases.braking_start_at.value,
        lowest_s=phases.lowest_at.value,
        drive_end_s=phases.drive_end_at.value,
        takeoff_s=phases.drive_end_at.value if phases.takeoff_place is not None else None,
        delivered_s=delivered_place(curves, phases)[1].value,
    )


def _shown_curves(curves: LiftCurves) -> Curves:
    n = curves.force_n.size
    x = y = None
    if curves.signals.has_pressure:
        x, y = pressure(curves.resultant, max(100.0, 0.1 * curves.weight.value))
    return Curves(
        t_s=curves.t0_s + np.arange(n) / curves.rate_hz,
        force_n=curves.force_n,
        velocity_mps=curves.motion.velocity_mps,
        travel_m=curves.motion.travel_m,
        forward_n=curves.resultant[:, FX] if curves.signals.has_forward else None,
        cop_x_m=x,
        cop_y_m=y,
    )


def _notes(curves: LiftCurves, findings: tuple[object, ...]) -> tuple[str, ...]:
    """Return what a reader must know beside the numbers."""
    if curves.signals.has_pressure and not curves.signals.has_forward:
        return (
            "Pressure is where the push is, not where the mass goes; whether lifter and bar drifted forward takes "
            "horizontal force or a sensor on the bar.",
        )
    return ()
