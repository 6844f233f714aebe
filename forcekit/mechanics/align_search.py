"""At which offsets of the bar's clock the windows of the plate fit the bar's recording, and how well.

A part of `align`: here the search over all offsets, there what is made of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.gaussian import HALF_POWER, REACH
from forcekit.mechanics.slide import Blocks, blocks_of, slid
from forcekit.model import FloatArray

__all__ = ["LEAST_LIFTS", "AlignSettings", "Curve", "Scores", "scores"]

Places: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

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
class Curve:
    """An acceleration on an even clock that is smoothed only where it is looked at.

    Attributes
    ----------
    raw : array, shape (n,)
    start_s, rate_hz, cutoff_hz : float
    """

    raw: FloatArray
    start_s: float
    rate_hz: float
    cutoff_hz: float

    @property
    def end_s(self) -> float:
        """Time of the last sample."""
        return self.start_s + (self.raw.size - 1) / self.rate_hz

    def smooth(self, first: int, last: int) -> FloatArray:
        """Smoothed samples first..last-1: the same numbers whatever part is asked for."""
        margin = round(REACH * self._width * self.rate_hz) + 1
        a, b = max(0, first - margin), min(self.raw.size, last + margin)
        return _smoothed(self.raw[a:b], self._width * self.rate_hz)[first - a : last - a]

    def near(self, t_s: FloatArray) -> FloatArray:
        """Smoothed curve at rising instants, linear between samples and constant beyond the ends."""
        place = (t_s[[0, -1]] - self.start_s) * self.rate_hz
        a = int(np.clip(place[0] - 1.0, 0, self.raw.size - 2))
        b = int(np.clip(place[1] + 3.0, a + 2, self.raw.size))
        return np.interp(t_s, self.start_s + np.arange(a, b) / self.rate_hz, self.smooth(a, b))

    def thinned(self, rate_hz: float) -> tuple[FloatArray, FloatArray]:
        """Times and values of the whole curve at a rate not much above the one given: means, smoothed by the rest."""
        k = max(1, int(self.rate_hz / rate_hz))
        n = self.raw.size // k
        means = np.asarray(self.raw[: k * n].reshape(n, k).mean(axis=1), dtype=np.float64)
        # A mean over k samples is as wide as (k² - 1)/12 samples squared.
        width = math.sqrt((self._width * self.rate_hz) ** 2 - (k**2 - 1) / 12.0) / k
        t_s = self.start_s + (0.5 * (k - 1) + k * np.arange(n, dtype=np.float64)) / self.rate_hz
        return np.asarray(t_s, dtype=np.float64), _smoothed(means, width)

    @property
    def _width(self) -> float:
        return HALF_POWER / self.cutoff_hz


def _smoothed(values: FloatArray, width: float) -> FloatArray:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, width, mode="nearest", truncate=REACH))


@dataclass(frozen=True, slots=True, eq=False)
class _Template:
    """A window on the search's grid: its first place, its curve without the mean, its size, and the clocks' play."""

    first: int
    curve: FloatArray
    size: float
    play: int


@dataclass(frozen=True, slots=True)
class _Grid:
    """Places that are multiples of 1/rate: the bar's recording, or a part of it, on them."""

    rate_hz: float
    first: int
    size: int

    @classmethod
    def of(cls, rate_hz: float, bar: Curve) -> _Grid:
        """Places of a whole recording."""
        first = int(np.floor(bar.start_s * rate_hz))
        return cls(rate_hz, first, int(np.ceil(bar.end_s * rate_hz)) - first + 1)

    def times(self) -> FloatArray:
        """Seconds on the bar's clock."""
        return np.asarray(np.arange(self.first, self.first + self.size) / self.rate_hz, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Bar and windows on a grid, with running sums of the bar.

    `energies` are those of all stretches of the bar, without their means, by the stretch's length: windows are alike.
    """

    grid: _Grid
    bar: FloatArray
    sums: FloatArray
    squares: FloatArray
    templates: tuple[_Template, ...]
    energies: dict[int, FloatArray] = field(default_factory=dict)

    def energy(self, m: int) -> FloatArray:
        """Sum of squares of every stretch of m places without its mean."""
        found = self.energies.get(m)
        if found is None:
            found = self.sums[m:] - self.sums[:-m]
            found *= found
            found /= -m
            found += self.squares[m:]
            found -= self.squares[:-m]
            self.energies[m] = np.maximum(found, 1e-300, out=found)
        return found


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


def _templates(
    rate: float, plate: Curve, windows: tuple[tuple[float, float], ...], drift: float
) -> tuple[_Template, ...]:
    """Lay the windows on a grid."""
    centre = np.mean([0.5 * (a + b) for a, b in windows])
    out = []
    for a, b in windows:
        t = np.arange(np.ceil(a * rate), np.floor(b * rate) + 1)
        x = plate.near(t / rate)
        x = x - x.mean()
        out.append(_Template(int(t[0]), x, float(np.sqrt(x @ x)), round(drift * abs(0.5 * (a + b) - centre) * rate)))
    return tuple(out)


def _on_grid(grid: _Grid, signal: FloatArray, templates: tuple[_Template, ...]) -> _Search:
    """Bar on a grid, and its running sums."""
    if signal.size < max(w.curve.size for w in templates):
        raise CannotMeasure(Reason.NOT_ALIGNED, "the bar's recording is shorter than stance and dip on the plate")
    y = signal - signal.mean()
    sums, squares = (np.concatenate(([0.0], np.cumsum(z))) for z in (y, y**2))
    return _Search(grid, y, sums, squares, templates)


def scores(
    plate: Curve, bar: Curve, rate: float, windows: tuple[tuple[float, float], ...], largest: float | None,
    s: AlignSettings,
) -> Scores:  # fmt: skip
    """Mean correlation of the windows at the offsets of a grid; in a long recording closely only where it is good.

    Parameters
    ----------
    plate, bar : Curve
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
    low, high = _span(bar, windows, largest)
    first, last = int(np.floor(low * rate)), int(np.ceil(high * rate))
    every = round(rate / (COARSE_PER_CUTOFF * s.cutoff_hz))
    if last - first < LONG_SEARCH or every < 2:
        grid = _Grid.of(rate, bar)
        fine = _on_grid(grid, bar.near(grid.times()), _templates(rate, plate, windows, s.drift))
        return _scored(grid, np.arange(first, last + 1), fine.templates, _summed(fine, first, last, s))
    first, last = first // every, -(-last // every)
    grid = _Grid.of(rate / every, bar)
    rough = _on_grid(
        grid, np.interp(grid.times(), *bar.thinned(rate)), _templates(grid.rate_hz, plate, windows, s.drift)
    )
    coarse = _scored(grid, np.arange(first, last + 1), rough.templates, _summed(rough, first, last, s))
    places = every * np.arange(first, last + 1)
    close = [
        np.arange(places[max(0, i - 2)], places[min(places.size - 1, i + 2)] + 1)
        for i in _contenders(coarse.fits, round(s.lobe_s * grid.rate_hz))
    ]
    grid = _Grid.of(rate, bar)
    templates = _templates(rate, plate, windows, s.drift)
    # Few runs that rise by themselves: a stable sort merges them, where `np.unique` would take as long as the search.
    offsets = np.sort(np.concatenate([places, *close]), kind="stable")
    offsets = offsets[np.diff(offsets, prepend=offsets[0] - 1) > 0]
    fits = np.interp(offsets, places, coarse.fits)
    for near in close:
        total = _summed_closely(bar, grid, templates, int(near[0]), int(near[-1]), s)
        i = int(np.searchsorted(offsets, near[0]))
        fits[i : i + near.size] = _scored(grid, near, templates, total).fits
    return Scores(offsets / rate, fits, _covered(grid, templates, offsets))


def _scored(grid: _Grid, offsets: Places, templates: tuple[_Template, ...], total: FloatArray) -> Scores:
    """Mean over the covered windows, of at least LEAST_LIFTS, from the sum of their correlations."""
    covered = _covered(grid, templates, offsets)
    return Scores(offsets / grid.rate_hz, total / np.maximum(covered, min(LEAST_LIFTS, len(templates))), covered)


def _summed_closely(
    bar: Curve, grid: _Grid, templates: tuple[_Template, ...], first: int, last: int, s: AlignSettings
) -> FloatArray:
    """Sum of the windows' correlations at a few offsets; only the bar beside the windows is looked at."""
    total = np.zeros(last - first + 1)
    for w in templates:
        a = max(grid.first, first + w.first - w.play)
        b = min(grid.first + grid.size, last + w.first + w.play + w.curve.size)
        if b - a >= w.curve.size:
            near = _Grid(grid.rate_hz, a, b - a)
            total += _summed(_on_grid(near, bar.near(near.times()), (w,)), first, last, s)
    return total


def _contenders(rough: FloatArray, lobe: int) -> list[int]:
    """Peaks of the coarse scores that are good, and the best ones away from the highest."""
    inner = rough[1:-1]
    peaks = np.flatnonzero((inner >= rough[:-2]) & (inner > rough[2:])) + 1
    apart = peaks[np.abs(peaks - int(np.argmax(rough))) > lobe]
    strongest = apart[np.argsort(rough[apart])[-RIVALS:]]
    return sorted({*peaks[rough[peaks] >= CLOSER_FRAC * rough.max()].tolist(), *strongest.tolist()})


def _span(bar: Curve, windows: tuple[tuple[float, float], ...], largest: float | None) -> tuple[float, float]:
    """Smallest and largest offset to try."""
    low, high = bar.start_s - max(b for _, b in windows), bar.end_s - min(a for a, _ in windows)
    if largest is not None:
        low, high = max(low, -largest), min(high, largest)
    if high <= low:
        raise CannotMeasure(Reason.NOT_ALIGNED, "the two recordings do not overlap at any offset that was allowed")
    return float(low), float(high)


def _summed(search: _Search, first: int, last: int, s: AlignSettings) -> FloatArray:
    """Sum of the correlations of all windows at the offsets first..last of the grid."""
    from scipy.ndimage import maximum_filter1d

    total = np.zeros(last - first + 1)
    longest = max(w.curve.size for w in search.templates)
    blocks = blocks_of(search.bar, longest) if total.size > longest else None
    for w in search.templates:
        begin = first + w.first - search.grid.first
        n = search.bar.size - w.curve.size + 1
        low, high = max(begin, 0), min(begin + total.size, n)
        if high <= low:
            continue
        a, b = max(0, begin - w.play), min(n, begin + total.size + w.play)
        r = _correlation(search, w, a, b, blocks, s)
        if w.play:
            r = maximum_filter1d(r, 2 * w.play + 1, mode="nearest")
        total[low - begin : high - begin] += r[low - a : high - a]
    return total


def _covered(grid: _Grid, templates: tuple[_Template, ...], offsets: Places) -> FloatArray:
    """Number of windows that the bar's recording covers at each of some rising offsets of the grid."""
    first = np.sort([grid.first - w.first for w in templates])
    beyond = np.sort([grid.first - w.first + grid.size - w.curve.size + 1 for w in templates])
    count = np.searchsorted(first, offsets, "right") - np.searchsorted(beyond, offsets, "right")
    return count.astype(np.float64)


def _correlation(search: _Search, w: _Template, a: int, b: int, blocks: Blocks | None, s: AlignSettings) -> FloatArray:
    """Correlation coefficient of a window with the bar from places a to b-1; 0 where the gain is out of limits."""
    m = w.curve.size
    near = search.bar[a : b + m - 1]
    products = np.correlate(near, w.curve, "valid") if blocks is None else slid(blocks, w.curve)[a:b]
    energy = search.energy(m)[a:b]
    gain = products / energy
    r = products / np.sqrt(energy)
    r /= w.size
    r[(gain < s.gain_low) | (gain > s.gain_high)] = 0.0
    return np.asarray(r)
