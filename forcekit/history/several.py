"""Several measures tested at once with one false-alarm rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forcekit.history.loads import LEAST_REPS, LEAST_REPS_LOAD, choose_reps
from forcekit.history.regression import ROUNDING_FRAC
from forcekit.history.wording import Wording, interval_text, join_words, load_text, number_text, wording
from forcekit.model import BoolArray, FloatArray

__all__ = ["NO_SCATTER", "Comparison", "JointTest", "MeasureCompared", "compare_many", "holm", "joint_test", "scatters"]

NO_SCATTER = "repeated reps do not scatter, so chance cannot be judged"
ALPHA = 0.05
"""Chance of any false alarm when nothing differs."""
N_ROTATIONS = 9999
"""Random rotations; the standard error of a p-value of 0.05 is then 0.002."""


def holm(p: FloatArray) -> FloatArray:
    """P-values adjusted by Holm's step-down rule: the chance of any false alarm stays below the level.

    Parameters
    ----------
    p : array, shape (m,)

    References
    ----------
    Holm, S. (1979), A simple sequentially rejective multiple test procedure, Scand J Statist 6:65-70 (not
    seen).

    Examples
    --------
    >>> [float(q) for q in holm(np.array([0.01, 0.04, 0.03]))]
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(p)
    stepped = np.maximum.accumulate((p.size - np.arange(p.size)) * p[order])
    adjusted = np.empty_like(p, dtype=np.float64)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


@dataclass(frozen=True, slots=True, eq=False)
class JointTest:
    """One effect tested in m measures at once.

    Attributes
    ----------
    estimate, standard_error, t, p, p_joint : array, shape (m,)
        `p` is for the measure alone, `p_joint` with the false-alarm rate held over all of them.
    df : int
    factor_joint : float
        Multiple of the standard error whose intervals hold for all measures together in 95 % of cases.
    factor_stepped : array, shape (m,)
        The multiple beyond which each measure differs once all that are further out do; `factor_joint` or less.
    """

    estimate: FloatArray
    standard_error: FloatArray
    t: FloatArray
    p: FloatArray
    p_joint: FloatArray
    df: int
    factor_joint: float
    factor_stepped: FloatArray


def joint_test(y: FloatArray, nuisance: FloatArray, effect: FloatArray, *, seed: int = 1) -> JointTest:
    """Test one effect in all columns of y at once; exact for normal data of any correlation.

    Parameters
    ----------
    y : array, shape (n, m)
        One row per rep, one column per measure; no NaN.
    nuisance : array, shape (n, p)
        Columns allowed for, such as ones and the load.
    effect : array, shape (n,)
        The column tested, such as 1 for the new rep and 0 for the old.
    seed : int
        Of the rotations, so that the same data give the same answer.

    Raises
    ------
    ValueError
        If the rows cannot tell the effect from `nuisance`, or a column of y does not scatter (see `scatters`).

    Notes
    -----
    The part of y that `nuisance` cannot explain has, if there is no effect, a distribution that no rotation
    of the reps changes. Rotating it at random gives the distribution of the largest |t| with the measures'
    own correlation, without estimating that correlation, and so for fewer reps than measures too. `p_joint`
    steps down from the largest |t|: each measure is held against the largest of those not larger than it.

    References
    ----------
    Langsrud, Ø. (2005), Rotation tests, Statistics and Computing 15:53-60 (not seen, method from memory).
    Westfall, P. H. and Young, S. S. (1993), Resampling-based multiple testing (step-down; from memory).
    """
    from scipy import stats

    n, m = y.shape
    span = _span(nuisance)
    df = n - span.shape[1] - 1
    direction = _beyond(effect[:, None], span)[:, 0]
    length = float(np.linalg.norm(direction))
    if df < 1 or length < 1e-10:
        raise ValueError("the effect cannot be told from the nuisance columns with so few rows")
    if not scatters(y, nuisance, effect).all():
        raise ValueError("a column of y does not scatter about nuisance and effect")
    free = _beyond(y, span)
    along = (direction / length) @ free
    rest = free - np.outer(direction / length, along)
    se = np.sqrt(np.einsum("ij,ij->j", rest, rest) / df) / length
    t = along / length / se
    p = 2.0 * stats.t.sf(np.abs(t), df)
    if m == 1:
        factor = float(stats.t.ppf(1.0 - ALPHA / 2.0, df))
        return JointTest(along / length, se, t, p, p.copy(), df, factor, np.array([factor]))
    p_joint, factors = _step_down(t**2, _null_t_squared(free, df, seed))
    return JointTest(along / length, se, t, p, p_joint, df, float(factors.max()), factors)


def scatters(y: FloatArray, nuisance: FloatArray, effect: FloatArray) -> BoolArray:
    """Whether each column of y scatters about what nuisance and effect explain; without scatter there is no test.

    Parameters
    ----------
    y, nuisance, effect : array
        As for `joint_test`.

    Returns
    -------
    array of bool, shape (m,)
    """
    rest = _beyond(y, _span(np.column_stack([nuisance, effect])))
    told: BoolArray = np.abs(rest).max(axis=0) > ROUNDING_FRAC * np.abs(y).max(axis=0)
    return told


def _span(columns: FloatArray) -> FloatArray:
    """Orthonormal columns that span the same space; fewer where some depend on the others."""
    left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    kept: FloatArray = left[:, sizes > sizes[0] * max(columns.shape) * np.finfo(np.float64).eps]
    return kept


def _beyond(y: FloatArray, span: FloatArray) -> FloatArray:
    """Part of the columns of y that orthonormal columns do not explain."""
    return y - span @ (span.T @ y)


def _null_t_squared(free: FloatArray, df: int, seed: int) -> FloatArray:
    """t² of each measure without an effect; shape (rotations, m).

    Only the lengths of the columns and the angles between them matter. They are kept in a space of m dimensions, so
    that a thousand reps cost no more than ten.
    """
    unit = free / np.sqrt(np.einsum("ij,ij->j", free, free))
    _, sizes, right = np.linalg.svd(unit, full_matrices=False)
    k = min(df + 1, unit.shape[1])
    # einsum and not @: so small a product is not worth the threads of a matrix library
    explained = np.einsum("ij,jk->ik", _rotations(df + 1, k, seed), sizes[:k, None] * right[:k]) ** 2
    found: FloatArray = explained / (1.0 - explained) * df
    return found


@lru_cache(maxsize=16)
def _rotations(n_free: int, k: int, seed: int) -> FloatArray:
    """First k components of random directions in n_free dimensions; the same for all comparisons of one size."""
    random = np.random.default_rng(seed)
    turned = random.standard_normal((N_ROTATIONS, k))
    squares = np.einsum("ij,ij->i", turned, turned)
    if n_free > k:
        squares += random.chisquare(n_free - k, N_ROTATIONS)
    turned /= np.sqrt(squares)[:, None]
    turned.setflags(write=False)
    return turned


def _step_down(t_squared: FloatArray, null: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Joint p-values from the largest statistic down, and the |t| each must pass; shapes (m,) and (rotations, m)."""
    order = np.argsort(t_squared)
    running = np.maximum.accumulate(null[:, order], axis=1)
    raw = (1.0 + np.count_nonzero(running >= t_squared[order], axis=0)) / (null.shape[0] + 1.0)
    joint = np.empty(t_squared.size)
    joint[order] = np.maximum.accumulate(raw[::-1])[::-1]
    factors = np.empty(t_squared.size)
    factors[order] = np.sqrt(np.quantile(running, 1.0 - ALPHA, axis=0, method="higher"))
    return joint, factors


@dataclass(frozen=True, slots=True)
class MeasureCompared:
    """One measure of the new rep among several; the range holds for all together, narrower only where it differs."""

    measure: str
    value: float
    centre: float
    low: float
    high: float
    p: float
    p_joint: float
    differs: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A new rep against the athlete's earlier reps in several measures at once.

    Attributes
    ----------
    measures : tuple of MeasureCompared
        In the order given.
    left_out : mapping of str to str
        Measures not compared, and why.
    """

    n: int
    measures: tuple[MeasureCompared, ...]
    left_out: Mapping[str, str]
    sentence: str

    @property
    def different(self) -> tuple[MeasureCompared, ...]:
        """The measures that differ, the surest first."""
        return tuple(sorted((m for m in self.measures if m.differs), key=lambda m: m.p_joint))


def compare_many(
    new: Mapping[str, float],
    old: Mapping[str, FloatArray],
    *,
    loads_kg: FloatArray | None = None,
    load_kg: float | None = None,
    units: Mapping[str, str] | None = None,
    words: Mapping[str, Wording] | None = None,
    seed: int = 1,
) -> Comparison:
    """Which of several measures of a new rep differ from usual; any false alarm at all in 5 % of usual reps.

    Parameters
    ----------
    new : mapping of str to float
        Measures of the new rep in SI units.
    old : mapping of str to array, shape (n,)
        The same measures of earlier reps, NaN where withheld.
    loads_kg, load_kg : array and float, optional
        With both, only reps that `loads.choose_reps` allows are used, with a line over load where it says so.

    Notes
    -----
    Only reps that have all compared measures count; a measure that more than half of the earlier reps lack
    is left out and named. See `joint_test` for the method.
    """
    units, words = units or {}, words or {}
    said = {name: words.get(name) or wording(name, units.get(name, "")) for name in new}
    rows, with_line, why = _rows_near(old, loads_kg, load_kg)
    names, left_out = _comparable(new, old, rows)
    measured = np.ones(rows.size, dtype=np.bool_)
    for name in names:
        measured &= np.isfinite(old[name])
    if loads_kg is not None and not measured.all():
        # The load must lie among those of the reps that are used: a line through the others would be extrapolated.
        rows, with_line, why = _rows_near(old, np.where(measured, loads_kg, np.nan), load_kg)
    complete = rows & measured
    n = int(np.count_nonzero(complete))
    least = LEAST_REPS_LOAD if with_line else LEAST_REPS
    if not names or n < least:
        why = why or f"{n} earlier reps with all these measures, at least {least} are needed"
        return Comparison(n, (), left_out | dict.fromkeys(names, why), f"Not compared with usual: {why}.")
    y = np.column_stack([np.append(old[name][complete], new[name]) for name in names])
    nuisance = np.ones((n + 1, 1))
    if with_line and loads_kg is not None and load_kg is not None:
        nuisance = np.column_stack([nuisance, np.append(loads_kg[complete], load_kg)])
    effect = np.append(np.zeros(n), 1.0)
    scattered = scatters(y, nuisance, effect)
    left_out |= {name: NO_SCATTER for name, does in zip(names, scattered, strict=True) if not does}
    names = [name for name in names if name not in left_out]
    if not names:
        return Comparison(n, (), left_out, f"Not compared with usual: {NO_SCATTER}.")
    test = joint_test(y[:, scattered], nuisance, effect, seed=seed)
    at = "" if load_kg is None else f" at {load_text(load_kg)}"
    found = tuple(_compared(name, float(new[name]), test, i, said[name], (at, n)) for i, name in enumerate(names))
    return Comparison(n, found, left_out, _summary(found, said, n, at))


def _compared(
    name: str, value: float, test: JointTest, i: int, words: Wording, at_n: tuple[str, int]
) -> MeasureCompared:
    centre = value - float(test.estimate[i])
    differs = bool(test.p_joint[i] <= ALPHA)
    half = float((test.factor_stepped[i] if differs else test.factor_joint) * test.standard_error[i])
    text = "as usual" if not differs else f"{words.higher if value > centre else words.lower} than usual"
    shown = number_text(value, words, 2.0 * half)
    band = interval_text(centre - half, centre + half, words)
    sentence = f"{words.label} {shown}; usual{at_n[0]} {band} from {at_n[1]} reps: {text}."
    p, joint = float(test.p[i]), float(test.p_joint[i])
    return MeasureCompared(name, value, centre, centre - half, centre + half, p, joint, differs, sentence)


def _summary(found: tuple[MeasureCompared, ...], said: Mapping[str, Wording], n: int, at: str) -> str:
    out = sorted((m for m in found if m.differs), key=lambda m: m.p_joint)
    of = f"{len(found)} measure{'' if len(found) == 1 else 's'} compared with {n} earlier reps{at}"
    if not out:
        return f"As usual: {of}, {'it does not differ' if len(found) == 1 else 'none differs'}."
    parts = [f"{said[m.measure].label} {_way(m, said[m.measure])}" for m in out]
    return f"Different from usual: {join_words(parts)} ({of})."


def _way(m: MeasureCompared, words: Wording) -> str:
    return words.higher if m.value > m.centre else words.lower


def _rows_near(
    old: Mapping[str, FloatArray], loads_kg: FloatArray | None, load_kg: float | None
) -> tuple[BoolArray, bool, str]:
    """Reps to compare with, whether a line over load is used, and why there are none."""
    size = next(iter(old.values())).size if old else 0
    everyone = np.ones(size, dtype=np.bool_)
    if loads_kg is None or load_kg is None:
        return everyone, False, ""
    chosen = choose_reps(loads_kg, load_kg)
    return chosen.rows, chosen.with_line, chosen.withheld or ""


def _comparable(
    new: Mapping[str, float], old: Mapping[str, FloatArray], rows: BoolArray
) -> tuple[list[str], dict[str, str]]:
    """Names measured in the new rep and in at least half of the earlier ones."""
    names: list[str] = []
    left_out: dict[str, str] = {}
    total = int(np.count_nonzero(rows))
    for name, value in new.items():
        have = int(np.count_nonzero(np.isfinite(old[name]) & rows)) if name in old else 0
        if not np.isfinite(value):
            left_out[name] = "not measured in this rep"
        elif 2 * have < total or have == 0:
            left_out[name] = f"measured in {have} of {total} earlier reps"
        else:
            names.append(name)
    return names, left_out
