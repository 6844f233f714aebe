"""A new lifter's usual range, drawn toward the squad while own reps are few."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forcekit.errors import InputError
from forcekit.history.loads import reps_text
from forcekit.history.usual import UsualRange, shown_low, usual_range
from forcekit.history.wording import Wording, interval_text, load_text, wording
from forcekit.model import FloatArray

__all__ = ["Squad", "james_stein", "squad_from", "squad_range"]

LEAST_ATHLETES = 5
"""Fewest athletes that say how much athletes differ; our choice."""


def james_stein(means: FloatArray, variance: float) -> tuple[float, FloatArray]:
    """Shrinkage factor toward the grand mean and the means drawn by it.

    Parameters
    ----------
    means : array, shape (k,)
        One mean per athlete, all with the same variance.
    variance : float
        Sampling variance of one mean.

    Notes
    -----
    c = 1 − (k − 3)·σ²/Σ(y − ȳ)², not below zero; each mean becomes ȳ + c·(y − ȳ).

    References
    ----------
    Efron, B. and Morris, C. (1977), Stein's paradox in statistics, Scientific American 236(5):119-127.

    Examples
    --------
    >>> factor, drawn = james_stein(np.array([1.0, 2.0, 3.0, 4.0, 5.0]), 1.0)
    >>> factor, [float(d) for d in drawn]
    (0.8, [1.4, 2.2, 3.0, 3.8, 4.6])
    """
    if means.size < 4:
        raise InputError(f"shrinkage: {means.size} means; more than 3 are needed. Add athletes.")
    centre = float(means.mean())
    squares = float(np.sum((means - centre) ** 2))
    factor = max(0.0, 1.0 - (means.size - 3) * variance / squares) if squares > 0.0 else 0.0
    return factor, centre + factor * (means - centre)


@dataclass(frozen=True, slots=True)
class Squad:
    """What is usual in a squad for one measure, in its SI unit.

    Attributes
    ----------
    mean : float
        Mean of the athletes' true levels, estimated.
    between_sd : float
        How much athletes' true levels differ.
    within_sd : float
        Typical error of single reps, pooled.
    within_df : int
    n_athletes, n_reps : int
    mean_se : float
        Standard error of `mean`.
    """

    mean: float
    between_sd: float
    within_sd: float
    within_df: int
    n_athletes: int
    n_reps: int
    mean_se: float


def squad_from(athletes: Sequence[FloatArray]) -> Squad:
    """Describe a squad by its mean, its spread between athletes and its typical error.

    Parameters
    ----------
    athletes : sequence of arrays
        Reps of one athlete each, at similar loads; the new lifter's own reps are not among them.

    Notes
    -----
    Within: pooled variance about each athlete's mean. Between: variance of the athletes' means less what
    their own sampling explains (unweighted moments, not below zero).
    """
    reps = [a[np.isfinite(a)] for a in athletes]
    reps = [a for a in reps if a.size >= 2]
    if len(reps) < LEAST_ATHLETES:
        raise InputError(
            f"squad: {len(reps)} athletes with 2 or more reps; at least {LEAST_ATHLETES} are needed. "
            "Use the lifter's own reps, or add athletes."
        )
    means = np.array([a.mean() for a in reps])
    sizes = np.array([a.size for a in reps], dtype=np.float64)
    df = int(sizes.sum()) - len(reps)
    within = sum(float(np.sum((a - a.mean()) ** 2)) for a in reps) / df
    spread = float(means.var(ddof=1))
    between = max(0.0, spread - within * float(np.mean(1.0 / sizes)))
    return Squad(
        mean=float(means.mean()),
        between_sd=math.sqrt(between),
        within_sd=math.sqrt(within),
        within_df=df,
        n_athletes=len(reps),
        n_reps=int(sizes.sum()),
        mean_se=math.sqrt(spread / len(reps)),
    )


def squad_range(
    values: FloatArray,
    squad: Squad,
    *,
    load_kg: float | None = None,
    level: float = 0.95,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> UsualRange:
    """Usual range for the next rep of a lifter with few or no reps.

    Parameters
    ----------
    values : array, shape (n,)
        The lifter's own reps, n ≥ 0.
    squad : Squad
        The other athletes at similar loads.
    load_kg : float, optional
        The load, to be named.

    Notes
    -----
    Level: w·(own mean) + (1 − w)·(squad mean) with w = τ²/(τ² + σ²/n). Variance of the next rep:
    σ² + w·σ²/n + (1 − w)²·se(squad mean)², for n = 0 σ² + τ² + se². Student's t with the degrees of freedom
    of Satterthwaite's formula over σ² and τ². Assumes that the lifter's scatter is the squad's; with 10 or
    more own reps the own range is the better answer.

    References
    ----------
    Normal-normal shrinkage: Efron and Morris (1977); the t quantile is our approximation, its coverage is in
    `tests/benchmarks/history_calibration.py`.
    """
    from scipy import stats

    words = words or wording(measure, unit)
    own = values[np.isfinite(values)]
    n = own.size
    sigma2, tau2 = squad.within_sd**2, squad.between_sd**2
    if n:
        w = tau2 / (tau2 + sigma2 / n) if tau2 > 0.0 else 0.0
        centre = w * float(own.mean()) + (1.0 - w) * squad.mean
        level_variance = w * sigma2 / n
    else:
        w, centre, level_variance = 0.0, squad.mean, tau2
    from_mean = (1.0 - w) ** 2 * squad.mean_se**2
    variance = sigma2 + level_variance + from_mean
    uncertain = (level_variance + from_mean) ** 2 / (squad.n_athletes - 1) + sigma2**2 / squad.within_df
    df = variance**2 / uncertain if uncertain > 0.0 else float(squad.within_df)
    half = float(stats.t.ppf(0.5 + level / 2.0, df)) * math.sqrt(variance)
    blank = usual_range(np.empty(0), measure=measure, unit=unit, words=words, level=level)
    at = "" if load_kg is None else f" at {load_text(load_kg)}"
    band = interval_text(shown_low(measure, centre - half, centre), centre + half, words)
    source = f"{reps_text(n)} of this lifter drawn toward {squad.n_athletes} others ({round(100 * w)} % own)"
    if n == 0:
        source = f"{squad.n_athletes} others, with no rep of this lifter yet"
    sentence = f"{words.label}: usual{at} {band}, from {source}."
    return replace(
        blank,
        load_kg=load_kg,
        n=n,
        centre=centre,
        low=centre - half,
        high=centre + half,
        sd=squad.within_sd,
        df=df,
        method="squad",
        withheld=None,
        sentence=sentence,
    )
