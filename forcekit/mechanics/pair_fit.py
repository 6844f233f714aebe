"""How much of the system's movement in a dip the bar's movement explains, when bar and body may be as soft as they are.

The bar's middle lies on the shoulders and moves with acceleration a. The discs follow on the bending bar, soft parts of
the body follow the bones, both as masses on damped springs: H(a) = -s²/(s² + 2ζω s + ω²) a is what each adds to its own
mass' share of the force::

    a_sys = c + k a(t + shift) + l (m_discs/M) H_bar(a) + m (m_body/M) H_body(a) + ringing from before

k lies near 0.9 (shoulders move 1.1 to 1.3 times as far as the body's centre of mass), l near 1, m is small, and the
bar's natural frequency follows from its load. What no choice of these explains is the other file's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.slide import Spline, spline
from forcekit.model import FloatArray

__all__ = ["FIT_RATE_HZ", "Explained", "disc_share", "explained_by_bar", "predicted_by_bar", "smoothed"]

FIT_RATE_HZ = 250.0
SMOOTH_S = 0.012
"""Width of the Gaussian that both are smoothed with (our choice: feet, hands and steel rattle above 10 Hz)."""
SHAFT_KG = 6.3
"""Steel shaft of 28 mm, 1.31 m between the sleeves: what does not lag."""
SAG_M_PER_N = 1.5e-5
"""How far a disc sinks per newton on its side: a beam of 28 mm steel (E I = 6.2 kN m²) on supports 0.4 m apart with the
load 0.5 m outside them, P L² (2 L + 3 s)/(6 E I). Bars bend in proportion to the load up to 220 kg, and differ from one
another (Chiu 2010, J Strength Cond Res 24:2390-2399, abstract seen)."""
FREQUENCIES = (0.7, 0.85, 1.0, 1.15, 1.3, 1.5)
"""Natural frequencies that are tried, over that of the beam."""
DAMPINGS = (0.03, 0.08, 0.16)
FINER, FINER_DAMPING = (0.93, 0.965, 1.0, 1.035, 1.07), (0.6, 1.0, 1.6)
"""What is tried around the best of these."""
SOFT_HZ, SOFT_DAMPING = 8.0, 0.4
"""Soft parts of leg and trunk (from memory: 4 to 12 Hz, strongly damped)."""
UNKNOWN_SHARE, UNKNOWN_SHARE_U = 0.45, 0.5
"""Part of the load in the system's mass when nobody says it, and how uncertain (relative)."""
LEFT_FRAC, LEFT_MEMORY_S = 0.01, 0.03
"""What is left over is taken as this part of the movement, independent every 30 ms: the weight of the data against the
priors (our choice; the thighs' and shanks' changing shares in a dip alone leave about that)."""
CONSTANT_U_MPS2 = 0.1
GAIN, GAIN_U = 0.9, 0.05
DISCS_U = 0.2
SOFT, SOFT_U = 0.15, 0.15
SHIFT_U_S = 0.010
RINGING_U_MPS2 = 0.5
"""Priors (standard uncertainties): level, gain, share of the discs, of soft parts, misplaced clock, and how strongly
the discs swing when the stretch begins (0.3 to 0.5 mm at 5 to 7 Hz)."""
LARGEST_STEP_S = 0.012
N_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Explained:
    """The best fit of the system's acceleration by the bar's.

    Attributes
    ----------
    left_frac : float
        Standard deviation of what is not explained, over that of the movement; departures of the fit from what bars
        and bodies are like count as if they were left over.
    shift_s : float
        How much later on the bar's clock the movement lies than the clock map says; a bar that bends misleads an
        alignment that takes it for rigid.
    gain, discs, soft : float
        Of the bar's own curve, of the lagging discs (1: as heavy as the load says), of the soft parts.
    bar_hz, damping : float
    """

    left_frac: float
    shift_s: float
    gain: float
    discs: float
    soft: float
    bar_hz: float
    damping: float


def smoothed(values: FloatArray, rate_hz: float) -> FloatArray:
    """Give a curve smoothed as the fit wants it."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, SMOOTH_S * rate_hz, mode="nearest"))


def disc_share(mass_kg: float, load_kg: float | None) -> tuple[float, float, float]:
    """Part of the system's mass that lags with the discs, its relative uncertainty, and the natural frequency (Hz).

    Parameters
    ----------
    mass_kg : float
        Lifter and bar.
    load_kg : float or None
    """
    known = load_kg is not None and 0.0 < load_kg < 0.9 * mass_kg
    load = load_kg if known and load_kg is not None else UNKNOWN_SHARE * mass_kg
    discs = max(load - SHAFT_KG, 1.0)
    hz = math.sqrt(1.0 / (SAG_M_PER_N * 0.5 * max(discs, 5.0))) / (2.0 * math.pi)
    return discs / mass_kg, DISCS_U if known else UNKNOWN_SHARE_U, hz


def explained_by_bar(
    system_mps2: FloatArray,
    bar_mps2: FloatArray,
    window: tuple[int, int],
    *,
    mass_kg: float,
    load_kg: float | None,
    shift_u_s: float = SHIFT_U_S,
) -> Explained:
    """Fit the system's acceleration in a dip by the bar's.

    Parameters
    ----------
    system_mps2, bar_mps2 : array, shape (n,)
        Vertical accelerations at `FIT_RATE_HZ` on one clock, `smoothed`.
    window : (int, int)
        First and last+1 sample: from just before the onset to just after the lowest point, while the bar lies on the
        shoulders.
    mass_kg : float
    load_kg : float or None
        None if nobody said it.
    shift_u_s : float, second
        How far the clocks may be off; the usual figure is for clocks aligned by this very dip.

    Notes
    -----
    Least squares with the priors above, for each natural frequency and damping; the shift by Gauss-Newton steps.
    """
    first, last = window
    curve = spline(bar_mps2, 0.0, FIT_RATE_HZ)
    share, share_u, hz = disc_share(mass_kg, load_kg)
    wanted = system_mps2[first:last]
    size = float(wanted.std())
    scale = LEFT_FRAC * size * math.sqrt(LEFT_MEMORY_S * FIT_RATE_HZ)
    spread = np.array([CONSTANT_U_MPS2, GAIN_U, share_u, shift_u_s, SOFT_U, RINGING_U_MPS2, RINGING_U_MPS2])
    shift = 0.0
    tried = [(factor * hz, damping) for factor in FREQUENCIES for damping in DAMPINGS]
    for i in range(N_ROUNDS):
        moved = np.stack(_moved(curve, first, last, shift, bar_mps2.size))
        soft = (1.0 - share) * _late(moved[0], SOFT_HZ, SOFT_DAMPING)
        mean = np.array([0.0, GAIN, 1.0, -shift, SOFT, 0.0, 0.0])
        designs = _designs(moved, soft, share, np.array(tried))
        misfits, found = _solved(designs, wanted, scale, mean, spread)
        best = int(np.argmin(misfits))
        x, (bar_hz, damping) = found[best], tried[best]
        if i < N_ROUNDS - 1:
            tried = [(f * bar_hz, d * damping) for f in FINER for d in FINER_DAMPING]
            shift += float(np.clip(x[3], -LARGEST_STEP_S, LARGEST_STEP_S))
    n_free = (last - first) / (LEFT_MEMORY_S * FIT_RATE_HZ)
    return Explained(
        left_frac=LEFT_FRAC * math.sqrt(float(misfits[best]) / n_free),
        shift_s=shift,
        gain=float(x[1]),
        discs=float(x[2]),
        soft=float(x[4]),
        bar_hz=bar_hz,
        damping=damping,
    )


def predicted_by_bar(bar_mps2: FloatArray, fit: Explained, *, mass_kg: float, load_kg: float | None) -> FloatArray:
    """System's acceleration as the whole curve of the bar foretells it, shape (n,), on the system's clock.

    Parameters
    ----------
    bar_mps2 : array, shape (n,)
        At `FIT_RATE_HZ`, `smoothed`.
    fit : Explained
        From the dip.
    mass_kg, load_kg : float
        As for the fit.
    """
    share, _, _ = disc_share(mass_kg, load_kg)
    value, _ = _moved(spline(bar_mps2, 0.0, FIT_RATE_HZ), 0, bar_mps2.size, fit.shift_s, bar_mps2.size)
    late = fit.discs * share * _late(value, fit.bar_hz, fit.damping)
    return np.asarray(fit.gain * value + late + fit.soft * (1.0 - share) * _late(value, SOFT_HZ, SOFT_DAMPING))


def _moved(curve: Spline, first: int, last: int, shift_s: float, n: int) -> tuple[FloatArray, FloatArray]:
    """Value and slope of a curve at samples first..last-1, shifted."""
    t = np.clip(np.arange(first, last) / FIT_RATE_HZ + shift_s, 0.0, (n - 1) / FIT_RATE_HZ)
    return curve.at(t)


def _designs(moved: FloatArray, soft: FloatArray, share: float, tried: FloatArray) -> FloatArray:
    """Columns: level, the bar itself, its discs, shift, soft parts, and the discs' swing from before (two).

    `moved` are the bar's value and slope, shape (2, n); `tried` natural frequencies and dampings, shape (k, 2). Shape
    (k, 7, n).
    """
    value, slope = moved
    t = np.arange(value.size) / FIT_RATE_HZ
    omega = 2.0 * math.pi * tried[:, :1]
    out = np.empty((tried.shape[0], 7, value.size))
    out[:, 0], out[:, 1], out[:, 4] = 1.0, value, soft
    dying = share * np.exp(-tried[:, 1:] * omega * t)
    np.multiply(dying, np.cos(omega * t), out=out[:, 5])
    np.multiply(dying, np.sin(omega * t), out=out[:, 6])
    for each, (hz, damping) in zip(out, tried.tolist(), strict=True):
        each[2], late_slope = share * _late(moved, hz, damping)
        each[3] = GAIN * slope + late_slope
    return out


def _solved(
    a: FloatArray, wanted: FloatArray, scale: float, mean: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Least squares with priors for several designs, shape (k, 7, n): sums of squares (k,), and solutions (k, 7)."""
    # So small a product is not worth the threads that a matrix product would wake.
    normal = np.einsum("kin,kjn->kij", a, a) / scale**2 + np.diag(1.0 / spread**2)
    right = np.einsum("kin,n->ki", a, wanted) / scale**2 + mean / spread**2
    x = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    left = (wanted - np.einsum("kin,ki->kn", a, x)) / scale
    return np.einsum("kn,kn->k", left, left) + np.sum(((x - mean) / spread) ** 2, axis=1), np.asarray(x)


def _late(values: FloatArray, hz: float, damping: float) -> FloatArray:
    """Acceleration of a mass on a damped spring against its base, from that of the base; along the last axis."""
    # scipy.signal, which has a filter, takes longer to load than a lift to measure.
    from scipy.linalg.lapack import dtbtrs

    b, a = _filter(hz, damping)
    driven = b[0] * values
    driven[..., 1:] += b[1] * values[..., :-1]
    driven[..., 2:] += b[2] * values[..., :-2]
    # y[i] + a1 y[i-1] + a2 y[i-2] = driven[i] is a lower triangular band of equations.
    band = np.ones((values.shape[-1], 3)) * a
    found, _ = dtbtrs(band.T, driven.reshape(-1, values.shape[-1]).T, uplo="L", overwrite_b=1)
    return np.asarray(found.T.reshape(values.shape))


def _filter(hz: float, damping: float) -> tuple[FloatArray, FloatArray]:
    """Give H(s) = -s²/(s² + 2ζω s + ω²) as a digital filter, with s = k (z - 1)/(z + 1), k twice the rate."""
    k, omega = 2.0 * FIT_RATE_HZ, 2.0 * math.pi * hz
    square = k**2 * np.array([1.0, -2.0, 1.0])
    a = square + 2.0 * damping * omega * k * np.array([1.0, 0.0, -1.0]) + omega**2 * np.array([1.0, 2.0, 1.0])
    return -square / a[0], a / a[0]
