"""How repeatable a measure is: typical error, CV, ICC, minimal detectable change, agreement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.history.loads import reps_text
from forcekit.history.regression import beyond_rounding
from forcekit.history.wording import Wording, interval_text, number_text, wording
from forcekit.model import FloatArray

__all__ = [
    "Agreement",
    "IntraclassCorrelation",
    "Reliability",
    "TypicalError",
    "agreement",
    "intraclass_correlation",
    "reliability",
    "typical_error",
]

LEAST_REPEATS = 3
"""Fewest values a typical error is computed from; our choice: two values say next to nothing about a
spread."""


@dataclass(frozen=True, slots=True)
class TypicalError:
    """One athlete's typical error from repeated reps, in the measure's SI unit.

    Attributes
    ----------
    value, low, high : float or None
        Within-athlete standard deviation and its 95 % interval; None when withheld.
    cv_frac : float or None
        Typical error over the mean; None where the mean is not clearly above zero.
    detectable : float or None
        Smallest difference between two single reps that is unlikely (1 in 20) to be chance.
    df, n, n_groups : int
    """

    measure: str
    value: float | None
    low: float | None
    high: float | None
    cv_frac: float | None
    detectable: float | None
    df: int
    n: int
    n_groups: int
    withheld: str | None
    sentence: str


def typical_error(
    values: FloatArray,
    groups: FloatArray | None = None,
    *,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> TypicalError:
    """Typical error of one athlete's repeated reps, within sessions where sessions are given.

    Parameters
    ----------
    values : array, shape (n,)
        Reps in SI units; NaN is left out.
    groups : array, shape (n,), optional
        Session (or load) of each rep; the spread is pooled within groups, so that a difference between days
        or loads does not count as error.

    Notes
    -----
    TE = √(Σ(x − mean of its group)² / df) with df = n − number of groups. The interval is the chi-square
    interval of a standard deviation. Detectable difference of two single reps: t(df, 0.975)·√2·TE, which
    for many reps is the usual 1.96·√2·SEM. The coefficient of variation is TE over the mean of all reps.

    References
    ----------
    Hopkins, W. G. (2000), Measures of reliability in sports medicine and science, Sports Medicine 30:1-15
    (abstract seen). Weir, J. P. (2005), J Strength Cond Res 19:231-240 (abstract seen, formulas from memory).
    """
    from scipy import stats

    words = words or wording(measure, unit)
    kept = np.isfinite(values)
    x = values[kept]
    labels = np.zeros(x.size) if groups is None else np.asarray(groups)[kept]
    names = np.unique(labels)
    squares = sum(float(np.sum((x[labels == g] - x[labels == g].mean()) ** 2)) for g in names)
    df = int(x.size - names.size)
    why, te = None, 0.0
    if x.size < LEAST_REPEATS or df < LEAST_REPEATS - 1:
        groups_text = "1 group" if names.size == 1 else f"{names.size} groups"
        why = f"{reps_text(x.size)} in {groups_text}; at least {LEAST_REPEATS} reps within a session are needed"
    else:
        te = beyond_rounding(math.sqrt(squares / df), x)
        why = None if te > 0.0 else "repeated reps have the same value, so their spread is not known"
    if why is not None:
        sentence = f"{words.label}: no typical error, {why}."
        return TypicalError(measure, None, None, None, None, None, df, x.size, names.size, why, sentence)
    low = te * math.sqrt(df / float(stats.chi2.ppf(0.975, df)))
    high = te * math.sqrt(df / float(stats.chi2.ppf(0.025, df)))
    mean = float(x.mean())
    cv = te / mean if mean > 2.0 * te else None
    detectable = float(stats.t.ppf(0.975, df)) * math.sqrt(2.0) * te
    share = "" if cv is None else f", {100.0 * cv:.1f} % of the mean"
    sentence = (
        f"{words.label}: typical error {number_text(te, words, te)} "
        f"(95 % {interval_text(low, high, words)}){share}, from {x.size} reps; two single reps "
        f"must differ by {number_text(detectable, words, te)} to be told apart."
    )
    return TypicalError(measure, te, low, high, cv, detectable, df, x.size, names.size, None, sentence)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Reliability of a measure over several athletes and trials, in the measure's SI unit.

    Attributes
    ----------
    sem : float
        Standard error of measurement, which is the typical error: √(error mean square).
    sem_low, sem_high : float
        Its 95 % interval.
    cv_frac : float or None
        Typical error of the logarithms as a fraction, exp(s) − 1; None unless all values are positive.
    detectable : float
        1.96·√2·SEM, the minimal detectable change (95 %) of one retest.
    see, sep : float
        Standard error of the estimated true score and of a retest predicted from one score.
    """

    n: int
    k: int
    sem: float
    sem_low: float
    sem_high: float
    cv_frac: float | None
    detectable: float
    total_sd: float
    see: float
    sep: float
    icc: IntraclassCorrelation
    sentence: str


def reliability(
    table: FloatArray, *, measure: str = "value", unit: str = "", words: Wording | None = None
) -> Reliability:
    """Typical error, CV, ICC and minimal detectable change of a measure.

    Parameters
    ----------
    table : array, shape (n athletes, k trials)

    Notes
    -----
    SEM = √MSE of the two-way analysis of variance, so a shift of everybody between trials is not error.
    With two trials it equals SD(difference)/√2. SEE = SD·√(ICC(1 − ICC)), SEP = SD·√(1 − ICC²) with
    ICC(3,1) and SD of all values. CV: the same typical error of ln(values), s, turned back as exp(s) − 1.

    References
    ----------
    Weir, J. P. (2005), Quantifying test-retest reliability using the intraclass correlation coefficient and
    the SEM, J Strength Cond Res 19:231-240. Hopkins (2000), Sports Medicine 30:1-15.
    """
    from scipy import stats

    icc = intraclass_correlation(table)
    words = words or wording(measure, unit)
    df = (icc.n - 1) * (icc.k - 1)
    sem = math.sqrt(icc.mean_square_error)
    low = sem * math.sqrt(df / float(stats.chi2.ppf(0.975, df)))
    high = sem * math.sqrt(df / float(stats.chi2.ppf(0.025, df)))
    positive = bool(np.all(table > 0.0))
    cv = math.expm1(math.sqrt(_mean_squares(np.log(table))[2])) if positive else None
    detectable = float(stats.norm.ppf(0.975)) * math.sqrt(2.0) * sem
    sd = float(np.std(table, ddof=1))
    r = min(max(icc.single_consistency, 0.0), 1.0)
    share = "" if cv is None else f", CV {100.0 * cv:.1f} %"
    sentence = (
        f"{words.label}: typical error {number_text(sem, words, sem)} "
        f"(95 % {interval_text(low, high, words)}){share}, ICC(3,1) {icc.single_consistency:.2f}, "
        f"smallest detectable change {number_text(detectable, words, sem)}, "
        f"from {icc.n} athletes with {icc.k} trials."
    )
    see, sep = sd * math.sqrt(r * (1.0 - r)), sd * math.sqrt(1.0 - r * r)
    return Reliability(icc.n, icc.k, sem, low, high, cv, detectable, sd, see, sep, icc, sentence)


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """The six forms of the intraclass correlation and the mean squares they come from.

    Forms (model, single or mean of k): one-way (1,1) (1,k); two-way, absolute agreement (2,1) (2,k); two-way,
    consistency (3,1) (3,k).
    """

    n: int
    k: int
    single_one_way: float
    mean_one_way: float
    single_agreement: float
    mean_agreement: float
    single_consistency: float
    mean_consistency: float
    mean_square_rows: float
    mean_square_columns: float
    mean_square_error: float
    mean_square_within: float


def intraclass_correlation(table: FloatArray) -> IntraclassCorrelation:
    """Intraclass correlations of a table of targets (rows) by trials or judges (columns).

    Parameters
    ----------
    table : array, shape (n, k)
        Complete: no NaN.

    References
    ----------
    Shrout, P. E. and Fleiss, J. L. (1979), Intraclass correlations: uses in assessing rater reliability,
    Psychological Bulletin 86:420-428.
    """
    if table.ndim != 2 or min(table.shape) < 2 or not np.all(np.isfinite(table)):
        raise InputError(
            f"reliability table: shape {table.shape}, all finite: {bool(np.all(np.isfinite(table)))}; "
            "at least 2 rows (athletes) and 2 columns (trials) without gaps are needed. "
            "Leave out athletes with missing trials."
        )
    n, k = table.shape
    msr, msc, mse, msw = _mean_squares(table)
    if beyond_rounding(math.sqrt(msr), table) == 0.0:
        raise InputError(
            f"reliability table: all {n} athletes have the same mean, so no correlation is defined. "
            "Check the table, or take athletes that differ."
        )
    return IntraclassCorrelation(
        n=n,
        k=k,
        single_one_way=(msr - msw) / (msr + (k - 1) * msw),
        mean_one_way=(msr - msw) / msr,
        single_agreement=(msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n),
        mean_agreement=(msr - mse) / (msr + (msc - mse) / n),
        single_consistency=(msr - mse) / (msr + (k - 1) * mse),
        mean_consistency=(msr - mse) / msr,
        mean_square_rows=msr,
        mean_square_columns=msc,
        mean_square_error=mse,
        mean_square_within=msw,
    )


def _mean_squares(table: FloatArray) -> tuple[float, float, float, float]:
    """Mean squares of rows, columns and error of the two-way analysis, and within rows of the one-way analysis."""
    n, k = table.shape
    mean = float(table.mean())
    row_means, column_means = table.mean(axis=1), table.mean(axis=0)
    msr = k * float(np.sum((row_means - mean) ** 2)) / (n - 1)
    msc = n * float(np.sum((column_means - mean) ** 2)) / (k - 1)
    rest = table - row_means[:, None] - column_means[None, :] + mean
    mse = float(np.sum(rest**2)) / ((n - 1) * (k - 1))
    msw = float(np.sum((table - row_means[:, None]) ** 2)) / (n * (k - 1))
    return msr, msc, mse, msw


@dataclass(frozen=True, slots=True)
class Agreement:
    """How two ways of measuring the same thing agree (for instance two plates)."""

    n: int
    bias: float
    bias_low: float
    bias_high: float
    sd: float
    limit_low: float
    limit_high: float
    sentence: str


def agreement(
    first: FloatArray,
    second: FloatArray,
    *,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> Agreement:
    """Bias and 95 % limits of agreement of paired values.

    Parameters
    ----------
    first, second : array, shape (n,)
        The same reps measured in two ways.

    Notes
    -----
    bias = mean(first − second), limits = bias ± 1.96·SD of the differences; the interval of the bias is
    Student's t. Few pairs make the limits too narrow: the sentence gives n.

    References
    ----------
    Bland, J. M. and Altman, D. G. (1986), Lancet i:307-310.
    """
    from scipy import stats

    both = np.isfinite(first) & np.isfinite(second)
    d = first[both] - second[both]
    if d.size < LEAST_REPEATS:
        raise InputError(f"agreement: {d.size} complete pairs; at least {LEAST_REPEATS} are needed. Add pairs.")
    words = words or wording(measure, unit)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    half = float(stats.t.ppf(0.975, d.size - 1)) * sd / math.sqrt(d.size)
    z = float(stats.norm.ppf(0.975))
    low, high = bias - z * sd, bias + z * sd
    sentence = (
        f"{words.label}: first less second {number_text(bias, words, sd)} on average, single "
        f"differences from {interval_text(low, high, words, signed=True)} "
        f"(95 % limits of agreement, {d.size} pairs)."
    )
    return Agreement(d.size, bias, bias - half, bias + half, sd, low, high, sentence)
