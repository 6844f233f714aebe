r"""A short curve slid along a long one: sums of products by blocks, and a cubic spline between even samples.

::

    signal   |------block------|
                       |------block------|          overlap-save: a block gives the places at which the
                                 |------block-----  whole template still lies within it
    template |---->
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray

__all__ = ["Blocks", "Spline", "blocks_of", "slid", "spline"]


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Spectra of the overlapping blocks of a signal of n samples, for templates of up to `longest` samples."""

    n: int
    longest: int
    size: int
    spectra: np.ndarray[tuple[int, ...], np.dtype[np.complex128]]


def blocks_of(signal: FloatArray, longest: int) -> Blocks:
    """Spectra of the blocks of a signal, to be used for many templates.

    Parameters
    ----------
    signal : array, shape (n,)
    longest : int
        Samples of the longest template.
    """
    # Eight times the template: little is computed twice, and a block stays in the fast memory.
    size = 2 ** math.ceil(math.log2(min(8 * longest, signal.size + longest)))
    hop = size - longest + 1
    n_blocks = max(1, math.ceil(signal.size / hop))
    padded = np.zeros((n_blocks - 1) * hop + size)
    padded[: signal.size] = signal
    parts = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    return Blocks(signal.size, longest, size, np.fft.rfft(parts, axis=1))


def slid(blocks: Blocks, template: FloatArray) -> FloatArray:
    """Sum of products of a template with every stretch of the signal, shape (n - m + 1,).

    Parameters
    ----------
    blocks : Blocks
    template : array, shape (m,)
        At most as long as the blocks are made for, and as the signal.
    """
    spectrum = np.conj(np.fft.rfft(template, blocks.size))
    hop = blocks.size - blocks.longest + 1
    sums = np.fft.irfft(blocks.spectra * spectrum, blocks.size, axis=1)[:, :hop]
    return np.asarray(sums.ravel()[: blocks.n - template.size + 1])


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """Cubic spline through even samples, by its coefficients."""

    start_s: float
    rate_hz: float
    coefficients: FloatArray

    def at(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Values and slopes (per second) at some instants within the samples."""
        c, last = self.coefficients, self.coefficients.size - 2
        place = (t_s - self.start_s) * self.rate_hz
        i = np.clip(np.floor(place).astype(np.int64), 0, last - 2)
        u = place - i
        v = 1.0 - u
        a, b, d, e = c[i], c[i + 1], c[i + 2], c[i + 3]
        value = (v**3 * a + (4.0 - 6.0 * u**2 + 3.0 * u**3) * b + (4.0 - 6.0 * v**2 + 3.0 * v**3) * d + u**3 * e) / 6.0
        slope = (-(v**2) * a + u * (3.0 * u - 4.0) * b + v * (4.0 - 3.0 * v) * d + u**2 * e) / 2.0
        return np.asarray(value), np.asarray(slope * self.rate_hz)


def spline(samples: FloatArray, start_s: float, rate_hz: float) -> Spline:
    """Cubic spline through even samples; at the ends it is mirrored.

    Parameters
    ----------
    samples : array, shape (n,)
    start_s : float, second
        Time of the first sample.
    rate_hz : float

    Notes
    -----
    What a sample contributes falls by 2 - √3 = 0.27 from one sample to the next, so 40 samples away from an end
    nothing is left of how the ends are treated (1e-23).

    References
    ----------
    Unser M., Aldroubi A., Eden M. (1993), B-spline signal processing (from memory): the coefficients by two
    recursive filters, here those of `scipy.ndimage`.
    """
    from scipy.ndimage import spline_filter1d

    inner = spline_filter1d(samples, 3, mode="mirror")
    return Spline(start_s, rate_hz, np.concatenate((inner[1:2], inner, inner[-2:-1])))
