"""The zero of a plate, taken from the stretches in which nothing stands on it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from forcekit.model import BoolArray, FloatArray

__all__ = ["ZeroReport", "apply_zero", "find_unloaded", "runs"]

SHORTEST_S = 0.10
"""An unloaded stretch counts from this length on, edges removed; a jerk's flight gives barely that (our choice)."""
EDGE_S = 0.02
"""Removed at both ends of a stretch: the plate still rings after take-off (our choice)."""
LARGEST_OFFSET_FRAC = 0.12
"""A lowest level further from zero than this part of the loaded level is not taken for an empty plate."""


@dataclass(frozen=True, slots=True, eq=False)
class ZeroReport:
    """What the unloaded stretches say.

    Attributes
    ----------
    stretches : tuple of (int, int)
        First and last+1 sample of each stretch used.
    offset_n : float or None
        Mean total force in them before the correction; None when there is none.
    noise_n : float or None
        Standard deviation of the total force in them.
    clipped_n : float or None
        If the unloaded force is exactly constant: the smallest force ever seen above it, which the exporter
        let through. The zero then cannot be checked.
    times_s : array
        Middle of each stretch; empty when no correction was made.
    counts : array of int
        Samples in each stretch.
    """

    stretches: tuple[tuple[int, int], ...] = ()
    offset_n: float | None = None
    noise_n: float | None = None
    clipped_n: float | None = None
    times_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    counts: FloatArray = field(default_factory=lambda: np.zeros(0))


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First and last+1 index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def find_unloaded(force_n: FloatArray, step_s: float) -> ZeroReport:
    """Find where nothing stands on the plate.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        Total vertical force with whatever offset the plate has.
    step_s : float, second

    Notes
    -----
    The lowest level is the smallest mean over 0.1 s. It counts as an empty plate when it lies within 12 % of the
    loaded level (95th percentile) around zero. A stretch is where the force stays within 25 N or 2 % of the loaded
    level of it, whichever is more, cut by 20 ms at both ends and at least 0.1 s long.
    """
    width = max(3, round(SHORTEST_S / step_s))
    if force_n.size < 2 * width:
        return ZeroReport()
    total = np.concatenate(([0.0], np.cumsum(force_n)))
    means = (total[width:] - total[:-width]) / width
    lowest = float(means.min())
    loaded = float(np.quantile(force_n, 0.95))
    if abs(lowest) > LARGEST_OFFSET_FRAC * loaded:
        return ZeroReport()
    near = np.abs(force_n - lowest) < max(25.0, 0.02 * loaded)
    edge = round(EDGE_S / step_s)
    at_rest: list[tuple[int, int]] = []
    for a, b in runs(near):
        first = a if a == 0 else a + edge
        last = b if b == force_n.size else b - edge
        if last - first >= width and abs(float(force_n[first:last].mean()) - lowest) < 12.0:
            at_rest.append((first, last))
    if not at_rest:
        return ZeroReport()
    values = np.concatenate([force_n[a:b] for a, b in at_rest])
    # A plate has noise. Whole stretches of one and the same number were written by a program that cut small forces.
    if float(np.mean(values == np.median(values))) > 0.9:
        above = force_n[force_n > np.median(values)]
        return ZeroReport(tuple(at_rest), float(np.median(values)), 0.0, float(above.min()) if above.size else None)
    return ZeroReport(tuple(at_rest), float(values.mean()), float(np.std(values)))


def apply_zero(
    channels: FloatArray, t_s: FloatArray, report: ZeroReport, *, keep: BoolArray
) -> tuple[FloatArray, ZeroReport]:
    """Subtract each channel's mean in the unloaded stretches, drawn linearly from one stretch to the next.

    Parameters
    ----------
    channels : array, shape (n, k)
    t_s : array, shape (n,), second
    report : ZeroReport
    keep : array of bool, shape (k,)
        Channels left as they are (products of force and position).

    Returns
    -------
    array, shape (n, k), and the report with the stretches' times and lengths filled in
    """
    if not report.stretches or report.clipped_n is not None:
        return channels, report
    times = np.array([0.5 * (t_s[a] + t_s[b - 1]) for a, b in report.stretches])
    counts = np.array([float(b - a) for a, b in report.stretches])
    means = np.array([channels[a:b].mean(axis=0) for a, b in report.stretches])
    means[:, keep] = 0.0
    if len(times) == 1:
        corrected = channels - means[0]
    else:
        corrected = channels - np.column_stack([np.interp(t_s, times, m) for m in means.T])
    return corrected, replace(report, times_s=times, counts=counts)
