"""A recording of the bar's sensor alone: its dips and drives, labelled as what the bar did.

The bar's vertical acceleration takes the place of the plate's force to find the lifts; what comes out are measures of
the bar only. Nothing is said of the body, of forces or of the foot.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from forcekit.analysis.arms import BarLift, LiftTimes, at_own_instants, bar_measures, follow_bar, shown_bar
from forcekit.analysis.findings import CueEntry, find_patterns
from forcekit.analysis.one_lift import rough_onset
from forcekit.analysis.reading import Readings, as_measures
from forcekit.analysis.segment import Candidate, find_lifts
from forcekit.constants import local_gravity
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.align import vertical_part
from forcekit.mechanics.bar_quality import ACCEL_UNIT, BAR_MEASURES, readings_quality
from forcekit.mechanics.bar_readings import BarReadings, read_bar
from forcekit.mechanics.pair_quality import PAIR_MEASURES
from forcekit.mechanics.plate import channel_noise
from forcekit.model import FloatArray, Recording
from forcekit.registry import MEASURES
from forcekit.results import Analysis, Curves, FootFrame, Instants, Lift

__all__ = ["analyze_bar_alone"]

NOMINAL_N = 1000.0
"""The bar's force on the lifter at rest in the units of the search; only ratios matter."""


def analyze_bar_alone(recording: Recording, book: Mapping[str, CueEntry]) -> Analysis:
    """Find and measure every dip and drive the bar's sensor saw.

    Parameters
    ----------
    recording : Recording
        With a bar and no plate.
    book : mapping of str to CueEntry

    Raises
    ------
    InputError
        If there is no bar in it, or its accelerometer does not read gravity at rest.
    """
    if recording.bar is None:
        raise InputError(f"{recording.source}: there is neither a plate nor a bar sensor in this recording.")
    readings = read_bar(recording.bar)
    site = recording.bar.device.site
    gravity = local_gravity(site.latitude_deg, site.height_m)
    _check_unit(readings, gravity, recording.source)
    vertical = vertical_part(readings.accel_mps2, gravity)
    force = NOMINAL_N * (1.0 + vertical / gravity)
    noise = float(channel_noise(force[:, None])[0])
    candidates, passed, stretches = find_lifts(force, readings.rate_hz, noise, -np.inf, gravity)
    lifts: list[Lift] = []
    for c in candidates:
        times = _times(c, readings, force, noise, gravity)
        followed, checks = follow_bar(readings, times, None, gravity)
        values: Readings = {name: CannotMeasure(Reason.NO_PLATE) for name in MEASURES if name not in BAR_MEASURES}
        if isinstance(followed, CannotMeasure):
            values |= {name: followed for name in BAR_MEASURES}
        else:
            followed = at_own_instants(followed)
            times = followed.times
            values |= bar_measures(followed)
        values |= {name: CannotMeasure(Reason.NO_PLATE) for name in PAIR_MEASURES}
        measures = as_measures(values, checks)
        movement = recording.card.movement or "dip and drive of the bar"
        lifts.append(
            Lift(
                movement=movement,
                instants=_instants(c, times, readings.t_s),
                curves=_curves(followed, times),
                measures=measures,
                findings=find_patterns(measures, movement, 0, book),
                quality=checks,
                foot=FootFrame(None, 0.0, None, 0.0, "unknown"),
                card=recording.card,
                notes=("Measured by the bar's sensor alone: what the body and the feet did is unknown.",),
                bar=None if isinstance(followed, CannotMeasure) else shown_bar(followed),
            )
        )
    reason = None
    if not lifts:
        reason = "The bar is never still." if not stretches else "The bar is still, but no dip and drive follows."
    return Analysis(recording.source, tuple(lifts), tuple(passed), reason, readings.notes)


def _check_unit(readings: BarReadings, gravity: float, source: str) -> None:
    """Refuse an accelerometer with a wrong unit or scale: beyond it nothing is still and nothing is a dip."""
    for check in readings_quality(readings.accel_mps2, None, readings.rate_hz, gravity_mps2=gravity):
        if check.name == ACCEL_UNIT and check.verdict == "bad":
            raise InputError(f"{source}: {check.sentence} Correct unit and scale in the bar's device file.")


def _times(c: Candidate, readings: BarReadings, force_n: FloatArray, noise_n: float, gravity_mps2: float) -> LiftTimes:
    """Rough instants of the bar's lift; the bar's own turning points are found from its motion."""
    t_s = readings.t_s
    first, _, onset = rough_onset(force_n, c, readings.rate_hz, gravity_mps2, noise_n)
    onset_s = float(t_s[first]) + onset.place / readings.rate_hz
    return LiftTimes(onset_s, float(t_s[c.lowest]), float(t_s[c.drive_end]), None)


def _instants(c: Candidate, times: LiftTimes, t_s: FloatArray) -> Instants:
    return Instants(
        stance_start_s=float(t_s[c.still_first]),
        stance_end_s=min(float(t_s[c.still_last - 1]), times.onset_s),
        onset_s=times.onset_s,
        braking_start_s=float(t_s[c.fastest_down]),
        lowest_s=times.lowest_s,
        drive_end_s=times.drive_end_s,
    )


def _curves(followed: BarLift | CannotMeasure, times: LiftTimes) -> Curves:
    if isinstance(followed, CannotMeasure):
        return Curves(np.zeros(0), None, np.zeros(0), np.zeros(0))
    m = followed.motion
    t = followed.lift_times(np.arange(m.travel_m.shape[0]) / m.rate_hz)
    return Curves(t, None, m.velocity_mps[:, 2], m.travel_m[:, 2])
