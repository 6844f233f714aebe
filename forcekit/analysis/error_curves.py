"""Error curves as coefficients on a few common curves, worked out only where they are read.

A plate of eight channels has some sixty sources of error. Each moves the force by a sum of the channels themselves, a
constant, a straight line in time and blocks that are one here and zero elsewhere; and so are speed and travel sums of
their integrals, since the trapezoid rule is linear. A dozen curves are integrated instead of sixty, and nothing of the
size sources times samples is ever made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from forcekit.mechanics.plate import PlateSignals
from forcekit.model import FloatArray

__all__ = ["ErrorCurve", "PlateBasis", "ResultantErrors", "RunningIntegrals", "StepCurves", "plate_basis"]

Indices = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

BLOCK = 64
"""Samples whose sums are taken together (our choice)."""
ONE_AND_REST = np.column_stack((np.ones(BLOCK), np.arange(BLOCK, 0, -1)))


@dataclass(frozen=True, slots=True, eq=False)
class PlateBasis:
    """Curves that the errors of the plates are sums of.

    Attributes
    ----------
    curves : array, shape (b, n)
        The k channels, one, time since the first sample; for each plate with a ready pressure its channels over its
        force, and the same times the time.
    n_channels : int
    shares : mapping of int to (int, int)
        Number of such a plate -> first curve of its shares, and how many they are.
    """

    curves: FloatArray
    n_channels: int
    shares: dict[int, tuple[int, int]]

    @property
    def n(self) -> int:
        """Number of curves."""
        return int(self.curves.shape[0])

    def on(self, channels: Indices, factors: FloatArray) -> FloatArray:
        """Coefficients (5, b) of factors (5, m) times some channels."""
        out = np.zeros((5, self.n))
        out[:, channels] = factors
        return out

    def each(self, channels: Indices, factors: FloatArray) -> FloatArray:
        """Coefficients (m, 5, b) of factors (5, m) times each of some channels alone."""
        out = np.zeros((channels.size, 5, self.n))
        out[np.arange(channels.size), :, channels] = factors.T
        return out

    def steady(self, zero: FloatArray, at_first: FloatArray, per_second: FloatArray) -> FloatArray:
        """Coefficients (m, 2, 5, b) of a constant, and of a straight line in time, for each column of (5, m)."""
        out = np.zeros((zero.shape[1], 2, 5, self.n))
        out[:, 0, :, self.n_channels] = zero.T
        out[:, 1, :, self.n_channels], out[:, 1, :, self.n_channels + 1] = at_first.T, per_second.T
        return out

    def shared(self, plate: int, constant: FloatArray, per_second: FloatArray) -> FloatArray:
        """Coefficients (5, b) of a straight line in time, factors (5, m), times a plate's channels over its force."""
        first, m = self.shares[plate]
        out = np.zeros((5, self.n))
        out[:, first : first + m], out[:, first + m : first + 2 * m] = constant, per_second
        return out


def plate_basis(signals: PlateSignals, first: int, last: int) -> PlateBasis:
    """Curves of the samples first..last-1 that the errors of the plates are sums of."""
    n, k = last - first, signals.channels.shape[1]
    ready = [i for i, plate in enumerate(signals.plates) if plate.kind == "pressure"]
    counts = {i: int(np.count_nonzero(signals.owner == i)) for i in ready}
    curves = np.empty((k + 2 + 2 * sum(counts.values()), n))
    curves[:k] = signals.channels[first:last].T
    curves[k] = 1.0
    curves[k + 1] = signals.t_s[first:last] - signals.t_s[first]
    shares = {}
    at = k + 2
    for i, m in counts.items():
        mine = np.flatnonzero(signals.owner == i)
        c = curves[mine]
        force = signals.matrix[0, mine] @ c
        share = np.divide(c, force, out=np.zeros_like(c), where=np.abs(force) > 1.0)
        curves[at : at + m], curves[at + m : at + 2 * m] = share, share * curves[k + 1]
        shares[i] = (at, m)
        at += 2 * m
    return PlateBasis(curves, k, shares)


@dataclass(frozen=True, slots=True, eq=False)
class StepCurves:
    """Curves that are one from sample a to b-1 and zero elsewhere, with their trapezoid integrals in closed form.

    ::

        sample       a-1    a    a+1   ...   b-1    b    b+1
        value         0     1     1           1     0     0
        integral      0    1/2   3/2  ... b-a-1/2  b-a   b-a     (steps)

    A block that starts at the first sample has no half step before it.
    """

    start: FloatArray
    end: FloatArray
    length: FloatArray
    lead: FloatArray
    """Half a step before the block; none where it starts at the first sample."""

    @classmethod
    def of(cls, blocks: Sequence[tuple[int, int]]) -> StepCurves:
        """Curves of some blocks, none of them empty."""
        start, end = np.array(blocks, dtype=np.float64).T
        return cls(start, end, end - start, np.where(start > 0.0, 0.5, 0.0))

    @property
    def n(self) -> int:
        """Number of curves."""
        return int(self.start.size)

    def at(self, i: FloatArray, n_integrals: int) -> FloatArray:
        """Value at samples i (0), integral from the first sample to them (1), or the integral of that (2); in steps.

        Parameters
        ----------
        i : array, shape (m, 1)
        n_integrals : int
        """
        m = i - self.start
        if n_integrals == 0:
            return np.asarray((m >= 0.0) & (i < self.end), dtype=np.float64)
        whole = self.length - 0.5 + self.lead
        if n_integrals == 1:
            return np.minimum(np.maximum(m + self.lead, 0.0), whole)
        inside = np.minimum(np.maximum(m, 0.0), self.length - 1.0)
        beyond = np.maximum(m - self.length, 0.0)
        # One step leads from the last sample inside to the first outside, where the integral has its final value.
        out = 0.5 * self.lead * (m >= 0.0) + (whole - 0.25) * (m >= self.length)
        return np.asarray(out + inside * (0.5 * inside + self.lead) + beyond * whole)


@dataclass(frozen=True, slots=True, eq=False)
class RunningIntegrals:
    """Trapezoid integrals of curves from their first sample on, worked out at the samples that are asked for.

    A few instants of a lift are read; sums over blocks of samples lead up to each, so that the integrals need not be
    there for every sample. With S the sum of y and D that of (i + 1 - k)·y over the samples k = 0..i, in steps:
    once = S - (y_0 + y_i)/2, twice = D - ((i + 1) y_0 + S + once)/2.

    Attributes
    ----------
    curves : array, shape (b, n)
    step_s : float, second
    before : array, shape (m + 1, 2, b)
        S and D of all samples before each block.
    known : dict
        Of samples asked for before.
    """

    curves: FloatArray
    step_s: float
    before: FloatArray
    known: dict[int, tuple[FloatArray, FloatArray, FloatArray]] = field(default_factory=dict)

    @classmethod
    def of(cls, curves: FloatArray, step_s: float) -> RunningIntegrals:
        """Integrals of curves of shape (b, n)."""
        b, n = curves.shape
        m = n // BLOCK
        in_block = (curves[:, : m * BLOCK].reshape(b, m, BLOCK) @ ONE_AND_REST).transpose(1, 2, 0)
        before = np.zeros((m + 1, 2, b))
        np.cumsum(in_block[:, 0], axis=0, out=before[1:, 0])
        np.cumsum(in_block[:, 1] + BLOCK * before[:-1, 0], axis=0, out=before[1:, 1])
        return cls(curves, step_s, before)

    def at(self, i: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Values at the samples i and i + 1, and their integrals and those of the integrals; each of shape (2, b)."""
        found = self.known.get(i)
        if found is None:
            q, k = divmod(i + 1, BLOCK)
            values, first = self.curves[:, i : i + 2].T, self.curves[:, 0]
            part = ONE_AND_REST[BLOCK - k :].T @ self.curves[:, q * BLOCK : i + 1].T
            total, rest = part + self.before[q]
            rest += k * self.before[q, 0]
            once, twice = np.empty(values.shape), np.empty(values.shape)
            once[0] = total - 0.5 * (first + values[0])
            once[1] = once[0] + 0.5 * (values[0] + values[1])
            twice[0] = rest - 0.5 * ((i + 1) * first + total + once[0])
            twice[1] = twice[0] + 0.5 * (once[0] + once[1])
            once *= self.step_s
            twice *= self.step_s**2
            found = self.known[i] = values, once, twice
        return found


@dataclass(frozen=True, slots=True, eq=False)
class ErrorCurve:
    """Change of one curve of a lift for each source.

    Attributes
    ----------
    integrals : RunningIntegrals
        Of b curves.
    more : array, shape (e, n)
        Further curves, as they are.
    steps : StepCurves
    factors : array, shape (s, b + e + m)
        Coefficients of the `n_integrals`-fold integrals of the b curves, of the further curves, and of the
        `n_integrals`-fold integrals of the m steps.
    n_integrals : int
    known : dict
        What was asked for before; the same few instants are asked for again and again.
    """

    integrals: RunningIntegrals
    more: FloatArray
    steps: StepCurves
    factors: FloatArray
    n_integrals: int
    known: dict[float, FloatArray] = field(default_factory=dict)

    @property
    def n_samples(self) -> int:
        """Number of samples."""
        return int(self.integrals.curves.shape[1])

    def at(self, place: float) -> FloatArray:
        """Change at a place per source, linear between samples; shape (s,)."""
        found = self.known.get(place)
        if found is None:
            i = min(max(int(place // 1.0), 0), self.n_samples - 2)
            weights = np.array([1.0 - (place - i), place - i])
            parts = (
                weights @ self.integrals.at(i)[self.n_integrals],
                self.more[:, i : i + 2] @ weights,
                weights @ self.steps.at(np.array([[i], [i + 1.0]]), self.n_integrals),
            )
            found = self.factors @ np.concatenate(parts)
            self.known[place] = found
        return found


@dataclass(frozen=True, slots=True, eq=False)
class ResultantErrors:
    """Change of the resultant for each source of the plates.

    Attributes
    ----------
    curves : array, shape (b, n)
    on_curves : array, shape (s, 5, b)
        Coefficients of each row of the resultant.
    """

    curves: FloatArray
    on_curves: FloatArray

    def weighted(self, row: int, first: int, weights: FloatArray) -> FloatArray:
        """Change of a weighted sum of one row over the samples from `first` on, per source; shape (s,)."""
        return np.asarray(self.on_curves[:, row] @ (self.curves[:, first : first + weights.size] @ weights))
