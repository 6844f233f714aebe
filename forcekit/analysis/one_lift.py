"""One lift: from the signals of its window and its rough place to instants, measures, quality and findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from forcekit.analysis.balance import balance, delivered_place
from forcekit.analysis.errors import LiftCurves, lift_curves
from forcekit.analysis.findings import CueEntry, find_patterns
from forcekit.analysis.phases import Onset, Phases, find_onset, find_phases
from forcekit.analysis.quality import check_all
from forcekit.analysis.reading import as_measures
from forcekit.analysis.segment import SHORTEST_STANCE_S, Candidate, takeoff_threshold
from forcekit.analysis.tempo import tempo
from forcekit.constants import local_gravity
from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.motion import integrate
from forcekit.mechanics.plate import PlateSignals
from forcekit.mechanics.plate_matrix import FX, FZ
from forcekit.mechanics.stance import weigh
from forcekit.model import AttemptCard, DeviceFile, FloatArray
from forcekit.results import AS_SEEN, BarCurves, Curves, FootFrame, Instants, Lift, QualityCheck

if TYPE_CHECKING:
    from forcekit.analysis.beside import BarBeside

__all__ = ["Settings", "analyze_lift", "rough_onset"]

LONGEST_WEIGHING_S = 3.0
"""Longer standing adds slow drift rather than knowledge (our choice)."""
STANCE_GUARD_S = 0.03
"""Left out between stance and onset, so that the first movement does not weigh (our choice)."""
AFTER_S = 1.0
"""The curves go on after the drive for this long, for the plots."""
CLOSING_WITHIN_S = 8.0
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

    Raises
    ------
    CannotMeasure
        If, weighed and integrated closely, lifter and bar do not rise at the end of the movement: no drive.
    """
    gravity = local_gravity(device.site.latitude_deg, device.site.height_m)
    curves, phases = _measure_curves(signals, candidate, gravity, site_known=device.site.latitude_deg is not None)
    rising_mps = curves.motion.velocity_at(phases.drive_end_place)
    # A drive that falls short may leave the plate slowly; the drive's impulse must be upward all the same.
    if phases.drive_end_place <= phases.lowest_place or rising_mps <= 0.0:
        raise CannotMeasure(
            Reason.DID_NOT_HAPPEN,
            f"lifter and bar rise with {rising_mps:.2f} m/s at the end of the movement, which is no drive",
        )
    readings = {**tempo(curves, phases, card), **balance(curves, phases, foot)}
    shown: BarCurves | None = None
    bar_checks: tuple[QualityCheck, ...] = ()
    if bar is not None:
        from forcekit.analysis.beside import bar_of_lift  # the bar's part is loaded where there is a bar

        more, bar_checks, shown = bar_of_lift(bar, curves, phases, card, gravity)
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


def rough_onset(
    force_n: FloatArray, candidate: Candidate, rate_hz: float, gravity_mps2: float, noise_n: float
) -> tuple[int, int, Onset]:
    """First and last+1 sample of a first weighing, and the onset found with it in samples from the first.

    Parameters
    ----------
    force_n : array, shape (n,), newton
    candidate : Candidate
    rate_hz, gravity_mps2 : float
    noise_n : float, newton
        Standard deviation of the force's white noise.
    """
    n_still = candidate.still_last - candidate.still_first
    last = candidate.still_last - min(round(0.15 * rate_hz), n_still // 4)
    first = max(candidate.still_first, last - round(LONGEST_WEIGHING_S * rate_hz))
    weighing = weigh(force_n, first, last)
    begin = force_n[first : candidate.fastest_down + 3]
    motion = integrate(begin, weighing.weight_n, rate_hz, gravity_mps2)
    return first, last, find_onset(begin, rate_hz, weighing, motion, candidate.fastest_down - first, noise_n)


def _measure_curves(
    signals: PlateSignals, candidate: Candidate, gravity: float, *, site_known: bool
) -> tuple[LiftCurves, Phases]:
    """Weigh, integrate, find the instants; the stance ends just before the onset found from a first weighing."""
    rate = signals.rate_hz
    force = signals.force_n
    noise = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    n_still = candidate.still_last - candidate.still_first
    first, last, onset = rough_onset(force, candidate, rate, gravity, noise)
    until = first + int(onset.earliest) - min(round(STANCE_GUARD_S * rate), n_still // 10)
    last = int(np.clip(until, first + (last - first) // 2, candidate.still_last))
    first = max(candidate.still_first, last - round(LONGEST_WEIGHING_S * rate))
    weighing = weigh(force, first, last)
    stop = min(force.size, (candidate.takeoff or candidate.drive_end) + round(AFTER_S * rate))
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
        force = signals.force_n[first:middle]
        mean = float(force.sum() - 0.5 * (force[0] + force[-1])) / max(1, force.size - 1)  # by the trapezoid rule
        speed = curves.gravity_mps2 * (mean / curves.weight.value - 1.0) * (force.size - 1) / rate
        # Beyond the curves the speed errors go on growing as they grew over them.
        n, n_stance = curves.d_velocity.n_samples, curves.weighing.last - first
        early, late = curves.d_velocity.at(n_stance), curves.d_velocity.at(n - 1)
        d = early + (late - early) * (middle - curves.weighing.last) / max(1, n - n_stance)
        return speed, float(np.hypot(np.linalg.norm(d), curves.sway_mps[1]))
    return None


def _movement(phases: Phases) -> str:
    """Name a movement the card does not name."""
    return AS_SEEN + ("feet left the plate" if phases.takeoff_place is not None else "feet stayed")


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
    seen = curves.signals.has_pressure
    return Curves(
        t_s=curves.t0_s + np.arange(n) / curves.rate_hz,
        force_n=curves.force_n,
        velocity_mps=curves.motion.velocity_mps,
        travel_m=curves.motion.travel_m,
        forward_n=curves.resultant[:, FX] if curves.signals.has_forward else None,
        cop_x_m=curves.cop_x_m if seen else None,
        cop_y_m=curves.cop_y_m if seen else None,
    )


def _notes(curves: LiftCurves, findings: tuple[object, ...]) -> tuple[str, ...]:
    """Return what a reader must know beside the numbers."""
    if curves.signals.has_pressure and not curves.signals.has_forward:
        return (
            "Pressure is where the push is, not where the mass goes; whether lifter and bar drifted forward takes "
            "horizontal force or a sensor on the bar.",
        )
    return ()
