"""Numbers that carry their uncertainty, source by source, so that what is shared cancels or adds as it must.

An `Uncertain` is a value and its *parts*: how far it moves when each independent source of error moves by one
standard uncertainty. Two numbers that share a source (two velocities from one weighing) share that part, and
their difference, ratio or product is right without covariances being written anywhere. This is the law of
propagation of uncertainty in first order (JCGM 100:2008, equation 13, with the covariance written as a sum over
sources).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray

__all__ = ["K95", "Interval", "Uncertain", "correlated", "exact", "independent", "monte_carlo"]

K95 = 1.959963984540054
"""Two-sided 95 % factor of the normal distribution."""


class Uncertain:
    """A value with its parts; supports + - * / with numbers and with other `Uncertain`.

    Parameters
    ----------
    value : float
    parts : array, shape (n_sources,)
        Change of the value per one standard uncertainty of each source, in the value's unit.

    Examples
    --------
    >>> w = Uncertain(1500.0, np.array([1.0]))
    >>> (w - w).u
    0.0
    """

    __slots__ = ("parts", "value")

    def __init__(self, value: float, parts: FloatArray) -> None:
        self.value = float(value)
        self.parts = parts

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return float(math.sqrt(float(np.dot(self.parts, self.parts))))

    def moved(self, by: float) -> Uncertain:
        """Return the same parts around a value that is `by` larger."""
        return Uncertain(self.value + by, self.parts)

    def widened(self, u: float) -> Uncertain:
        """Add one more independent source with this standard uncertainty."""
        return Uncertain(self.value, np.append(self.parts, u))

    def __add__(self, other: Uncertain | float) -> Uncertain:
        if isinstance(other, Uncertain):
            a, b = _same_length(self.parts, other.parts)
            return Uncertain(self.value + other.value, a + b)
        return Uncertain(self.value + other, self.parts)

    __radd__ = __add__

    def __neg__(self) -> Uncertain:
        return Uncertain(-self.value, -self.parts)

    def __sub__(self, other: Uncertain | float) -> Uncertain:
        return self + (-other)

    def __rsub__(self, other: float) -> Uncertain:
        return (-self) + other

    def __mul__(self, other: Uncertain | float) -> Uncertain:
        if isinstance(other, Uncertain):
            a, b = _same_length(self.parts, other.parts)
            return Uncertain(self.value * other.value, a * other.value + b * self.value)
        return Uncertain(self.value * other, self.parts * other)

    __rmul__ = __mul__

    def __truediv__(self, other: Uncertain | float) -> Uncertain:
        if isinstance(other, Uncertain):
            a, b = _same_length(self.parts, other.parts)
            ratio = self.value / other.value
            return Uncertain(ratio, (a - ratio * b) / other.value)
        return Uncertain(self.value / other, self.parts / other)

    def __repr__(self) -> str:
        return f"{self.value:.6g} ± {self.u:.2g} (standard uncertainty)"


def _same_length(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    # Sources added later (`widened`) sit at the end and are unknown to the other number. Two numbers widened
    # separately must not be combined: their last sources would be taken for one. Analysis widens last.
    if a.size == b.size:
        return a, b
    n = max(a.size, b.size)
    return np.pad(a, (0, n - a.size)), np.pad(b, (0, n - b.size))


def exact(value: float) -> Uncertain:
    """Return a number without uncertainty."""
    return Uncertain(value, np.zeros(0))


def independent(values: Sequence[float], us: Sequence[float]) -> list[Uncertain]:
    """Return numbers with one source of uncertainty each."""
    return [Uncertain(v, u * np.eye(len(values))[i]) for i, (v, u) in enumerate(zip(values, us, strict=True))]


def correlated(values: Sequence[float], covariance: FloatArray) -> list[Uncertain]:
    """Return numbers whose parts reproduce a covariance matrix (its symmetric square root)."""
    eigenvalues, vectors = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    root = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None))
    return [Uncertain(v, root[i]) for i, v in enumerate(values)]


def function(f: Callable[..., float], *inputs: Uncertain) -> Uncertain:
    """Propagate through any smooth function, with central differences of one standard uncertainty.

    Parameters
    ----------
    f : callable
        Takes as many floats as there are inputs.
    *inputs : Uncertain
        With shared sources.
    """
    n = max(x.parts.size for x in inputs)
    parts = [np.pad(x.parts, (0, n - x.parts.size)) for x in inputs]
    values = [x.value for x in inputs]
    total = np.zeros(n)
    for i, x in enumerate(inputs):
        h = x.u
        if h > 0.0:
            up, down = list(values), list(values)
            up[i] += h
            down[i] -= h
            total += (f(*up) - f(*down)) / (2.0 * h) * parts[i]
    return Uncertain(f(*values), total)


@dataclass(frozen=True, slots=True)
class Interval:
    """Result of a Monte Carlo propagation: mean, standard uncertainty, ends of the 95 % interval."""

    value: float
    u: float
    low: float
    high: float


def monte_carlo(
    f: Callable[..., FloatArray],
    draws: Sequence[Callable[[np.random.Generator, int], FloatArray]],
    *,
    n: int = 1_000_000,
    seed: int = 1,
) -> Interval:
    """Propagate whole distributions through a function (JCGM 101:2008); the judge of the linear propagation.

    Parameters
    ----------
    f : callable
        Takes one array of shape (n,) per input, gives an array of shape (n,).
    draws : sequence of callable
        Each gives n draws of one input from a generator.
    n, seed : int
        Number of draws and seed of the generator.
    """
    rng = np.random.default_rng(seed)
    y = f(*(draw(rng, n) for draw in draws))
    low, high = np.quantile(y, (0.025, 0.975))
    return Interval(float(y.mean()), float(y.std(ddof=1)), float(low), float(high))
