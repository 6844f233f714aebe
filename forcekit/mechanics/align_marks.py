"""Plate and bar on one clock from deliberate marks: the bar's sensor, or the bar's end, knocked on the empty plate.

Steel on steel is felt by both at the same instant, with no body in between. It is sharper than the dip, but what it
looks like differs between a plate and a bar, so only its onset is compared. Steps and catches are left out: a body
passes them on late, so only knocks on a plate on which nothing stands count.
"""

from __future__ import annotations

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.clock_map import ClockMap, fit_clock
from forcekit.mechanics.zero import runs
from forcekit.model import BoolArray, FloatArray

__all__ = ["align_by_knocks", "align_by_marks", "empty_plate", "find_marks"]

SLOW_S = 0.012
"""Movement slower than this (as a Gaussian's width) is taken off before knocks are looked for (our choice)."""
KNOCK_FRAC = 0.35
"""A knock counts when it is at least this part of the strongest (our choice)."""
KNOCK_OVER_NOISE = 12.0
"""... and this many robust standard deviations of the rest (our choice)."""
ONSET_FRAC = 0.30
"""The onset is where the knock first reaches this part of its height (our choice)."""
MARK_U_S = 0.0005
"""Plate and sensor ring differently, and a knock at the bar's end needs time through the shaft: 0.5 ms for a metre or
two of steel (estimate)."""
KNOCK_LEAST_MPS2 = 5.0
"""A bar's sensor feels a knock on a plate with half of gravity at least (our choice)."""
EMPTY_FRAC, EMPTY_WIDTH_S = 0.12, 0.25
"""Nothing stands on a plate whose mean force over so long is below this part of the lifter's with the bar; a knock of
2 N s, a bar's end put down hard, adds 8 N to it (our choice)."""
AWAY_S = 0.3
"""So long before a load comes and after it goes, the plate does not count as empty (our choice)."""
LEAST_KNOCKS, LEAST_NEAR = 3, 2
"""Fewest knocks felt by both: by themselves, and near an offset that the movement has found (our choice)."""
NEAR_S = 0.04
"""How far a bar that bends, or that leaves the shoulders, may have moved the clock that the movement has found."""
LEAST_CONFIDENCE = 0.95
"""The knocks must fit so surely in one way only, as for the movement (`align_search.AlignSettings`)."""


def empty_plate(force_n: FloatArray, rate_hz: float, standing_n: float) -> BoolArray:
    """Where nothing stands on a plate, shape (n,).

    Parameters
    ----------
    force_n : array, shape (n,)
    rate_hz : float
    standing_n : float, newton
        Force of the lifter with the bar.
    """
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    level = uniform_filter1d(force_n, max(1, round(EMPTY_WIDTH_S * rate_hz)), mode="nearest")
    loaded = np.abs(level, out=level) > EMPTY_FRAC * standing_n
    return np.asarray(maximum_filter1d(loaded, 2 * round(AWAY_S * rate_hz) + 1, mode="nearest") == 0)


def find_marks(
    signal: FloatArray,
    rate_hz: float,
    *,
    start_s: float = 0.0,
    apart_s: float = 0.15,
    where: BoolArray | None = None,
    least: float = 0.0,
    least_frac: float = KNOCK_FRAC,
) -> FloatArray:
    """Instants of the knocks in a signal.

    Parameters
    ----------
    signal : array, shape (n,)
        Force, or magnitude of acceleration.
    rate_hz : float
    start_s : float, second
        What the clock shows at the first sample.
    apart_s : float, second
        Knocks closer than this to a stronger one are its echo.
    where : array of bool, shape (n,), optional
        Where to look; everywhere if left out.
    least, least_frac : float
        A knock has at least this height, in the signal's unit, and at least this part of the strongest's.

    Returns
    -------
    array, shape (k,), second
        Empty when nothing stands out.
    """
    parts = [slice(0, signal.size)] if where is None else [slice(a, b) for a, b in runs(where)]
    if not parts:
        return np.empty(0)
    found = [_fast(signal, part, SLOW_S * rate_hz) for part in parts]
    looked_at = np.concatenate(found)
    noise = 1.4826 * float(np.median(looked_at))
    height = max(least, least_frac * float(looked_at.max()), KNOCK_OVER_NOISE * noise)
    if looked_at.max() < height:
        return np.empty(0)
    fast = np.zeros(signal.size)
    for part, values in zip(parts, found, strict=True):
        fast[part] = values
    from scipy.signal import find_peaks  # long to load; most recordings have no knock

    peaks, _ = find_peaks(fast, height=height, distance=max(1, round(apart_s * rate_hz)))
    return np.array([start_s + _onset(signal, i, rate_hz) / rate_hz for i in peaks.tolist()])


def _fast(signal: FloatArray, part: slice, width: float) -> FloatArray:
    """Size of what is faster than a Gaussian of some width (samples) in a part of a signal."""
    from scipy.ndimage import gaussian_filter1d

    margin = round(4.0 * width) + 1
    a = max(0, part.start - margin)
    near = gaussian_filter1d(signal[a : part.stop + margin], width, mode="nearest", truncate=4.0)
    out = signal[part] - near[part.start - a : part.stop - a]
    return np.abs(out, out=out)


def _onset(signal: FloatArray, i: int, rate_hz: float) -> float:
    """Place where a knock that is strongest near sample i first reaches a part of its height over what was before."""
    reach = max(2, round(2.5 * SLOW_S * rate_hz))
    first = max(0, i - reach)
    before = signal[max(0, first - reach) : first + 1]
    height = np.abs(signal[first : i + 2] - float(np.median(before)))
    level = ONSET_FRAC * float(height.max())
    j = int(np.flatnonzero(height >= level)[0])
    return first + (j if j == 0 else j - 1 + float((level - height[j - 1]) / (height[j] - height[j - 1])))


def align_by_marks(
    plate_marks_s: FloatArray,
    bar_marks_s: FloatArray,
    *,
    step_s: float,
    about: ClockMap | None = None,
    least: int = 1,
    drift: float = 1e-4,
) -> ClockMap:
    """Find offset and drift of the bar's clock from knocks that both sensors felt.

    Parameters
    ----------
    plate_marks_s, bar_marks_s : array, shape (k,) and (l,)
        Instants on each clock, see `find_marks`. Either may have some that the other has not.
    step_s : float, second
        The longer of the two sampling intervals.
    about : ClockMap, optional
        Only knocks that this map brings within 40 ms of each other may be the same.
    least : int
        So many must coincide.
    drift : float
        Largest relative difference of the clocks.

    Notes
    -----
    Every pair of a mark here and a mark there proposes an offset; it is supported by the marks that then coincide
    within two sampling intervals and the drift. The proposal with most support wins. One mark against one is enough;
    two equally supported proposals that differ are refused, because regular taps fit in several ways.

    Raises
    ------
    CannotMeasure
        `Reason.NOT_ALIGNED` when there are no marks, too few coincide, or several matches are equally good.
    """
    plate, bar = np.sort(plate_marks_s), np.sort(bar_marks_s)
    if plate.size == 0 or bar.size == 0:
        which = "plate" if plate.size == 0 else "bar"
        raise CannotMeasure(Reason.NOT_ALIGNED, f"the {which} felt no knock that stands out")
    proposals = bar[None, :] - plate[:, None]
    if about is not None:
        proposals = proposals[np.abs(bar[None, :] - about.to_bar(plate)[:, None]) <= NEAR_S]
    proposals = proposals.ravel()
    if proposals.size == 0:
        raise CannotMeasure(Reason.NOT_ALIGNED, "no knock on the plate is one on the bar, by how they moved")
    matches = [_match(plate, bar, float(p), 2.0 * step_s, drift) for p in proposals]
    support = np.array([len(m) for m in matches])
    best = int(np.argmax(support))
    tolerance = 4.0 * step_s + drift * float(plate[-1] - plate[0])
    rivals = np.abs(proposals - proposals[best]) > tolerance
    second = int(support[rivals].max()) if rivals.any() else 0
    if second == support[best]:
        raise CannotMeasure(
            Reason.NOT_ALIGNED,
            f"{plate.size} knocks on the plate and {bar.size} on the bar fit in several ways; tap with unequal pauses",
        )
    if support[best] < least:
        raise CannotMeasure(
            Reason.NOT_ALIGNED, f"{support[best]} of {plate.size} knocks on the plate were felt on the bar, not {least}"
        )
    i, j = (np.array(x) for x in zip(*matches[best], strict=True))
    # Each match more than the rival's makes chance ten times less likely (our choice; marks are deliberate).
    confidence = 1.0 - 10.0 ** -float(support[best] - second)
    each = np.full(i.size, np.hypot(step_s / np.sqrt(6.0), MARK_U_S))
    how = f"aligned by {i.size} knock{'s' if i.size > 1 else ''} that plate and bar felt"
    return fit_clock(
        plate[i], bar[j] - plate[i], each, common_u_s=MARK_U_S, confidence=confidence, by="knocks", how=how
    )


def align_by_knocks(
    force_n: FloatArray,
    plate_rate_hz: float,
    accel_mps2: FloatArray,
    bar_rate_hz: float,
    *,
    standing_n: float,
    plate_start_s: float = 0.0,
    bar_start_s: float = 0.0,
    about: ClockMap | None = None,
) -> ClockMap:
    """Find offset and drift of the bar's clock from knocks on the empty plate.

    Parameters
    ----------
    force_n : array, shape (n,)
    plate_rate_hz, bar_rate_hz : float
    accel_mps2 : array, shape (m,)
        Size of what the bar's accelerometer feels.
    standing_n : float, newton
        Force of the lifter with the bar.
    plate_start_s, bar_start_s : float
        What each clock shows at its first sample.
    about : ClockMap, optional
        What the movement has found; without it three knocks must fit, with it two.

    Raises
    ------
    CannotMeasure
        `Reason.NOT_ALIGNED` when there are none (then without a detail), too few, or they fit in several ways.
    """
    plate = find_marks(
        force_n, plate_rate_hz, start_s=plate_start_s, where=empty_plate(force_n, plate_rate_hz, standing_n)
    )
    least = LEAST_KNOCKS if about is None else LEAST_NEAR
    if plate.size == 0:
        raise CannotMeasure(Reason.NOT_ALIGNED)
    if plate.size < least:
        raise CannotMeasure(Reason.NOT_ALIGNED, f"{plate.size} found, {least} needed")
    bar = find_marks(accel_mps2, bar_rate_hz, start_s=bar_start_s, least=KNOCK_LEAST_MPS2, least_frac=0.0)
    step = 1.0 / min(plate_rate_hz, bar_rate_hz)
    clock = align_by_marks(plate, bar, step_s=step, about=about, least=least)
    if clock.confidence < LEAST_CONFIDENCE:
        raise CannotMeasure(Reason.NOT_ALIGNED, "they fit in another way nearly as well; use unequal pauses")
    return clock


def _match(plate: FloatArray, bar: FloatArray, offset: float, play_s: float, drift: float) -> list[tuple[int, int]]:
    """Pairs that coincide at an offset, each mark used once.

    The play grows with the distance from the pair that fits best.
    """
    out: list[tuple[int, int]] = []
    anchor = int(np.argmin(np.min(np.abs(bar[None, :] - plate[:, None] - offset), axis=1)))
    taken: set[int] = set()
    for i, t in enumerate(plate):
        j = int(np.argmin(np.abs(bar - t - offset)))
        if abs(bar[j] - t - offset) <= play_s + drift * abs(t - plate[anchor]) and j not in taken:
            out.append((i, j))
            taken.add(j)
    return out
