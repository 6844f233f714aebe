"""What the daily checks of a plate say together: its drift, and when a new calibration is due."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forcekit.errors import InputError
from forcekit.numbers import signed

__all__ = ["CheckTrend", "check_trend"]

DAYS_A_MONTH = 30.0

DUE_FRAC = 0.01
"""A plate is due for calibration before its error reaches this (1 %, the limit of the daily check; our choice)."""

LEAST_CHECKS = 3


@dataclass(frozen=True, slots=True)
class CheckTrend:
    """Drift of a plate's error over its daily checks.

    Attributes
    ----------
    per_month_frac, per_month_u_frac : float or None
        Drift in 30 days and its standard uncertainty; None with fewer than three checks on different days.
    drifts : bool
        The drift is certain: beyond twice its uncertainty.
    due_in_days : float or None
        Days until the error reaches `DUE_FRAC` if it goes on like this, 0 where it is beyond; None while no drift is
        certain.
    sentence : str
    """

    per_month_frac: float | None
    per_month_u_frac: float | None
    drifts: bool
    due_in_days: float | None
    sentence: str


def check_trend(day: npt.ArrayLike, error_frac: npt.ArrayLike, error_u_frac: npt.ArrayLike) -> CheckTrend:
    """Weighted straight line through the errors of the daily checks.

    Parameters
    ----------
    day : array, shape (n,), day
        When each check was made; in any order.
    error_frac, error_u_frac : array, shape (n,)
        Relative error of the known mass and its standard uncertainty, from `daily_check`.

    Notes
    -----
    If the checks scatter more than their uncertainties say, the uncertainty of the drift is widened by that. What
    all checks share (the same disc, the same gains) does not touch the drift.
    """
    t, y, u = (np.asarray(v, np.float64) for v in (day, error_frac, error_u_frac))
    if not (t.shape == y.shape == u.shape) or t.ndim != 1:
        raise ValueError("day, error_frac and error_u_frac must be one-dimensional and of equal length")
    if np.any(u <= 0.0) or not np.all(np.isfinite(np.concatenate([t, y, u]))):
        raise InputError("a daily check has no uncertainty or is no number; leave that check out of the history.")
    if t.size < LEAST_CHECKS or np.unique(t).size < LEAST_CHECKS:
        checks = "1 check" if t.size == 1 else f"{t.size} checks"
        return CheckTrend(None, None, False, None, f"{checks} so far; a drift needs checks on {LEAST_CHECKS} days.")
    w = 1.0 / u**2
    middle = float(np.average(t, weights=w))
    spread = float(np.sum(w * (t - middle) ** 2))
    slope = float(np.sum(w * (t - middle) * y)) / spread
    level = float(np.average(y, weights=w))
    rest = (y - level - slope * (t - middle)) / u
    widen = max(float(np.sum(rest**2)) / (t.size - 2), 1.0)
    slope_u = float(np.sqrt(widen / spread))
    month, month_u = slope * DAYS_A_MONTH, slope_u * DAYS_A_MONTH
    said = f"{signed(100 * month, 2)} % a month (u {100 * month_u:.2f} %)"
    if abs(slope) <= 2.0 * slope_u:
        return CheckTrend(month, month_u, False, None, f"no certain drift: {said}.")
    now = level + slope * (float(t.max()) - middle)
    # Beyond the limit it is due now, even where it drifts back.
    due = 0.0 if abs(now) >= DUE_FRAC else (DUE_FRAC - now * np.sign(slope)) / abs(slope)
    when = "is due now" if round(due) == 0 else f"is due in about {due:.0f} day{'s' * (round(due) != 1)}"
    return CheckTrend(month, month_u, True, float(due), f"the plate drifts by {said}; a new calibration {when}.")
