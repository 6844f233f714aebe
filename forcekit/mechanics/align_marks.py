"""Plate and bar on one clock from deliberate marks: taps on the bar, bounces or stamps on the plate.

A mark is a knock that both sensors feel at the same instant. It is sharper than the dip, but what it looks like
differs between a plate and a bar, so only its onset is compared.
"""

from __future__ import annotations

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.clock_map import ClockMap, fit_clock
from forcekit.model import FloatArray

__all__ = ["align_by_marks", "find_marks"]

SLOW_S = 0.012
"""Movement slower than this (as a Gaussian's width) is taken off before knocks are looked for (our choice)."""
KNOCK_FRAC = 0.35
"""A knock counts when it is at least this part of the strongest (our choice)."""
KNOCK_OVER_NOISE = 12.0
"""... and this many robust standard deviations of the rest (our choice)."""
ONSET_FRAC = 0.30
"""The onset is where the knock first reaches this part of its height (our choice)."""
MARK_U_S = 0.0005
"""A knock needs time to travel through body and bar: 0.5 ms for a metre or two of steel and bone (estimate)."""


def find_marks(signal: FloatArray, rate_hz: float, *, start_s: float = 0.0, apart_s: float = 0.15) -> FloatArray:
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

    Returns
    -------
    array, shape (k,), second
        Empty when nothing stands out.
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    fast = np.abs(signal - gaussian_filter1d(signal, SLOW_S * rate_hz, mode="nearest"))
    noise = 1.4826 * float(np.median(fast))
    height = max(KNOCK_FRAC * float(fast.max()), KNOCK_OVER_NOISE * noise)
    peaks, _ = find_peaks(fast, height=height, distance=max(1, round(apart_s * rate_hz)))
    out = []
    for i in peaks.tolist():
        level = ONSET_FRAC * fast[i]
        first = max(0, i - round(2.5 * SLOW_S * rate_hz))
        j = first + int(np.flatnonzero(fast[first : i + 1] >= level)[0])
        part = 0.0 if j == 0 or fast[j - 1] >= level else (level - fast[j - 1]) / (fast[j] - fast[j - 1]) - 1.0
        out.append(start_s + (j + part) / rate_hz)
    return np.array(out)


def align_by_marks(
    plate_marks_s: FloatArray,
    bar_marks_s: FloatArray,
    *,
    step_s: float,
    largest_offset_s: float | None = None,
    drift: float = 1e-4,
) -> ClockMap:
    """Find offset and drift of the bar's clock from knocks that both sensors felt.

    Parameters
    ----------
    plate_marks_s, bar_marks_s : array, shape (k,) and (l,)
        Instants on each clock, see `find_marks`. Either may have some that the other has not.
    step_s : float, second
        The longer of the two sampling intervals.
    largest_offset_s : float, optional
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
        `Reason.NOT_ALIGNED` when there are no marks, or several matches are equally good.
    """
    plate, bar = np.sort(plate_marks_s), np.sort(bar_marks_s)
    if plate.size == 0 or bar.size == 0:
        which = "plate" if plate.size == 0 else "bar"
        raise CannotMeasure(Reason.NOT_ALIGNED, f"the {which} felt no knock that stands out")
    proposals = (bar[None, :] - plate[:, None]).ravel()
    if largest_offset_s is not None:
        proposals = proposals[np.abs(proposals) <= largest_offset_s]
    if proposals.size == 0:
        raise CannotMeasure(Reason.NOT_ALIGNED, f"no two knocks lie within {largest_offset_s} s of each other")
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
    i, j = (np.array(x) for x in zip(*matches[best], strict=True))
    # Each match more than the rival's makes chance ten times less likely (our choice; marks are deliberate).
    confidence = 1.0 - 10.0 ** -float(support[best] - second)
    each = np.full(i.size, np.hypot(step_s / np.sqrt(6.0), MARK_U_S))
    how = f"aligned by {i.size} knock{'s' if i.size > 1 else ''} that plate and bar felt"
    return fit_clock(plate[i], bar[j] - plate[i], each, common_u_s=MARK_U_S, confidence=confidence, how=how)


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
