"""The one place with the order of steps: from a recording to its lifts.

Live and offline call the same `analyze_lift` on the same samples, and so give the same numbers to the last digit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from forcekit.analysis.findings import CueEntry, load_cue_book
from forcekit.analysis.one_lift import Settings, analyze_lift
from forcekit.analysis.segment import SHORTEST_STANCE_S, Candidate, find_lifts, takeoff_threshold
from forcekit.analysis.windows import LEARN, WHOLE_S, Window, cut
from forcekit.constants import local_gravity
from forcekit.errors import CannotMeasure, InputError
from forcekit.mechanics.foot import foot_frame
from forcekit.mechanics.plate import PlateSignals, channel_noise, check_usable, read_plate
from forcekit.mechanics.plate_force import vertical_force
from forcekit.mechanics.plate_matrix import FZ
from forcekit.mechanics.stance import still_stretches
from forcekit.mechanics.timebase import Timebase, fill, uniform_timebase
from forcekit.mechanics.zero import loaded_level
from forcekit.model import AttemptCard, FloatArray, OwnClock, Recording, Stream
from forcekit.results import Analysis, Lift, PassedOver

if TYPE_CHECKING:
    from forcekit.analysis.beside import BarBeside, BarClock
    from forcekit.mechanics.clock_map import ClockMap

__all__ = ["Settings", "analyze", "analyze_lift", "check_settings", "measure_window", "sliced", "window_of"]

STANCE_RANGE_S = (0.05, 5.0)
SAME_LIFT_S = 0.25
"""The watch and the search may place a lift this far from one another (our choice)."""
LEAST_BAR = 100
"""So many samples of the bar in a window, or fewer, are as good as none (our choice)."""


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
    plate = recording.plate
    if plate is None:
        from forcekit.analysis.bar_alone import analyze_bar_alone

        return analyze_bar_alone(recording, book)
    if plate.t_s.size <= LEARN or float(plate.t_s[-1] - plate.t_s[0]) <= WHOLE_S:
        return _analyze_whole(recording, plate, settings, book)
    return _analyze_long(recording, plate, settings, book)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Signals of a plate and what the search finds in them."""

    signals: PlateSignals
    gravity_mps2: float
    candidates: list[Candidate]
    passed: list[PassedOver]
    stretches: list[tuple[int, int]]


def _find(plate: Stream, settings: Settings) -> _Found:
    """Read a plate and find every dip and drive."""
    signals = read_plate(plate)
    gravity = local_gravity(plate.device.site.latitude_deg, plate.device.site.height_m)
    noise = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    candidates, passed, stretches = find_lifts(
        signals.force_n,
        signals.rate_hz,
        noise,
        takeoff_threshold(signals.zero, noise),
        gravity,
        shortest_stance_s=settings.shortest_stance_s,
    )
    start = float(signals.t_s[0])
    return _Found(signals, gravity, candidates, [replace(p, at_s=p.at_s + start) for p in passed], stretches)


def _analyze_whole(recording: Recording, plate: Stream, settings: Settings, book: Mapping[str, CueEntry]) -> Analysis:
    """Analyse a recording that is one window."""
    if recording.bar is not None and recording.bar.own is not None:
        then = _bar_then(recording.bar, recording.bar.own, plate)
        recording = replace(recording, bar=replace(then, notes=recording.bar.notes))
    found = _find(plate, settings)
    signals, candidates = found.signals, found.candidates
    t = signals.t_s
    bar = _beside(recording, found)
    starts = [float(t[c.fastest_down]) for c in candidates] + [np.inf]
    cards = [recording.card_of(starts[i], float(t[c.drive_end]), starts[i + 1]) for i, c in enumerate(candidates)]
    lifts: list[Lift] = []
    passed = list(found.passed)
    for c, card in zip(candidates, cards, strict=True):
        foot = foot_frame(card, plate.device)
        try:
            lift = analyze_lift(signals, c, found.stretches, card, foot, plate.device, settings, book, bar)
        except CannotMeasure as reason:
            passed.append(PassedOver(float(t[c.lowest]), reason.detail or str(reason)))
        else:
            lifts.append(lift)
    return Analysis(
        source=recording.source,
        lifts=tuple(lifts),
        passed_over=tuple(sorted(passed, key=lambda p: p.at_s)),
        reason=None if lifts else _no_lift(found.stretches, signals.rate_hz, len(passed), settings),
        notes=signals.notes + (() if bar is None else bar.notes),
    )


def _analyze_long(recording: Recording, plate: Stream, settings: Settings, book: Mapping[str, CueEntry]) -> Analysis:
    """Analyse a recording lift by lift, each from its own window; time and memory grow with the lifts alone."""
    timebase = uniform_timebase(plate.t_s, plate.source)
    force = vertical_force(plate)
    even = fill(timebase, force)
    check_usable(plate, loaded_level(even), timebase.rate_hz)
    gravity = local_gravity(plate.device.site.latitude_deg, plate.device.site.height_m)
    windows, passed = cut(plate.t_s, force, gravity, settings.shortest_stance_s)
    whole_bar = None if not windows else _clock_of(recording, timebase, even, windows, gravity)
    starts = [w.stance_s[1] for w in windows] + [np.inf]
    lifts: list[Lift] = []
    notes: dict[str, None] = dict.fromkeys(plate.notes)
    failed: list[InputError] = []
    for i, w in enumerate(windows):
        part = window_of(recording, w, None if whole_bar is None else whole_bar.clock)
        card = recording.card_of(starts[i], w.end_s, starts[i + 1])
        try:
            lift, told = measure_window(part, w, card, settings, book, whole_bar)
        except InputError as error:
            failed.append(error)
            passed.append(PassedOver(w.lowest_s, f"a dip and drive that cannot be measured: {error}"))
            continue
        notes |= dict.fromkeys(told)
        if isinstance(lift, Lift):
            lifts.append(lift)
        else:
            passed.append(lift)
    if failed and not lifts:
        raise failed[0]
    reason = None
    if not lifts:
        stretches = still_stretches(even, timebase.rate_hz, float(channel_noise(even[:, None])[0]))
        reason = _no_lift(stretches, timebase.rate_hz, len(passed), settings)
    ordered = tuple(sorted(passed, key=lambda p: p.at_s))
    return Analysis(recording.source, tuple(lifts), ordered, reason, tuple(notes))


def _clock_of(
    recording: Recording, timebase: Timebase, force_n: FloatArray, windows: Sequence[Window], gravity: float
) -> BarClock | None:
    """Clock of the bar of a long recording: what all its lifts say together, unless the stamps tell it."""
    if recording.bar is None:
        return None
    from forcekit.analysis.beside import bar_clock, session_clock, unusable
    from forcekit.mechanics.bar_readings import felt_by_bar

    known = session_clock(recording)
    if known is not None:
        return known
    try:
        felt = felt_by_bar(recording.bar)
    except InputError as error:
        return unusable(error)
    t0, rate = float(timebase.t_s[0]), timebase.rate_hz

    def place(t_s: float) -> int:
        return int(np.clip(round((t_s - t0) * rate), 0, timebase.t_s.size - 1))

    rough = [
        Candidate(place(w.stance_s[0]), place(w.stance_s[1]), place(w.lowest_s), place(w.lowest_s), place(w.end_s),
                  None, False)
        for w in windows
    ]  # fmt: skip
    return bar_clock(recording, timebase.t_s, force_n, rate, rough, felt, gravity)


def window_of(recording: Recording, window: Window, clock: ClockMap | CannotMeasure | None = None) -> Recording:
    """Slice of a recording: the plate's samples of a window, and the bar's of the same time.

    Parameters
    ----------
    clock : ClockMap, optional
        Of the bar; left out, both are on one clock.
    """
    plate, bar = recording.plate, recording.bar
    assert plate is not None
    part = sliced(plate, window.first, window.last)
    if bar is None or isinstance(clock, CannotMeasure):
        return replace(recording, plate=part, cards=())
    if bar.own is not None:
        return replace(recording, plate=part, bar=_bar_then(bar, bar.own, part), cards=())
    ends = part.t_s[[0, -1]] if clock is None else clock.to_bar(part.t_s[[0, -1]])
    first, last = np.searchsorted(bar.t_s, ends[0], "left"), np.searchsorted(bar.t_s, ends[1], "right")
    return replace(recording, plate=part, bar=sliced(bar, int(first), int(last)), cards=())


def _bar_then(bar: Stream, own: OwnClock, plate: Stream) -> Stream:
    """Samples of the bar beside those of the plate, on the clock that the running session had for them.

    It is the first that was laid at or after the plate's last sample: for the window of a lift that very one.
    """
    begin_s, end_s = float(plate.t_s[0]), float(plate.t_s[-1])
    then = next((c for c in own.then if c.t_s >= end_s), own.then[-1])
    of_run = np.searchsorted(own.run, [then.run, then.run + 1])
    own_s = own.own_s[of_run[0] : of_run[1]]
    # Roughly on the sensor's clock first: of a long session only the part beside the plate's is worked on.
    rough = np.searchsorted(own_s, (np.array([begin_s, end_s]) - then.offset_s) / then.rate + [-1.0, 1.0])
    t_s = then.offset_s + then.rate * own_s[rough[0] : rough[1]]
    first, last = np.searchsorted(t_s, begin_s, "left"), np.searchsorted(t_s, end_s, "right")
    start = int(of_run[0] + rough[0])
    return replace(sliced(bar, start + int(first), start + int(last)), t_s=t_s[first:last])


def sliced(stream: Stream, first: int, last: int) -> Stream:
    """Samples first..last-1 of a stream, without its notes."""
    raw = {name: values[first:last] for name, values in stream.raw.items()}
    return replace(stream, t_s=stream.t_s[first:last], raw=raw, notes=(), own=None)


def measure_window(
    recording: Recording,
    window: Window,
    card: AttemptCard,
    settings: Settings,
    book: Mapping[str, CueEntry],
    bar: BarClock | None = None,
) -> tuple[Lift | PassedOver, tuple[str, ...]]:
    """Measure the lift of one window; live and from a file this is the same call with the same samples.

    Parameters
    ----------
    recording : Recording
        The samples of the window, see `window_of`.
    window : Window
    card : AttemptCard
        Of this lift.
    bar : BarClock, optional
        Left out, plate and bar are on one clock.

    Returns
    -------
    lift, or why it is none after all; notes on the samples

    Raises
    ------
    InputError
        If the samples cannot be used.
    """
    plate = recording.plate
    assert plate is not None
    found = _find(plate, settings)
    t = found.signals.t_s
    low = window.lowest_s
    here = [c for c in found.candidates if t[c.still_last] - SAME_LIFT_S < low < t[c.drive_end] + SAME_LIFT_S]
    if not here:
        near = [p.why for p in found.passed if abs(p.at_s - low) < 1.0]
        return PassedOver(low, near[0] if near else "a movement that is no dip and drive on a closer look"), ()
    signals, device = found.signals, plate.device
    beside = _beside(recording, found, bar)
    foot = foot_frame(card, device)
    try:
        lift = analyze_lift(signals, here[0], found.stretches, card, foot, device, settings, book, beside)
    except CannotMeasure as reason:
        return PassedOver(low, reason.detail or str(reason)), ()
    return lift, signals.notes + (() if beside is None else beside.notes)


def _beside(recording: Recording, found: _Found, clock: BarClock | None = None) -> BarBeside | None:
    """The bar on the plate's clock, which is found here if it is not known; None without a bar."""
    if recording.bar is None:
        return None
    # The bar's part is loaded where there is a bar: a plate alone starts sooner.
    from forcekit.analysis.beside import BarBeside, bar_beside, beside_on, missing

    # Of a whole file of so few samples its reader says more.
    cut_out = recording.bar.common_clock if clock is None else not isinstance(clock.clock, CannotMeasure)
    if cut_out and recording.bar.t_s.size <= LEAST_BAR:
        return BarBeside(None, missing())
    if clock is not None:
        return beside_on(recording.bar, clock)
    s = found.signals
    return bar_beside(recording, s.t_s, s.force_n, s.rate_hz, found.candidates, found.gravity_mps2)


def _no_lift(stretches: list[tuple[int, int]], rate_hz: float, n_passed: int, settings: Settings) -> str:
    """Return one sentence on why a recording holds no lift."""
    shortest_s = min(SHORTEST_STANCE_S, settings.shortest_stance_s)
    long_enough = [b - a for a, b in stretches if (b - a) / rate_hz >= shortest_s]
    if not stretches:
        return (
            "The lifter never stands still on the plate, so lifter and bar cannot be weighed and no dip can be told "
            "from other movement."
        )
    if not long_enough:
        longest = max(b - a for a, b in stretches) / rate_hz
        return (
            f"The longest still stretch lasts {longest:.2f} s; a lift needs {shortest_s:g} s of standing "
            "still before the dip."
        )
    if n_passed:
        return "There is standing still and movement, but no dip followed by a drive; see what was passed over."
    return "The lifter stands still, but no dip and drive follows."
