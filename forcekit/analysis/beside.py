"""The sensor on the bar beside the plate: its readings, its clock against the plate's, and its part in a lift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forcekit.analysis.arms import LiftTimes, bar_measures, follow_bar, not_covered, shown_bar
from forcekit.analysis.bar_and_plate import pair_measures
from forcekit.analysis.errors import LiftCurves
from forcekit.analysis.pair_check import compare_pair, straightened
from forcekit.analysis.phases import Phases
from forcekit.analysis.reading import Reading, Readings
from forcekit.analysis.segment import Candidate
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.align import align_by_motion
from forcekit.mechanics.align_marks import align_by_knocks
from forcekit.mechanics.bar_quality import BAR_MEASURES, readings_quality
from forcekit.mechanics.bar_readings import BarReadings, Felt, felt_by_bar, read_bar
from forcekit.mechanics.clock_map import ClockMap, shared_clock
from forcekit.mechanics.pair_quality import alignment_check, moved_check, stamps_check
from forcekit.model import AttemptCard, FloatArray, Recording, Stream
from forcekit.results import BarCurves, QualityCheck

__all__ = [
    "BarBeside",
    "BarClock",
    "bar_beside",
    "bar_clock",
    "bar_of_lift",
    "beside_on",
    "missing",
    "session_clock",
    "unusable",
]

ALIGN_STANCE_S = 0.8
"""Standing still before the dip that takes part in the alignment of plate and bar (our choice)."""
SESSION_CLOCK_U_S = 0.001
"""Standard uncertainty between two sensors of one session after the fit of their clocks."""
BENT_U_S = 0.0012
"""What a bar that bends leaves unsure of an alignment by the movement (simulated bars: 0.7 to 1.4 ms)."""
ONE_CLOCK = "plate and bar on one clock"
TIME_OF_DAY_S = 1e5
"""A first stamp beyond a day's seconds is a date, not a counter from the recording's start."""


@dataclass(frozen=True, slots=True, eq=False)
class BarClock:
    """How the bar's clock maps to the plate's, or why it does not, with what a reader must know of it."""

    clock: ClockMap | CannotMeasure
    check: QualityCheck
    stamps: tuple[QualityCheck, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class BarBeside:
    """The bar's readings, None where they cannot be used, and its clock."""

    readings: BarReadings | None
    on_plate: BarClock

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes on the readings."""
        return () if self.readings is None else self.readings.notes


def bar_beside(
    recording: Recording,
    t_s: FloatArray,
    force_n: FloatArray,
    rate_hz: float,
    candidates: Sequence[Candidate],
    gravity_mps2: float,
) -> BarBeside | None:
    """Read the bar and put it on the plate's clock; None without a bar or without a lift.

    Parameters
    ----------
    t_s, force_n : array, shape (n,)
        Of the plate, on its even clock.
    candidates : list of Candidate
        Places on that clock.
    """
    if recording.plate is None or recording.bar is None or not candidates:
        return None
    try:
        readings = read_bar(recording.bar)
    except InputError as error:
        return BarBeside(None, unusable(error))
    felt = felt_by_bar(readings)
    return BarBeside(readings, bar_clock(recording, t_s, force_n, rate_hz, candidates, felt, gravity_mps2))


def beside_on(bar: Stream, clock: BarClock) -> BarBeside:
    """Read the bar beside a lift whose clock is known, or known not to be found."""
    try:
        return BarBeside(read_bar(bar), clock)
    except InputError as error:
        return BarBeside(None, unusable(error))


def unusable(error: InputError) -> BarClock:
    """What is told of a bar whose samples cannot be used; the plate's numbers need none of it."""
    reason = CannotMeasure(Reason.BAR_UNUSABLE, str(error).rstrip("."))
    return BarClock(reason, QualityCheck("bar sensor readings", "bad", f"They cannot be used: {error}", BAR_MEASURES))


def missing() -> BarClock:
    """What is told of a bar that sent next to nothing around a lift."""
    return BarClock(not_covered(), _missing_check(not_covered()))


def _missing_check(why: CannotMeasure) -> QualityCheck:
    return QualityCheck("bar sensor readings", "bad", f"{why.detail[0].upper()}{why.detail[1:]}.", BAR_MEASURES)


def session_clock(recording: Recording) -> BarClock | None:
    """Clock of a bar that was put on the plate's when both were recorded in one session; None for other recordings."""
    if recording.plate is None or recording.bar is None:
        return None
    if not (recording.plate.common_clock and recording.bar.common_clock):
        return None
    check = QualityCheck(ONE_CLOCK, "good", "Both were recorded in one session.")
    return BarClock(shared_clock(u_s=SESSION_CLOCK_U_S), check)


def bar_clock(
    recording: Recording,
    t_s: FloatArray,
    force_n: FloatArray,
    rate_hz: float,
    candidates: Sequence[Candidate],
    felt: Felt,
    gravity_mps2: float,
) -> BarClock:
    """Find how the bar's clock maps to the plate's.

    By stamps from one file or session; else by the lifts' movement, or by knocks on the empty plate where they are
    surer or the movement tells nothing.
    """
    plate, bar = recording.plate, recording.bar
    assert plate is not None
    assert bar is not None
    rate = rate_hz
    known = session_clock(recording)
    if known is not None:
        return known
    if plate.source == bar.source and plate.clock == bar.clock:
        clock = shared_clock(u_s=0.3 / min(rate, felt.rate_hz))
        return BarClock(clock, QualityCheck(ONE_CLOCK, "good", "Plate and bar are rows of one file."))
    stamps = _stamps(plate, bar)
    acceleration = np.zeros(force_n.size)
    windows, weights = [], []
    for c in candidates:
        first = max(c.still_first, c.still_last - round(ALIGN_STANCE_S * rate))
        weight = float(force_n[first : c.still_last - round(0.1 * rate)].mean())
        # Beyond the window, too: the comparison smooths, and must not smooth over an edge at the lowest point.
        around = slice(max(0, first - round(0.2 * rate)), c.drive_end)
        acceleration[around] = gravity_mps2 * (force_n[around] / weight - 1.0)
        windows.append((float(t_s[first]), float(t_s[c.lowest])))
        weights.append(weight)
    found: ClockMap | CannotMeasure
    try:
        found = align_by_motion(
            acceleration,
            rate,
            felt.size_mps2,
            felt.rate_hz,
            windows_s=tuple(windows),
            plate_start_s=float(t_s[0]),
            bar_start_s=felt.start_s,
        ).clock
    except CannotMeasure as reason:
        found = reason
    try:
        knocked = align_by_knocks(
            force_n,
            rate,
            felt.size_mps2,
            felt.rate_hz,
            standing_n=float(np.median(weights)),
            plate_start_s=float(t_s[0]),
            bar_start_s=felt.start_s,
            about=None if isinstance(found, CannotMeasure) else found,
        )
    except CannotMeasure as reason:
        if isinstance(found, CannotMeasure) and reason.detail:
            told = f"{found.detail}; knocks on the empty plate do not help either: {reason.detail}"
            found = CannotMeasure(found.reason, told)
        return BarClock(found, alignment_check(found), stamps)
    at = [end for _, end in windows]
    if isinstance(found, CannotMeasure) or max(map(knocked.u_at, at)) < max(BENT_U_S, *map(found.u_at, at)):
        found = knocked
    return BarClock(found, alignment_check(found), stamps)


def _stamps(plate: Stream, bar: Stream) -> tuple[QualityCheck, ...]:
    """Whether two recordings that are stamped with a time of day overlap; nothing is said of counters from zero."""
    a, b = plate.first_stamp_s, bar.first_stamp_s
    if a is None or b is None or min(a, b) < TIME_OF_DAY_S:
        return ()
    return (stamps_check(a, a + float(plate.t_s[-1]), b, b + float(bar.t_s[-1])),)


def bar_of_lift(
    bar: BarBeside, curves: LiftCurves, phases: Phases, card: AttemptCard, gravity: float
) -> tuple[Readings, tuple[QualityCheck, ...], BarCurves | None]:
    """Measures, checks and curves of the bar in one lift."""
    if isinstance(bar.on_plate.clock, CannotMeasure):
        checks = (bar.on_plate.check, *bar.on_plate.stamps, *_checks_alone(bar.readings, gravity))
        return dict.fromkeys(BAR_MEASURES, bar.on_plate.clock), checks, None
    assert bar.readings is not None
    times = LiftTimes(
        phases.onset_at.value,
        phases.lowest_at.value,
        phases.drive_end_at.value,
        phases.drive_end_at.value if phases.takeoff_place is not None else None,
    )
    followed, checks = follow_bar(bar.readings, times, bar.on_plate.clock, gravity)
    if isinstance(followed, CannotMeasure):
        checks = checks or (_missing_check(followed),)
        return {name: followed for name in BAR_MEASURES}, (bar.on_plate.check, *bar.on_plate.stamps, *checks), None
    compared, fit = compare_pair(followed, curves, phases, card.load_kg)
    plain, followed = bar.on_plate.clock, straightened(followed, fit)
    assert followed.clock is not None
    clock_check = moved_check(
        bar.on_plate.check, followed.clock.offset_s - plain.offset_s, followed.clock_u_s(times.lowest_s)
    )
    readings = bar_measures(followed)
    least = readings["bar_least_rack_load"]
    assert isinstance(least, Reading)
    more, agreement = pair_measures(followed, curves, phases, card, least.estimate, compared)
    checks = (clock_check, *bar.on_plate.stamps, *checks, agreement)
    return readings | more, checks, shown_bar(followed)


def _checks_alone(r: BarReadings | None, gravity: float) -> tuple[QualityCheck, ...]:
    """What the readings say by themselves: often it is they that keep the bar from being aligned."""
    if r is None:
        return ()
    return readings_quality(
        r.accel_mps2,
        r.gyro_radps,
        r.rate_hz,
        gravity_mps2=gravity,
        missing=r.missing,
        saturated=r.saturated if r.saturated.any() else None,
        up_axis=r.sensor.up_axis,
    )
