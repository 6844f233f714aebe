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
STANDING_EMPTY_S = 0.9
"""An empty stretch this long, or one at either end of the recording, is an empty plate; a shorter one in between may be
a flight in which a foot drags."""
FLIGHT_TRUST = 3.0
"""A flight alone moves the zero by at most this many of its stated standard uncertainties."""
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
    flight_n : float or None
        Mean force in flights that was too far from the stated zero to be believed.
    times_s : array
        Middle of each stretch; empty when no correction was made.
    counts : array of int
        Samples in each stretch.
    """

    stretches: tuple[tuple[int, int], ...] = ()
    offset_n: float | None = None
    noise_n: float | None = None
    clipped_n: float | None = None
    flight_n: float | None = None
    times_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    counts: FloatArray = field(default_factory=lambda: np.zeros(0))


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First and last+1 index of each run of True."""
    edges = (np.flatnonzero(mask[1:] != mask[:-1]) + 1).tolist()
    if mask.size and mask[0]:
        edges.insert(0, 0)
    if mask.size and mask[-1]:
        edges.append(mask.size)
    return list(zip(edges[::2], edges[1::2], strict=True))


def loaded_level(force_n: FloatArray) -> float:
    """Usual force while somebody stands on the plate, however short that is.

    The (upper) median of what exceeds a fifth of the top. The sign is kept, so that a plate that counts downward shows.
    """
    size = np.abs(force_n)
    nearly_all = int(0.998 * (size.size - 1))
    top = float(np.partition(size, nearly_all)[nearly_all])
    if top <= 0.0:
        return 0.0
    loaded = force_n[size >= 0.2 * top]
    return float(np.partition(loaded, loaded.size // 2)[loaded.size // 2])


def find_unloaded(
    force_n: FloatArray, step_s: float, zero_u_n: float = np.inf, *, loaded_n: float | None = None
) -> ZeroReport:
    """Find where nothing stands on the plate.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        Total vertical force with whatever offset the plate has.
    step_s : float, second
    zero_u_n : float, newton
        Stated standard uncertainty of the zero.
    loaded_n : float, newton, optional
        See `loaded_level`, where it is known already.

    Notes
    -----
    The lowest level is the smallest mean over 0.1 s. It counts as an empty plate when it lies within 12 % of the
    loaded level (`loaded_level`) around zero. A stretch is where the force stays within 25 N or 2 % of the loaded
    level of it, whichever is more, cut by 20 ms at both ends and at least 0.1 s long. Flights alone, in which a foot
    may drag, are believed only within three stated uncertainties of the zero.
    """
    width = max(3, round(SHORTEST_S / step_s))
    if force_n.size < 2 * width:
        return ZeroReport()
    total = np.zeros(force_n.size + 1)
    np.cumsum(force_n, out=total[1:])
    lowest = float((total[width:] - total[:-width]).min()) / width
    loaded = loaded_level(force_n) if loaded_n is None else loaded_n
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
    if np.count_nonzero(values[1:] == values[:-1]) > 0.5 * values.size and (
        float(np.mean(values == np.median(values))) > 0.9
    ):
        above = force_n[force_n > np.median(values)]
        return ZeroReport(tuple(at_rest), float(np.median(values)), 0.0, float(above.min()) if above.size else None)
    empty = any(a == 0 or b == force_n.size or (b - a) * step_s >= STANDING_EMPTY_S for a, b in at_rest)
    if not empty and abs(float(values.mean())) > FLIGHT_TRUST * zero_u_n:
        return ZeroReport(flight_n=float(values.mean()))
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
        corrected = channels - np.stack([np.interp(t_s, times, m) for m in means.T]).T
    return corrected, replace(report, times_s=times, counts=counts)
