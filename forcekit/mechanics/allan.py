"""Allan deviation of a long still recording and the noise figures of the sensor in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.model import FloatArray

__all__ = ["AllanCurve", "Figure", "NoiseFigures", "allan_deviation", "noise_figures"]

INSTABILITY_FACTOR = math.sqrt(2.0 * math.log(2.0) / math.pi)
"""Flat part of the Allan deviation over the bias instability, 0.664 (IEEE Std 952; from memory)."""

ROUNDS = 30
"""Of the weighted fit; it is at rest after about ten."""


@dataclass(frozen=True, slots=True, eq=False)
class AllanCurve:
    """Overlapping Allan deviation.

    Attributes
    ----------
    tau_s, deviation, u : array, shape (k,)
        Averaging time, deviation in the unit of the readings, and its standard uncertainty.
    freedom : array, shape (k,)
        Equivalent degrees of freedom.
    """

    tau_s: FloatArray
    deviation: FloatArray
    u: FloatArray
    freedom: FloatArray


@dataclass(frozen=True, slots=True)
class Figure:
    """One noise figure with its standard uncertainty; `seen` False means that `value` is an upper 95 % limit."""

    value: float
    u: float
    seen: bool


@dataclass(frozen=True, slots=True)
class NoiseFigures:
    """White noise (unit per root hertz: σ = white·√rate), bias instability (unit), random walk (unit per √s)."""

    white: Figure
    instability: Figure
    walk: Figure


def allan_deviation(values: FloatArray, rate_hz: float, *, counts: tuple[int, ...] | None = None) -> AllanCurve:
    """Overlapping Allan deviation of evenly sampled readings.

    Parameters
    ----------
    values : array, shape (n,)
        Readings of one axis of a sensor at rest ("frequency data").
    rate_hz : float
    counts : tuple of int, optional
        Numbers of samples averaged; powers of two up to a fifth of the recording if left out.

    Notes
    -----
    With the running sum x (n + 1 points) and τ = m/rate,
    σ²(τ) = Σ (x[i+2m] - 2 x[i+m] + x[i])² / (2 m² (n + 1 - 2m)). The degrees of freedom are the smaller of those for
    white noise and for a random walk of the reading, so that the uncertainty is right at both ends of the curve.

    References
    ----------
    Riley WJ (2008), Handbook of Frequency Stability Analysis, NIST Special Publication 1065: overlapping Allan
    variance and its degrees of freedom (formulas from memory; its worked values are in the tests).
    """
    n = values.size
    if counts is None:
        counts = tuple(2**k for k in range(max(1, int(math.log2(max(2.0, n / 5.0))) + 1)))
    if n < 3 or max(counts) * 2 > n:
        raise ValueError(f"{n} readings are too few to average {max(counts)} of them")
    # The mean does not change the result; taken off it keeps the running sum small and so exact.
    x = np.concatenate(([0.0], np.cumsum(values - values.mean())))
    m = np.array(counts)
    variance = np.array(
        [np.sum((x[2 * k :] - 2.0 * x[k:-k] + x[: -2 * k]) ** 2) / (2.0 * k**2 * (n + 1 - 2 * k)) for k in counts]
    )
    points = n + 1
    white = (1.5 * (points - 1) / m - 2.0 * (points - 2) / points) * 4.0 * m**2 / (4.0 * m**2 + 5.0)
    walk = (points - 2) / m * ((points - 1) ** 2 - 3.0 * m * (points - 1) + 4.0 * m**2) / max(1.0, (points - 3.0) ** 2)
    freedom = np.maximum(1.0, np.minimum(white, walk))
    deviation = np.sqrt(variance)
    return AllanCurve(m / rate_hz, deviation, deviation / np.sqrt(2.0 * freedom), freedom)


def noise_figures(curve: AllanCurve) -> NoiseFigures:
    """White noise, bias instability and random walk from an Allan curve.

    Parameters
    ----------
    curve : AllanCurve
        At octaves of averaging time, so that its points are nearly independent.

    Notes
    -----
    σ²(τ) = N²/τ + (0.664 B)² + K² τ/3, fitted to the variances by non-negative least squares with weights from the
    fitted curve, repeated (the maximum-likelihood estimate for variances with chi-square errors). The covariance is
    doubled, because neighbouring octaves of an overlapping estimate share much of their data (in simulated random
    walks the scatter is 1.5 times what independence would give). A part smaller than twice its standard uncertainty
    is given as an upper limit: a recording of ten minutes shows white noise well and rarely a random walk.

    Raises
    ------
    CannotMeasure
        `Reason.NO_STANCE` when there are fewer than five points: the recording is too short.

    References
    ----------
    IEEE Std 952-1997, slopes -1/2, 0, +1/2 and the factors 1, 0.664, 1/√3 (from memory, not seen).
    """
    from scipy.optimize import nnls

    if curve.tau_s.size < 5:
        raise CannotMeasure(
            Reason.NO_STANCE, "the still recording is too short for noise figures; record ten minutes or more"
        )
    design = np.column_stack([1.0 / curve.tau_s, np.full(curve.tau_s.size, INSTABILITY_FACTOR**2), curve.tau_s / 3.0])
    variance = curve.deviation**2
    # Weights from the measured variances would favour the ones that came out small by chance; from the first round
    # on they come from the fit.
    expected = variance[0] * curve.tau_s[0] / curve.tau_s
    for _ in range(ROUNDS):
        weight = np.sqrt(curve.freedom / 2.0) / expected
        parts, _ = nnls(design * weight[:, None], variance * weight)
        expected = np.maximum(design @ parts, 1e-3 * variance)
    weight = np.sqrt(curve.freedom / 2.0) / expected
    covariance = np.linalg.inv((design * weight[:, None]).T @ (design * weight[:, None]))
    return NoiseFigures(*(_figure(p, math.sqrt(2.0 * c)) for p, c in zip(parts, np.diag(covariance), strict=True)))


def _figure(power: float, u_power: float) -> Figure:
    """Square root of a power with its uncertainty, or an upper limit when it is not significant."""
    if power < 2.0 * u_power:
        return Figure(math.sqrt(max(power, 0.0) + 1.645 * u_power), math.sqrt(u_power), False)
    return Figure(math.sqrt(power), 0.5 * u_power / math.sqrt(power), True)
