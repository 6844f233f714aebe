r"""Plate and bar on one clock, from what both feel: the acceleration of the system and that of the bar in the dip.

While the bar lies on the shoulders, g(F/W - 1) and the bar's vertical acceleration are nearly the same curve. Each
window (stance, dip and braking of one lift, on the plate's clock) is slid along the bar's whole recording::

    plate      ______    __                          bar  ...________________    __    ______....
                     \__/                                                     \__/
               |<- window ->|        slides over ->

The offset at which all windows fit best is taken, if no other fits nearly as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.align_search import LEAST_LIFTS, AlignSettings, Curve, Scores, scores
from forcekit.mechanics.clock_map import ClockMap, fit_clock
from forcekit.mechanics.slide import Spline, spline
from forcekit.model import FloatArray
from forcekit.numbers import decimal

__all__ = ["AlignSettings", "Alignment", "align_by_motion", "vertical_part"]

SPLINE_MARGIN = 60
"""Samples around a stretch; see `slide.spline`."""
SAME_PAUSE_S = 0.008
"""The time between two lifts is the same to plate and bar within this and the drift: simulated bars that bend differ by
1.3 ms (median; most 6.7), other sets by chance (`tests/benchmarks/bar_parts.py`)."""


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """The clock map and what it rests on.

    Attributes
    ----------
    clock : ClockMap
    correlation : float
        Mean over the windows at the best offset.
    rival, rival_offset_s : float
        The best correlation elsewhere and where.
    offsets_s, offsets_u_s : array, shape (k,)
        Of each window.
    """

    clock: ClockMap
    correlation: float
    rival: float
    rival_offset_s: float
    offsets_s: FloatArray
    offsets_u_s: FloatArray


def vertical_part(accel_mps2: FloatArray, gravity_mps2: float) -> FloatArray:
    """Vertical acceleration of the bar without knowing its attitude: magnitude of the force less gravity, shape (n,).

    Notes
    -----
    Exact when the acceleration is vertical; a horizontal acceleration a adds about a²/2f. Good for alignment only.
    """
    return np.asarray(np.sqrt(np.einsum("ni,ni->n", accel_mps2, accel_mps2)) - gravity_mps2)


def align_by_motion(
    plate_mps2: FloatArray,
    plate_rate_hz: float,
    bar_mps2: FloatArray,
    bar_rate_hz: float,
    *,
    windows_s: tuple[tuple[float, float], ...],
    plate_start_s: float = 0.0,
    bar_start_s: float = 0.0,
    largest_offset_s: float | None = None,
    settings: AlignSettings | None = None,
) -> Alignment:
    """Find offset and drift of the bar's clock against the plate's from the motion itself.

    Parameters
    ----------
    plate_mps2 : array, shape (n,)
        Acceleration of the system, g(F/W - 1), of the whole recording or at least of the windows.
    plate_rate_hz, bar_rate_hz : float
    bar_mps2 : array, shape (m,)
        Vertical acceleration of the bar, of its whole recording, see `vertical_part`; a constant more or less (the
        size of the force as it is felt) makes no difference.
    windows_s : tuple of (float, float)
        Start and end on the plate's clock: stance, dip and braking of each lift, not further: after that the bar
        leaves the body.
    plate_start_s, bar_start_s : float
        What each clock shows at its first sample.
    largest_offset_s : float, optional
        Offsets (bar's clock less plate's) beyond this are not tried; all that overlap if left out.

    Notes
    -----
    Correlation coefficient of each window with every stretch of the bar's recording, each allowed to shift by the
    largest drift; mean over the windows that the bar's recording covers, of several windows at least two; then for
    each of these a least-squares fit of shift, gain and level between the samples, with the standard uncertainty from
    the residuals and their autocorrelation; then a line through the shifts (`clock_map.fit_clock`).
    A fit of k windows weighs (1 - r²)^(-worth·k/2). The offset with the greatest weight is the best, and confidence is
    its part of all. A window that the bar's recording does not cover has no say.

    Raises
    ------
    CannotMeasure
        `Reason.NOT_ALIGNED` when no stretch fits, another fits nearly as well (periodic movement, or a second
        similar lift), or the recordings do not overlap.
    """
    s = settings or AlignSettings()
    if not windows_s:
        raise CannotMeasure(Reason.NOT_ALIGNED, "no movement of the plate was given to compare the bar's with")
    rate = min(s.rate_hz, plate_rate_hz, bar_rate_hz)
    plate = Curve(plate_mps2, plate_start_s, plate_rate_hz, s.cutoff_hz)
    bar = Curve(bar_mps2, bar_start_s, bar_rate_hz, s.cutoff_hz)
    found_at = scores(plate, bar, rate, windows_s, largest_offset_s, s)
    best, correlation, rival, rival_offset, confidence = _best(found_at, len(windows_s), s)
    centre = float(np.mean([0.5 * (a + b) for a, b in windows_s]))
    # At this offset the bar was not recording in all of them, perhaps.
    begin, end = bar.start_s - best - 2.0 / rate, bar.end_s - best + 2.0 / rate
    n_lifts = len(windows_s)
    windows_s = tuple((a, b) for a, b in windows_s if begin <= a and b <= end)
    found = [_refined(plate, bar, w, best, centre, rate, s) for w in windows_s]
    shifts, us = np.array([f[0] for f in found]), np.array([f[1] for f in found])
    middles = np.array([0.5 * (a + b) for a, b in windows_s])
    if correlation * middles.size < s.least_correlation * n_lifts:
        _check_pauses(middles, shifts, n_lifts, s)
    lifts = f"{n_lifts} lift{'s' if n_lifts > 1 else ''}"
    if len(windows_s) < n_lifts:
        lifts = f"the {len(windows_s)} lifts of {n_lifts} that the bar recorded"
    how = (
        f"aligned by the movement of {lifts}: correlation {correlation:.2f}, next best {rival:.2f}, "
        f"confidence {100 * min(confidence, 0.999):.1f} %"
    )
    clock = fit_clock(middles, shifts, us, common_u_s=s.lag_u_s, confidence=confidence, by="movement", how=how)
    return Alignment(clock, correlation, rival, rival_offset, shifts, us)


def _best(found: Scores, n_lifts: int, s: AlignSettings) -> tuple[float, float, float, float, float]:
    """Best offset and its fit, the best rival's fit and where it is, and the confidence; refuses what is not clear."""
    offsets, fits = found.offsets_s, found.fits
    # What a fit says for its offset: the more lifts take part, the more.
    evidence = -0.5 * s.worth * found.covered * np.log1p(-(np.clip(fits, 0.0, 0.9999) ** 2))
    i = int(np.argmax(evidence))
    best = float(fits[i])
    step = float(np.diff(offsets[max(i - 1, 0) : i + 2]).min())  # away from what was looked at closely it is longer
    peaks = np.flatnonzero((evidence[1:-1] >= evidence[:-2]) & (evidence[1:-1] > evidence[2:])) + 1
    apart = peaks[np.abs(offsets[peaks] - offsets[i]) > s.lobe_s]
    rival_at = int(apart[np.argmax(evidence[apart])]) if apart.size else i
    rival = max(0.0, float(fits[rival_at])) if apart.size else 0.0
    if best < s.least_correlation:
        raise CannotMeasure(Reason.NOT_ALIGNED, _no_fit(best, found, n_lifts, s))
    confidence = 1.0 / (1.0 + float(np.sum(np.exp(evidence[apart] - evidence[i]))))
    if confidence < s.least_confidence:
        raise CannotMeasure(
            Reason.NOT_ALIGNED,
            f"the movements agree at an offset of {decimal(offsets[i], 3)} s (correlation {best:.2f}) and at "
            f"{decimal(offsets[rival_at], 3)} s ({rival:.2f}), confidence {100 * confidence:.0f} %; record plate and "
            "bar in one session",
        )
    left, mid, right = fits[max(i - 1, 0)], fits[i], fits[min(i + 1, fits.size - 1)]
    bend = left - 2.0 * mid + right
    part = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0
    return float(offsets[i] + part * step), best, rival, float(offsets[rival_at]), confidence


def _no_fit(best: float, found: Scores, n_lifts: int, s: AlignSettings) -> str:
    """Why no offset is believed."""
    single = LEAST_LIFTS * found.fits[found.covered < LEAST_LIFTS]
    if n_lifts >= LEAST_LIFTS and np.any(single >= s.least_correlation):
        return _too_few(n_lifts, "no two")
    return (
        f"at the best offset the movements agree with a correlation of {best:.2f} where {s.least_correlation} is "
        "needed; the files may belong to different lifts, or the bar was not recording in these"
    )


def _check_pauses(middles: FloatArray, shifts: FloatArray, n_lifts: int, s: AlignSettings) -> None:
    """Refuse an offset that some of many lifts fit unless the time between them is the same to both clocks.

    Where most of the plate's lifts are not in the bar's recording, nothing else tells that both are of one set.
    """
    apart = np.abs(shifts[:, None] - shifts[None, :])
    play = SAME_PAUSE_S + s.drift * np.abs(middles[:, None] - middles[None, :])
    if middles.size < LEAST_LIFTS or np.any(apart > play):
        raise CannotMeasure(Reason.NOT_ALIGNED, _too_few(n_lifts, "no two, by the time between them,"))


def _too_few(n_lifts: int, which: str) -> str:
    return (
        f"{which} of the plate's {n_lifts} lifts are found in the bar's recording; the files may belong to different "
        "lifts, or the bar recorded a single one, which looks like any other: let both record at least "
        f"{LEAST_LIFTS} lifts, or knock the sensor on the empty plate three times, with unequal pauses"
    )


def _refined(
    plate: Curve, bar: Curve, window: tuple[float, float], offset: float, centre: float, rate: float, s: AlignSettings
) -> tuple[float, float]:
    """Offset of one window between samples, and its standard uncertainty by itself.

    Least squares of plate(t) = level + gain · bar(t + offset): a search within the play that drift leaves, then
    Gauss-Newton steps. The uncertainty counts the autocorrelation of the residuals, summed to its first zero.
    """
    t = np.arange(np.ceil(window[0] * rate), np.floor(window[1] * rate) + 1) / rate
    play = s.drift * abs(0.5 * (window[0] + window[1]) - centre) + 2.0 / rate
    wanted, _ = _around(plate, t[0], t[-1]).at(np.clip(t, plate.start_s, plate.end_s))
    # The steps below go six places further than the tries, at most.
    reach = play + 8.0 / rate
    curve = _around(bar, t[0] + offset - reach, t[-1] + offset + reach)
    wanted = wanted - wanted.mean()
    # All tries look at the same grid, each from another place on.
    tries = int(np.ceil(play * rate))
    grid = t[0] + offset + np.arange(-tries, t.size + tries) / rate
    value, _ = curve.at(np.clip(grid, bar.start_s, bar.end_s))
    shifted = np.lib.stride_tricks.sliding_window_view(value, t.size)
    shifted = shifted - shifted.mean(axis=1)[:, None]
    # What is left of the wanted curve: its square less the part along the shifted one.
    size = np.maximum(np.einsum("ij,ij->i", shifted, shifted), 1e-300)
    along = np.einsum("ij,j->i", shifted, wanted) ** 2 / size
    at = offset + (int(np.argmax(along)) - tries) / rate
    for _ in range(6):
        value, slope = curve.at(np.clip(t + at, bar.start_s, bar.end_s))
        value, slope = value - value.mean(), slope - slope.mean()
        size = float(value @ value)
        gain = float(value @ wanted) / size
        left = wanted - gain * value
        column = gain * (slope - float(value @ slope) / size * value)
        at += float(np.clip(column @ left / (column @ column), -1.0 / rate, 1.0 / rate))
    lags = np.correlate(left, left, "full")[t.size - 1 :]
    zero = int(np.flatnonzero(lags <= 0.0)[0]) if np.any(lags <= 0.0) else t.size
    shape = np.correlate(column, column, "full")[t.size - 1 :]
    variance = (lags[0] * shape[0] + 2.0 * float(np.sum(lags[1:zero] * shape[1:zero]))) / t.size
    return at, float(np.sqrt(max(variance, 1e-18))) / float(column @ column)


def _around(curve: Curve, first_s: float, last_s: float) -> Spline:
    """Cubic spline through the samples of a stretch and enough around it for the ends to have no say."""
    n = curve.raw.size
    a = max(0, int((first_s - curve.start_s) * curve.rate_hz) - SPLINE_MARGIN)
    b = min(n, int((last_s - curve.start_s) * curve.rate_hz) + SPLINE_MARGIN + 2)
    a, b = max(0, min(a, n - SPLINE_MARGIN)), max(b, SPLINE_MARGIN)
    return spline(curve.smooth(a, min(b, n)), curve.start_s + a / curve.rate_hz, curve.rate_hz)
