"""The published ways to sum up quiet standing, as their formulas are printed; nothing of forcekit is in them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def ellipse_area(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> float:
    """Area of the 95 % prediction ellipse: pi sqrt(l1 l2) 2 (n-1)(n+1)/(n (n-2)) F(0.95; 2, n-2)."""
    from scipy.stats import f

    n = x.size
    scale = 2.0 * (n - 1) * (n + 1) / (n * (n - 2)) * float(f.ppf(0.95, 2, n - 2))
    return float(np.pi * np.sqrt(np.linalg.det(np.cov(x, y))) * scale)


def mean_speed(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], seconds: float) -> float:
    """Length of the path over the time."""
    return float(np.sum(np.hypot(np.diff(x), np.diff(y)))) / seconds
