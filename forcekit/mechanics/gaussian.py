"""What all smoothing by a Gaussian shares: it has no delay, so that curves keep their time."""

from __future__ import annotations

__all__ = ["HALF_POWER", "REACH"]

HALF_POWER = 0.1325
"""A Gaussian of this width over a frequency halves the power there: √(ln 2)/(2π), from exp(-4π²σ²f²) = 1/2."""
REACH = 4.0
"""A Gaussian is cut off at so many of its widths; 6e-5 of it lies beyond (our choice, and that of scipy)."""
