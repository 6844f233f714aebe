"""Cue trial: whether a cue or a drill changed a measure beyond what happens by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.history.loads import reps_text
from forcekit.history.regression import beyond_rounding
from forcekit.history.wording import Wording, interval_text, signed_text, wording
from forcekit.model import FloatArray

__all__ = ["CueTrial", "Effect", "Verdict", "cue_trial"]

Verdict = Literal["worked", "made it worse", "changed", "back to usual", "changed, cause open", "not shown", "too few"]

LEAST_EACH = 3
"""Fewest reps before and after."""
LEAST_HISTORY = 5
"""Fewest still earlier reps that say what is usual; our choice: fewer cannot show a return to usual."""
WANTED_P = 0.10
"""Two-sided p that a change in the direction wanted beforehand must reach: 5 % one-sided. Against the other direction,
and where none is wanted, it is 5 % two-sided."""
LEAST_ONE_SIDED = 5
"""Fewest reps after for the one-sided test against the usual level: with three the t-interval of unequal spreads is a
little short, and 6 % of useless cues tried after bad reps would "work" (`tests/benchmarks/history_calibration.py`)."""


@dataclass(frozen=True, slots=True)
class Effect:
    """A difference of two means with its 95 % interval, in the measure's SI unit."""

    value: float
    low: float
    high: float
    p: float
    df: float
    n: int
    """Reps of the comparison side (before, or history)."""
    least: float
    """One-sided 95 % bound: the change is at least this far (nearer to zero than the end of the interval)."""


@dataclass(frozen=True, slots=True)
class CueTrial:
    """What a cue or drill changed.

    Attributes
    ----------
    against_before : Effect or None
        Mean after less mean just before.
    against_usual : Effect or None
        Mean after less mean of the still earlier reps; None without enough of them.
    verdict : str
        "worked" / "made it worse" (the wanted direction is known) or "changed" (it is not): after differs
        from before and from usual, in the same direction. "back to usual": before was unusual and after is
        usual again, which happens without a cue too. "changed, cause open": after differs from before, and
        what is usual is not known. "not shown": the intervals hold zero, or the two comparisons do not
        agree.
    typical_error : float or None
        Spread of single reps before the cue.
    """

    measure: str
    verdict: Verdict
    against_before: Effect | None
    against_usual: Effect | None
    typical_error: float | None
    n_before: int
    n_after: int
    n_history: int
    sentence: str


def cue_trial(
    before: FloatArray,
    after: FloatArray,
    history: FloatArray | None = None,
    *,
    wanted: Literal["higher", "lower"] | None = None,
    cue: str = "the cue",
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> CueTrial:
    """Say whether the cue changed the measure: three or more reps before against three or more after.

    Parameters
    ----------
    before, after : array, shape (n,)
        Reps just before and with the cue, at similar loads, in SI units; NaN is left out.
    history : array, shape (n,), optional
        Still earlier reps at similar loads, without `before`.
    wanted : {"higher", "lower"}, optional
        The change the cue is meant to bring.
    cue : str
        For the sentence.

    Notes
    -----
    A cue is tried after bad reps, and after bad reps come better ones by themselves (regression to the mean). So the
    cue "worked" only if the reps after it differ from the athlete's usual level AND from those just before, which
    guards against a good day; each at 95 %, one-sided for the wanted direction, because it was named before the reps
    were seen (against the usual level from five reps after on). Differences have a t-interval with separate spreads
    before and after (Welch-Satterthwaite); the spread before the cue is pooled from `before` and `history`, each
    about its own mean.

    References
    ----------
    Welch, B. L. (1947), Biometrika 34:28-35 (not seen). The two-fold rule is our choice; its false alarms
    are in `tests/benchmarks/history_calibration.py`.

    Examples
    --------
    >>> usual = np.array([0.131, 0.128, 0.135, 0.127, 0.132, 0.130])
    >>> before, after = np.array([0.131, 0.134, 0.129]), np.array([0.112, 0.115, 0.110])
    >>> cue_trial(before, after, usual, wanted="lower").verdict
    'worked'
    """
    words = words or wording(measure, unit)
    old, new = before[np.isfinite(before)], after[np.isfinite(after)]
    past = np.empty(0) if history is None else history[np.isfinite(history)]
    counts = (old.size, new.size, past.size)
    if min(old.size, new.size) < LEAST_EACH:
        sentence = (
            f"{words.label}: {cue} not judged, {reps_text(old.size)} before and {reps_text(new.size)} after; "
            f"at least {LEAST_EACH} of each are needed."
        )
        return CueTrial(measure, "too few", None, None, None, *counts, sentence)
    known = past.size >= LEAST_HISTORY
    spread = _spread_before(old, past if known else past[:0])
    versus_before = _effect(new, old, spread)
    versus_usual = _effect(new, past, spread) if known else None
    before_unusual = _effect(old, past, spread, same=True) if known else None
    verdict = _verdict(versus_before, versus_usual, before_unusual, wanted, new.size)
    sentence = _sentence(verdict, versus_before, versus_usual, counts, cue, words)
    return CueTrial(measure, verdict, versus_before, versus_usual, spread[0], *counts, sentence)


def _spread_before(old: FloatArray, past: FloatArray) -> tuple[float, int]:
    """Spread of single reps before the cue and its degrees of freedom."""
    squares = float(np.sum((old - old.mean()) ** 2))
    df = old.size - 1
    if past.size:
        squares += float(np.sum((past - past.mean()) ** 2))
        df += past.size - 1
    return beyond_rounding(math.sqrt(squares / df), np.concatenate([old, past])), df


def _effect(new: FloatArray, old: FloatArray, spread: tuple[float, int], *, same: bool = False) -> Effect:
    """Difference of means; `same` takes the spread before the cue for both sides."""
    from scipy import stats

    sd, df_old = spread
    var_old = sd**2 / old.size
    sd_new, df_new = (sd, df_old) if same else (beyond_rounding(float(new.std(ddof=1)), new), new.size - 1)
    var_new = sd_new**2 / new.size
    value = float(new.mean() - old.mean())
    variance = var_old + var_new
    if variance == 0.0:
        return Effect(value, value, value, 0.0 if value else 1.0, float(df_old), old.size, value)
    df = float(df_old) if same else variance**2 / (var_old**2 / df_old + var_new**2 / df_new)
    half, half_one = (float(stats.t.ppf(q, df)) * math.sqrt(variance) for q in (0.975, 0.95))
    p = float(2.0 * stats.t.sf(abs(value) / math.sqrt(variance), df))
    return Effect(value, value - half, value + half, p, df, old.size, value - math.copysign(half_one, value))


def _way(effect: Effect | None, wanted: str | None = None) -> int:
    """Sign of a clear effect, else 0; the wanted direction is tested one-sided."""
    if effect is None or effect.value == 0.0:
        return 0
    way = 1 if effect.value > 0.0 else -1
    is_wanted = wanted is not None and way == (1 if wanted == "higher" else -1)
    return way if effect.p <= (WANTED_P if is_wanted else 0.05) else 0


def _verdict(
    versus_before: Effect, versus_usual: Effect | None, before_unusual: Effect | None, wanted: str | None, n_after: int
) -> Verdict:
    one_sided = wanted if n_after >= LEAST_ONE_SIDED else None
    way = _way(versus_before, wanted)  # a guard only: two tests must agree, this one may be the lenient one
    if versus_usual is None:
        return "changed, cause open" if _way(versus_before, one_sided) else "not shown"
    way_usual = _way(versus_usual, one_sided)
    if way and way == way_usual:
        if wanted is None:
            return "changed"
        return "worked" if way == (1 if wanted == "higher" else -1) else "made it worse"
    if not way_usual and _way(versus_before) and _way(before_unusual) == -_way(versus_before):
        return "back to usual"
    return "not shown"


def _sentence(
    verdict: Verdict,
    versus_before: Effect,
    versus_usual: Effect | None,
    counts: tuple[int, int, int],
    cue: str,
    words: Wording,
) -> str:
    said = {
        "worked": f"{cue} worked",
        "made it worse": f"{cue} made it worse",
        "changed": f"{cue} changed it",
        "back to usual": f"back to usual with {cue}, which happens after unusual reps without a cue too",
        "changed, cause open": f"different with {cue}, but whether it would have come back by itself is "
        f"open: {reps_text(counts[2])} from before the trial, at least {LEAST_HISTORY} are needed",
        "not shown": f"a change with {cue} is not shown",
    }[verdict]
    one_sided = verdict in ("worked", "changed, cause open")
    change = _effect_text(versus_before, words, one_sided)
    text = f"{words.label}: {said}; {change} against {reps_text(counts[0])} just before"
    if versus_usual is not None:
        text += f", {_effect_text(versus_usual, words, one_sided)} against {versus_usual.n} earlier ones"
    return f"{text}, from {reps_text(counts[1])} with it."


def _effect_text(effect: Effect, words: Wording, one_sided: bool) -> str:
    """Change and interval; with the one-sided bound where the verdict rests on it and the interval holds zero."""
    spread = effect.high - effect.low or abs(effect.value)
    value = signed_text(effect.value, words, spread)
    if effect.high == effect.low:
        return f"{value} (no spread)"
    told = f"{value} (95 % {interval_text(effect.low, effect.high, words, signed=True)}"
    if one_sided and effect.low < 0.0 < effect.high:
        told += f"; at least {signed_text(effect.least, words, spread)}, 95 % one-sided"
    return f"{told})"
