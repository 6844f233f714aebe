"""Limits of findings from what is usual for one athlete at one load."""

from __future__ import annotations

import numpy as np

from forcekit.analysis.own_limits import OWN_RULES, OwnRule
from forcekit.history.loads import reps_text
from forcekit.history.series import Series, measure_names_of, series
from forcekit.history.store import Store
from forcekit.history.usual import UsualRange, usual_range
from forcekit.history.wording import load_text, measure_words, number_text

__all__ = ["LEAST_REPS_LIMIT", "own_limits"]

LEAST_REPS_LIMIT = 8
"""Fewest reps behind an own limit (our choice): the range is then 1.4 times as wide as from endless reps; from 3 it
would be 4 times as wide and would hide what common practice calls a fault."""
LIMIT_LEVEL = 0.99
"""Level of the usual range whose end is the limit: of nine limits, each passed by chance in 0.5 % of usual reps (1 % to
either side), any is passed in 5 % at most."""


def own_limits(
    store: Store, athlete: str, *, load_kg: float | None, movement: str | None = None, until: float | None = None
) -> dict[str, tuple[float, str]]:
    """Limits for `analysis.own_limits.with_limits`, of those patterns for which the athlete has enough reps.

    Parameters
    ----------
    load_kg : float or None
        Load of the lift to be judged; None gives no limits, since much changes with load.
    movement : str, optional
        Only attempts of this movement.
    until : float, optional
        Only attempts before this time, seconds since 1970 (UTC).

    Notes
    -----
    From the 99 % usual range of the reps that were not missed, load-adjusted where the loads allow it. Half the usual
    width of the measure's own interval is added: a finding is "possible" as soon as the interval of a lift reaches
    beyond the limit, and so it is raised when the value, not its interval, leaves the range.
    """
    if load_kg is None:
        return {}
    have = measure_names_of(store, athlete)
    found = {}
    read: dict[str, Series] = {}
    for pattern, rule in OWN_RULES.items():
        if rule.measure not in have:
            continue
        if rule.measure not in read:
            every = series(store, athlete, rule.measure, movement=movement, until=until)
            read[rule.measure] = every.where(np.array([not o.startswith("missed") for o in every.outcome], dtype=bool))
        limit = _limit(read[rule.measure], rule, load_kg)
        if limit is not None:
            found[pattern] = limit
    return found


def _limit(reps: Series, rule: OwnRule, load_kg: float) -> tuple[float, str] | None:
    """One limit as the cue book writes it, and where it comes from."""
    words = measure_words(rule.measure)
    usual = usual_range(
        reps.value, reps.load_kg, load_kg=load_kg, level=LIMIT_LEVEL, measure=rule.measure, unit=reps.unit, words=words
    )
    if usual.low is None or usual.high is None or usual.n < LEAST_REPS_LIMIT:
        return None
    half = (reps.high - reps.low) / 2.0
    if not np.isfinite(half).any():
        return None
    margin = float(np.nanmedian(half))
    ends = {"high": usual.high + margin, "low": usual.low - margin}
    ends["either"] = max(ends["high"], -ends["low"])
    end = ends[rule.end]
    signed_low = rule.end == "low" and rule.tighter == "smaller"
    return (-end if signed_low else end), _told(usual, rule, end, margin)


def _told(usual: UsualRange, rule: OwnRule, end: float, margin: float) -> str:
    assert usual.low is not None
    assert usual.high is not None
    words, spread = usual.words, usual.high - usual.low
    way = {"high": "up to", "low": "down to", "either": "to either side up to"}[rule.end]
    inner = end + margin if rule.end == "low" else end - margin
    return (
        f"{way} {number_text(inner, words, spread)} at {load_text(usual.load_kg or 0.0)} "
        f"(99 %, {reps_text(usual.n)} without a miss), widened by {number_text(margin, words, margin)} for the error "
        "of the measurement"
    )
