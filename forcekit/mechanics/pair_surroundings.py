"""Whether plate and bar tell the same movement outside the dip: walking out, the recovery, putting the bar down.

The clocks are aligned by the dip, which a dip of another lift may fit, too. What surrounds it has no part in that: if
both are of one lift, it fits at the same alignment; if not, it fits nowhere, or elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.gaussian import HALF_POWER, REACH
from forcekit.model import BoolArray, FloatArray

__all__ = ["Surroundings", "surroundings"]

SLOW_HZ, FAST_HZ = 0.4, 2.0
"""Band of what is compared: below lies the sensor's drift; well above, a loaded bar swings by itself with 4 to 10 Hz,
and after a second nobody knows its phase (our choice)."""
WEIGHT_FRAC = 0.10
"""Only where the mean of half a second is the system's weight within this: lifter and bar stand on the plate with
both feet."""
MOVING_MPS2 = 0.10
"""Only where one of them moves more than this (root mean square over half a second): breathing and heartbeat move the
system by 0.01 to 0.02 m/s², and a bar that rings on a standing lifter need not show at its middle what the plate
feels (our choice)."""
LOCAL_S = 0.5
EVEN_S = 1.0
"""Both are divided by their own size over a second, so that one strong movement does not outweigh the rest."""
NOISE_FACTOR = 2.0
LEAST_S = 1.2
"""Less than this says nothing (our choice)."""
REACH_S = 0.3
"""The best lag is looked for within this."""
PLAY_S = 0.008
"""The alignment of the dip may be off by this."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """How plate and bar agree outside the dip.

    Attributes
    ----------
    correlation : float
        At the alignment of the dip.
    best, best_lag_s : float
        The best correlation within 0.3 s, and its lag.
    moving_s : float
        How long they move there.
    """

    correlation: float
    best: float
    best_lag_s: float
    moving_s: float


def surroundings(
    system_mps2: FloatArray,
    predicted_mps2: FloatArray,
    outside: BoolArray,
    rate_hz: float,
    *,
    gravity_mps2: float,
    system_noise: float,
    bar_noise: float,
) -> Surroundings | None:
    """Compare the system's acceleration outside the dip with what the bar foretells; None where hardly anything moves.

    Parameters
    ----------
    system_mps2, predicted_mps2 : array, shape (n,)
        On one clock; see `pair_fit.predicted_by_bar`.
    outside : array of bool, shape (n,)
        Samples outside dip, drive and catch that both recordings cover.
    rate_hz : float
    gravity_mps2 : float
    system_noise, bar_noise : float
        Noise densities, m/s² per root hertz.
    """
    from scipy.ndimage import uniform_filter1d

    level = uniform_filter1d(system_mps2, max(1, round(LOCAL_S * rate_hz)))
    usable = outside & (np.abs(level) < WEIGHT_FRAC * gravity_mps2)
    if usable.sum() < LEAST_S * rate_hz:
        return None
    curves = [_in_band(v, usable, rate_hz) for v in (system_mps2, predicted_mps2)]
    moving = np.maximum(*(_size(v, usable, LOCAL_S * rate_hz) for v in curves)) > MOVING_MPS2
    usable = usable & moving
    if usable.sum() < LEAST_S * rate_hz:
        return None
    curves = [_in_band(v, usable, rate_hz) for v in (system_mps2, predicted_mps2)]
    floors = [NOISE_FACTOR * noise * math.sqrt(FAST_HZ) for noise in (system_noise, bar_noise)]
    x, y = (
        np.where(usable, v / np.hypot(_size(v, usable, EVEN_S * rate_hz), floor), 0.0)
        for v, floor in zip(curves, floors, strict=True)
    )
    reach, play = round(REACH_S * rate_hz), round(PLAY_S * rate_hz)
    found = _at_lags(x, y, usable, reach)
    best = int(np.argmax(found))
    return Surroundings(
        correlation=float(found[reach - play : reach + play + 1].max()),
        best=float(found[best]),
        best_lag_s=(best - reach) / rate_hz,
        moving_s=float(usable.sum() / rate_hz),
    )


def _in_band(values: FloatArray, usable: BoolArray, rate_hz: float) -> FloatArray:
    """Give the band between the two limits; over what is not usable a straight line is laid first."""
    i = np.arange(values.size)
    whole = np.where(usable, values, np.interp(i, i[usable], values[usable]))
    # The width halves the power at the limit, as in `align`.
    slow, fast = (HALF_POWER * rate_hz / f for f in (SLOW_HZ, FAST_HZ))
    margin = round(REACH * slow)
    # So wide a filter is worth a Fourier transform; beyond the ends the first and the last value go on.
    padded = np.pad(whole, margin, mode="edge")
    n = 2 ** math.ceil(math.log2(padded.size + margin))
    spectrum = np.fft.rfft(_bell(fast, margin) - _bell(slow, margin), n) * np.fft.rfft(padded, n)
    return np.asarray(np.fft.irfft(spectrum, n)[2 * margin : 2 * margin + values.size])


def _bell(width: float, margin: int) -> FloatArray:
    """Gaussian of some width (samples) and sum one, cut off at REACH widths, shape (2 margin + 1,)."""
    place = np.arange(-margin, margin + 1)
    bell = np.where(np.abs(place) <= round(REACH * width), np.exp(-0.5 * (place / width) ** 2), 0.0)
    return np.asarray(bell / bell.sum())


def _size(values: FloatArray, usable: BoolArray, width: float) -> FloatArray:
    """Root mean square of the usable values around each sample."""
    from scipy.ndimage import uniform_filter1d

    n = max(1, round(width))
    square = np.clip(uniform_filter1d(np.where(usable, values**2, 0.0), n), 0.0, None)
    return np.asarray(np.sqrt(square / np.clip(uniform_filter1d(usable.astype(np.float64), n), 0.05, None)))


def _at_lags(x: FloatArray, y: FloatArray, usable: BoolArray, reach: int) -> FloatArray:
    """Correlation of x with y up to `reach` samples earlier and later, where both are usable; they are zero elsewhere.

    0 where less than half of it is left.
    """
    mask = usable.astype(np.float64)

    def shifted(first: FloatArray, second: FloatArray) -> FloatArray:
        return np.correlate(np.pad(second, reach), first, "valid")

    product, size = shifted(x, y), np.sqrt(np.maximum(shifted(x**2, mask) * shifted(mask, y**2), 1e-300))
    enough = shifted(mask, mask) > 0.5 * mask.sum() - 0.5
    return np.asarray(np.where(enough, product / size, 0.0))
