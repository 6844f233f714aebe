"""One clock in terms of another: offset, drift, and how sure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.model import FloatArray

__all__ = ["ClockBy", "ClockMap", "fit_clock", "shared_clock"]

ClockBy = Literal["stamps", "movement", "knocks"]

DRIFT_U = 5e-5
"""Standard uncertainty of the drift between two free-running clocks before it is seen: 50 ppm each way covers
crystals good to 20-50 ppm (usual data-sheet figures; from memory)."""


@dataclass(frozen=True, slots=True)
class ClockMap:
    """What the bar's clock shows when the plate's shows t: t + offset + drift · (t - reference).

    Attributes
    ----------
    offset_s, drift : float
        `drift` is positive when the bar's clock runs fast (1e-6 is 1 ppm).
    reference_s : float
        On the plate's clock; offset and drift are uncorrelated there.
    offset_u_s, drift_u : float
        Standard uncertainties.
    confidence : float
        Probability that the right one of all possible matches was taken, from 0 to 1.
    by : {"stamps", "movement", "knocks"}
        What the map rests on.
    how : str
        One sentence for the reader.
    """

    offset_s: float
    drift: float
    reference_s: float
    offset_u_s: float
    drift_u: float
    confidence: float
    by: ClockBy
    how: str

    def to_bar(self, plate_t_s: FloatArray) -> FloatArray:
        """Times of the plate on the bar's clock."""
        t = np.asarray(plate_t_s, dtype=np.float64)
        return np.asarray(t + self.offset_s + self.drift * (t - self.reference_s))

    def to_plate(self, bar_t_s: FloatArray) -> FloatArray:
        """Times of the bar on the plate's clock."""
        t = np.asarray(bar_t_s, dtype=np.float64)
        return np.asarray((t - self.offset_s + self.drift * self.reference_s) / (1.0 + self.drift))

    def u_at(self, plate_t_s: float) -> float:
        """Standard uncertainty of the map at an instant (s)."""
        return math.hypot(self.offset_u_s, self.drift_u * (plate_t_s - self.reference_s))


def shared_clock(offset_s: float = 0.0, drift: float = 0.0, *, u_s: float, reference_s: float = 0.0) -> ClockMap:
    """Map of two sensors that were stamped by one host, whose offset and drift are known.

    Parameters
    ----------
    offset_s, drift : float
        See `ClockMap`.
    u_s : float, second
        Standard uncertainty of a stamp: transport jitter that was not averaged out.
    reference_s : float, second
    """
    return ClockMap(offset_s, drift, reference_s, u_s, 0.0, 1.0, "stamps", "both sensors were stamped by one clock")


def fit_clock(
    plate_t_s: FloatArray,
    offsets_s: FloatArray,
    offsets_u_s: FloatArray,
    *,
    common_u_s: float,
    confidence: float,
    by: ClockBy,
    how: str,
    drift_u: float = DRIFT_U,
) -> ClockMap:
    """Draw a line through offsets seen at several times.

    Parameters
    ----------
    plate_t_s, offsets_s, offsets_u_s : array, shape (k,)
        When on the plate's clock, bar's clock minus plate's, and standard uncertainty of each by itself.
    common_u_s : float, second
        Standard uncertainty that all of them share, which no number of marks makes smaller.
    confidence, by, how
        As in `ClockMap`.
    drift_u : float
        Standard uncertainty of the drift around zero before it is seen; a single mark leaves it as it is.

    Notes
    -----
    Weighted least squares with the prior on the drift. The offset is given at the weighted mean time, where it is
    independent of the drift. If the offsets scatter more than their uncertainties say, these grow by that factor
    (Birge ratio).
    """
    w = 1.0 / offsets_u_s**2
    middle = float(np.sum(w * plate_t_s) / np.sum(w))
    away = plate_t_s - middle
    offset = float(np.sum(w * offsets_s) / np.sum(w))
    spread = float(np.sum(w * away**2))
    drift = float(np.sum(w * away * (offsets_s - offset))) / (spread + 1.0 / drift_u**2)
    left = offsets_s - offset - drift * away
    free = plate_t_s.size - 2
    birge = max(1.0, math.sqrt(float(np.sum(w * left**2)) / free)) if free > 0 else 1.0
    return ClockMap(
        offset_s=offset,
        drift=drift,
        reference_s=middle,
        offset_u_s=math.hypot(common_u_s, birge / math.sqrt(float(np.sum(w)))),
        drift_u=1.0 / math.sqrt(spread / birge**2 + 1.0 / drift_u**2),
        confidence=confidence,
        by=by,
        how=how,
    )
