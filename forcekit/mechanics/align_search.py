"""At which offsets of the bar's clock the windows of the plate fit the bar's recording, and how well.

A part of `align`: here the search over all offsets, there what is made of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.slide import Blocks, blocks_of, slid
from forcekit.model import FloatArray

__all__ = ["LEAST_LIFTS", "AlignSettings", "Scores", "scores"]

LEAST_LIFTS = 2
"""Of several lifts on the plate the bar must have recorded so many: one lift looks like any other, but the time between
two is as good as a signature (`tests/benchmarks/bar_parts.py` tells how often it deceives)."""

LONG_SEARCH = 25_000
"""From so many offsets on the search is coarse first: 100 s at 250 Hz (our choice)."""
COARSE_PER_CUTOFF = 4.0
"""Rate of the coarse search over the cut-off; products of two curves hold nothing beyond twice the cut-off and the
filter's skirt."""
CLOSER_FRAC = 0.7
"""Peaks of the coarse search this part as good as its best are looked at closely; what is no rival at 0.8 of the best
does not become one, since between two coarse offsets, 8 ms off, at most a tenth of a correlation is lost."""
RIVALS = 5
"""At least so many peaks away from the best are looked at closely."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignSettings:
    """How plate and bar are compared (our choice unless a source is named).

    Attributes
    ----------
    rate_hz : both signals are resampled to this rate (or the lower of theirs) for the search
    cutoff_hz : both are smoothed alike to this; bars and bodies shake differently above it
    least_correlation : a best fit below it is not believed
    least_confidence : probability of the best fit among all; below it the offset is ambiguous
    worth : how many independent values a window counts for in that probability; small, because what differs
        between bar and body repeats from lift to lift and is no noise
    gain_low, gain_high : limits of the system's over the bar's acceleration for a fit to count
    lobe_s : fits closer than this are the same fit
    drift : largest relative difference of the clocks
    lag_u_s : standard uncertainty that remains because bar and system are not the same body. Aligning by two
        different quantities can be off by tens of milliseconds (shank and foot: 25.6 ms, EMBC 2022, abstract
        seen); bar and system in the dip share most of their mass and motion
    """

    rate_hz: float = 250.0
    cutoff_hz: float = 15.0
    least_correlation: float = 0.80
    least_confidence: float = 0.95
    worth: float = 8.0
    gain_low: float = 0.5
    gain_high: float = 2.0
    lobe_s: float = 0.25
    drift: float = 1e-4
    lag_u_s: float = 0.0007


@dataclass(frozen=True, slots=True, eq=False)
class _Template:
    """A window on the search's grid: its first place, its curve without the mean, its size, and the clocks' play."""

    first: int
    curve: FloatArray
    size: float
    play: int


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Bar and windows on a grid whose places are multiples of 1/rate, with running sums of the bar."""

    rate_hz: float
    first: int
    bar: FloatArray
    sums: FloatArray
    squares: FloatArray
    templates: tuple[_Template, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """How well the windows fit at each offset that was tried, arrays of shape (n,).

    Attributes
    ----------
    offsets_s : bar's clock less plate's
    fits : mean correlation of the windows that the bar's recording covers, of at least `LEAST_LIFTS`
    covered : number of those windows
    """

    offsets_s: FloatArray
    fits: FloatArray
    covered: FloatArray


def _search_at(
    rate: float,
    plate: tuple[FloatArray, FloatArray],
    bar_t: FloatArray,
    bar: FloatArray,
    windows: tuple[tuple[float, float], ...],
    drift: float,
) -> _Search:
    """Lay bar and windows on a grid."""
    first = int(np.floor(bar_t[0] * rate))
    signal = np.interp(np.arange(first, np.ceil(bar_t[-1] * rate) + 1) / rate, bar_t, bar)
    y = signal - signal.mean()
    centre = np.mean([0.5 * (a + b) for a, b in windows])
    templates = []
    for a, b in windows:
        t = np.arange(np.ceil(a * rate), np.floor(b * rate) + 1)
        if y.size < t.size:
            raise CannotMeasure(Reason.NOT_ALIGNED, "the bar's recording is shorter than stance and dip on the plate")
        x = np.interp(t / rate, *plate)
        x = x - x.mean()
        templates.append(
            _Template(int(t[0]), x, float(np.sqrt(x @ x)), round(drift * abs(0.5 * (a + b) - centre) * rate))
        )
    sums, squares = (np.concatenate(([0.0], np.cumsum(z))) for z in (y, y**2))
    return _Search(rate, first, y, sums, squares, tuple(templates))


def scores(
    plate: tuple[FloatArray, FloatArray],
    bar: tuple[FloatArray, FloatArray],
    rate: float,
    windows: tuple[tuple[float, float], ...],
    largest: float | None,
    s: AlignSettings,
) -> Scores:
    """Mean correlation of the windows at every offset of a grid; in a long recording closely only where it is good.

    Parameters
    ----------
    plate, bar : (array, array), shape (n,) and (m,)
        Stamps and smoothed accelerations.
    rate : float, hertz
        Of the grid.
    windows : tuple of (float, float), second
        On the plate's clock.
    largest : float, second, or None
        Offsets beyond this are not tried.
    s : AlignSettings

    Notes
    -----
    A long recording is searched at a quarter of the rate first, which still holds all that the smoothed curves do,
    then at the full rate around whatever could be the best fit or its rival. Elsewhere the coarse scores stand.
    """
    low, high = _span(plate[0], bar[0], windows, largest)
    first, last = int(np.floor(low * rate)), int(np.ceil(high * rate))
    fine = _search_at(rate, plate, *bar, windows, s.drift)
    every = round(rate / (COARSE_PER_CUTOFF * s.cutoff_hz))
    if last - first < LONG_SEARCH or every < 2:
        return Scores(
            np.arange(first, last + 1) / rate, _mean_scores(fine, first, last, s), _covered(fine, first, last)
        )
    first, last = first // every, -(-last // every)
    rough = _mean_scores(_search_at(rate / every, plate, *bar, windows, s.drift), first, last, s)
    coarse, offsets = np.arange(first, last + 1), np.arange(every * first, every * last + 1)
    found = np.interp(offsets, every * coarse, rough)
    for i in _contenders(rough, round(s.lobe_s * rate / every)):
        a, b = every * max(0, i - 2), every * min(rough.size - 1, i + 2)
        found[a : b + 1] = _mean_scores(fine, int(offsets[a]), int(offsets[b]), s)
    return Scores(offsets / rate, found, _covered(fine, int(offsets[0]), int(offsets[-1])))


def _contenders(rough: FloatArray, lobe: int) -> list[int]:
    """Peaks of the coarse scores that are good, and the best ones away from the highest."""
    inner = rough[1:-1]
    peaks = np.flatnonzero((inner >= rough[:-2]) & (inner > rough[2:])) + 1
    apart = peaks[np.abs(peaks - int(np.argmax(rough))) > lobe]
    strongest = apart[np.argsort(rough[apart])[-RIVALS:]]
    return sorted({*peaks[rough[peaks] >= CLOSER_FRAC * rough.max()].tolist(), *strongest.tolist()})


def _span(
    plate_t: FloatArray, bar_t: FloatArray, windows: tuple[tuple[float, float], ...], largest: float | None
) -> tuple[float, float]:
    """Smallest and largest offset to try."""
    low, high = bar_t[0] - max(b for _, b in windows), bar_t[-1] - min(a for a, _ in windows)
    if largest is not None:
        low, high = max(low, -largest), min(high, largest)
    if high <= low:
        raise CannotMeasure(Reason.NOT_ALIGNED, "the two recordings do not overlap at any offset that was allowed")
    return float(low), float(high)


def _mean_scores(search: _Search, first: int, last: int, s: AlignSettings) -> FloatArray:
    """Mean correlation of the covered windows, of at least LEAST_LIFTS, at the offsets first..last of the grid."""
    from scipy.ndimage import maximum_filter1d

    total = np.zeros(last - first + 1)
    longest = max(w.curve.size for w in search.templates)
    blocks = blocks_of(search.bar, longest) if total.size > longest else None
    for w in search.templates:
        begin, low, high = _places(search, w, first, last)
        if high <= low:
            continue
        n = search.bar.size - w.curve.size + 1
        a, b = max(0, begin - w.play), min(n, begin + total.size + w.play)
        r = _correlation(search, w, a, b, blocks, s)
        if w.play:
            r = maximum_filter1d(r, 2 * w.play + 1, mode="nearest")
        total[low - begin : high - begin] += r[low - a : high - a]
    least = min(LEAST_LIFTS, len(search.templates))
    return np.asarray(total / np.maximum(_covered(search, first, last), least))


def _places(search: _Search, w: _Template, first: int, last: int) -> tuple[int, int, int]:
    """Place in the bar's recording of a window at the offset `first`, and the first and last+1 that it covers."""
    begin = first + w.first - search.first
    return begin, max(begin, 0), min(begin + last - first + 1, search.bar.size - w.curve.size + 1)


def _covered(search: _Search, first: int, last: int) -> FloatArray:
    """Number of windows that the bar's recording covers at the offsets first..last of the grid."""
    out = np.zeros(last - first + 1)
    for w in search.templates:
        begin, low, high = _places(search, w, first, last)
        if high > low:
            out[low - begin : high - begin] += 1
    return out


def _correlation(search: _Search, w: _Template, a: int, b: int, blocks: Blocks | None, s: AlignSettings) -> FloatArray:
    """Correlation coefficient of a window with the bar from places a to b-1; 0 where the gain is out of limits."""
    m = w.curve.size
    near = search.bar[a : b + m - 1]
    products = np.correlate(near, w.curve, "valid") if blocks is None else slid(blocks, w.curve)[a:b]
    sums, squares = search.sums, search.squares
    energy = squares[a + m : b + m] - squares[a:b] - (sums[a + m : b + m] - sums[a:b]) ** 2 / m
    y_size = np.sqrt(np.clip(energy, 1e-12 * w.size**2, None))
    r = products / (w.size * y_size)
    gain = r * w.size / y_size
    return np.asarray(np.where((gain >= s.gain_low) & (gain <= s.gain_high), r, 0.0))
