"""The usual range for an athlete's next rep, and whether a rep lies in it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from forcekit.errors import InputError
from forcekit.history.loads import LEAST_REPS, LEAST_REPS_LOAD, choose_reps, reps_text, span_text
from forcekit.history.regression import beyond_rounding, fit_linear, predict
from forcekit.history.wording import Wording, interval_text, load_text, number_text, wording
from forcekit.model import FloatArray
from forcekit.registry import MEASURES

__all__ = ["Difference", "Method", "UsualRange", "compare_with_usual", "robust_factor", "shown_low", "usual_range"]

Method = Literal["auto", "plain", "load-adjusted", "robust", "squad"]

LEAST_REPS_ROBUST = 5
"""Fewest reps for the robust range; below, the median deviation of so few values is too erratic."""

_MAD_TO_SD = 1.482602218505602
_ROBUST_FACTORS = {
    **{
        5: 5.999,
        6: 4.207,
        7: 4.043,
        8: 3.428,
        9: 3.347,
        10: 3.046,
        11: 2.999,
        12: 2.816,
        13: 2.789,
        14: 2.670,
    },
    **{
        15: 2.652,
        16: 2.564,
        17: 2.549,
        18: 2.485,
        19: 2.478,
        20: 2.427,
        25: 2.332,
        30: 2.258,
        40: 2.176,
        50: 2.132,
    },
    **{75: 2.074, 100: 2.044},
}
"""n -> k with P(|x − median| > k·1.4826·MAD) = 5 % for a new normal value; found by 600 000 simulated
histories per n (`tests/benchmarks/history_calibration.py --factors` finds them again). Without them few
reps alarm far too often."""


@dataclass(frozen=True, slots=True)
class UsualRange:
    """Where 95 % of this athlete's next reps are expected, in the measure's SI unit.

    Attributes
    ----------
    centre, low, high : float or None
        None when withheld.
    sd : float or None
        Spread of single reps (typical error) about the centre.
    df : float
        Degrees of freedom of `sd`.
    load_kg : float or None
        The load the range is for; None for all loads.
    load_from_kg, load_to_kg : float or None
        Loads of the reps behind it.
    """

    measure: str
    unit: str
    n: int
    centre: float | None
    low: float | None
    high: float | None
    sd: float | None
    df: float
    level: float
    load_kg: float | None
    load_from_kg: float | None
    load_to_kg: float | None
    method: Method
    withheld: str | None
    sentence: str
    words: Wording

    @property
    def ok(self) -> bool:
        """True when there is a range."""
        return self.low is not None


def usual_range(
    values: FloatArray,
    loads_kg: FloatArray | None = None,
    *,
    load_kg: float | None = None,
    method: Method = "auto",
    level: float = 0.95,
    resolution: float = 0.0,
    measure: str = "value",
    unit: str = "",
    words: Wording | None = None,
) -> UsualRange:
    """Usual range for the next rep at a load, or why there is none yet.

    Parameters
    ----------
    values : array, shape (n,)
        Earlier reps in SI units; NaN is left out.
    loads_kg : array, shape (n,), optional
        Load of each rep.
    load_kg : float, optional
        Load of the next rep; left out, load is ignored.
    method : {"auto", "plain", "load-adjusted", "robust"}
        "auto" fits a line over load when at least 6 reps at different loads exist and the load lies between
        them, and else takes the reps within 5 % of the load.
    resolution : float
        Smallest step the values can have, in SI; replaces a spread of zero.

    Notes
    -----
    plain: mean ± t(n−1)·s·√(1 + 1/n). load-adjusted: line over load, ŷ ± t(n−2)·s·√(1 + 1/n + (x−x̄)²/Sxx),
    the same spread assumed at all loads; never beyond the loads lifted so far. robust: median ±
    k(n)·1.4826·MAD with k(n) found by simulation so that a normal next rep leaves it in 5 % of cases; a few
    odd old reps hardly move it. The range is for one measure; several at once are judged by
    `several.compare_many`. The measures' own instrument intervals are not added: the scatter of earlier
    reps already holds that noise.

    References
    ----------
    Prediction interval of a normal sample and of a line: any textbook on regression. MAD: Iglewicz, B. and
    Hoaglin, D. C. (1993), How to detect and handle outliers (from memory).

    Examples
    --------
    >>> usual = usual_range(np.array([0.120, 0.130, 0.125, 0.128]), measure="transition_time", unit="s")
    >>> usual.sentence
    'transition time: usual 110–141 ms from 4 reps.'
    """
    kept = np.isfinite(values)
    x = values[kept]
    loads = None if loads_kg is None else loads_kg[kept]
    ask = _Ask(measure, unit, level, load_kg, resolution, words or wording(measure, unit))
    if method == "squad":
        raise ValueError("the squad's range comes from squad.squad_range")
    if load_kg is None or loads is None:
        if method == "load-adjusted":
            raise InputError("usual range: load-adjusted needs the loads and the load of the next rep. Give both.")
        return _flat(x, loads, ask, method)
    chosen = choose_reps(loads, load_kg, line=method in ("auto", "load-adjusted"))
    if chosen.with_line:
        return _over_load(x[chosen.rows], loads[chosen.rows], ask)
    n = int(np.count_nonzero(np.isfinite(loads)))
    if method == "load-adjusted":
        why = chosen.withheld or f"a line over load needs {LEAST_REPS_LOAD} reps at different loads around it"
        return _withheld(ask, loads, n, why)
    if chosen.withheld is not None:
        return _withheld(ask, loads, n, chosen.withheld)
    return _flat(x[chosen.rows], loads[chosen.rows], ask, method)


@dataclass(frozen=True, slots=True)
class Difference:
    """One rep against the usual range.

    Attributes
    ----------
    verdict : {"usual", "above", "below", "not known"}
    p : float or None
        Chance of a rep at least this far out when nothing has changed; None for the robust range.
    standing : float or None
        Distance from the centre in typical errors.
    """

    measure: str
    value: float
    verdict: Literal["usual", "above", "below", "not known"]
    p: float | None
    standing: float | None
    usual: UsualRange
    sentence: str


def compare_with_usual(value: float, usual: UsualRange) -> Difference:
    """Say whether one rep lies in the usual range.

    Parameters
    ----------
    value : float
        The rep in SI units.
    usual : UsualRange
        Made from other reps, not from this one.

    Examples
    --------
    >>> usual = usual_range(np.array([0.120, 0.130, 0.125, 0.128]), measure="transition_time", unit="s")
    >>> compare_with_usual(0.148, usual).sentence
    'transition time 148 ms; usual 110–141 ms from 4 reps: longer than usual.'
    """
    from scipy import stats

    words = usual.words
    if usual.low is None or usual.high is None or usual.centre is None or usual.sd is None:
        shown = number_text(value, words, abs(value) / 10.0 or 1.0)
        return Difference(
            usual.measure,
            value,
            "not known",
            None,
            None,
            usual,
            f"{words.label} {shown}; not compared: {usual.withheld}.",
        )
    verdict: Literal["usual", "above", "below"] = "usual"
    text = "as usual"
    if value > usual.high:
        verdict, text = "above", f"{words.higher} than usual"
    elif value < usual.low:
        verdict, text = "below", f"{words.lower} than usual"
    spread = usual.high - usual.low
    p = None
    if usual.method != "robust" and spread > 0.0:
        half = float(stats.t.ppf(0.5 + usual.level / 2.0, usual.df))
        p = float(2.0 * stats.t.sf(abs(value - usual.centre) * half / (spread / 2.0), usual.df))
    standing = (value - usual.centre) / usual.sd if usual.sd > 0.0 else None
    sentence = f"{words.label} {number_text(value, words, spread)}; {_range_text(usual)}: {text}."
    return Difference(usual.measure, value, verdict, p, standing, usual, sentence)


def robust_factor(n: int) -> float:
    """Factor k of the robust range (95 %) for n earlier reps, from the simulated table, linear in 1/n."""
    if n < LEAST_REPS_ROBUST:
        raise ValueError(f"no factor for {n} reps")
    if n in _ROBUST_FACTORS:
        return _ROBUST_FACTORS[n]
    known = np.array(sorted(_ROBUST_FACTORS))
    inverse = np.concatenate([[0.0], 1.0 / known[::-1]])
    factors = np.concatenate([[1.959964], [_ROBUST_FACTORS[int(k)] for k in known[::-1]]])
    return float(np.interp(1.0 / n, inverse, factors))


def shown_low(measure: str, low: float, centre: float) -> float:
    """Lower end as a person reads it: few reps make a range wide, but no time or depth is below nothing."""
    info = MEASURES.get(measure)
    never_negative = info is not None and info.group in ("time", "motion", "force")
    return max(low, 0.0) if never_negative and centre >= 0.0 else low


# --------------------------------------------------------------------------------------------------- inside


@dataclass(frozen=True, slots=True)
class _Ask:
    """What was asked, handed down unchanged."""

    measure: str
    unit: str
    level: float
    load_kg: float | None
    resolution: float
    words: Wording


def _flat(x: FloatArray, loads: FloatArray | None, ask: _Ask, method: Method) -> UsualRange:
    """Range from reps that count as alike."""
    from scipy import stats

    least = LEAST_REPS_ROBUST if method == "robust" else LEAST_REPS
    if x.size < least:
        return _withheld(ask, loads, x.size, f"{reps_text(x.size)} so far, at least {least} are needed")
    floor = ask.resolution / math.sqrt(12.0)
    if method == "robust":
        if ask.level != 0.95:
            raise InputError(
                f"usual range: the robust range is made for 95 %, not {100 * ask.level:g} %. Use level 0.95."
            )
        centre = float(np.median(x))
        sd = max(_MAD_TO_SD * float(np.median(np.abs(x - centre))), floor)
        half = robust_factor(x.size) * sd
    else:
        centre = float(x.mean())
        sd = max(beyond_rounding(float(x.std(ddof=1)), x), floor)
        half = float(stats.t.ppf(0.5 + ask.level / 2.0, x.size - 1)) * sd * math.sqrt(1.0 + 1.0 / x.size)
    if sd == 0.0:
        return _withheld(ask, loads, x.size, f"all {x.size} reps have the same value, so their spread is not known")
    df = float(x.size - 1)
    return _finished(ask, loads, x.size, (centre, half, sd, df), "robust" if method == "robust" else "plain")


def _over_load(x: FloatArray, loads: FloatArray, ask: _Ask) -> UsualRange:
    """Range from a line over load."""
    from scipy import stats

    assert ask.load_kg is not None
    fit = fit_linear(loads, x)
    at = predict(fit, ask.load_kg)
    sd = max(beyond_rounding(fit.residual_sd, x), ask.resolution / math.sqrt(12.0))
    if sd == 0.0:
        return _withheld(ask, loads, x.size, f"all {x.size} reps lie on one line, so their spread is not known")
    widening = at.se_new / fit.residual_sd if fit.residual_sd > 0.0 else math.sqrt(1.0 + 1.0 / x.size)
    half = float(stats.t.ppf(0.5 + ask.level / 2.0, fit.df)) * sd * widening
    return _finished(ask, loads, x.size, (at.centre, half, sd, float(fit.df)), "load-adjusted")


def _finished(
    ask: _Ask, loads: FloatArray | None, n: int, numbers: tuple[float, float, float, float], method: Method
) -> UsualRange:
    centre, half, sd, df = numbers
    blank = _withheld(ask, loads, n, "")
    usual = replace(
        blank,
        centre=centre,
        low=centre - half,
        high=centre + half,
        sd=sd,
        df=df,
        method=method,
        withheld=None,
    )
    return replace(usual, sentence=f"{ask.words.label}: {_range_text(usual)}.")


def _withheld(ask: _Ask, loads: FloatArray | None, n: int, why: str) -> UsualRange:
    known = loads[np.isfinite(loads)] if loads is not None else np.empty(0)
    lightest, heaviest = (float(known.min()), float(known.max())) if known.size else (None, None)
    return UsualRange(
        measure=ask.measure,
        unit=ask.unit,
        n=n,
        centre=None,
        low=None,
        high=None,
        sd=None,
        df=0.0,
        level=ask.level,
        load_kg=ask.load_kg,
        load_from_kg=lightest,
        load_to_kg=heaviest,
        method="plain",
        withheld=why,
        sentence=f"{ask.words.label}: no usual range, {why}.",
        words=ask.words,
    )


def _range_text(usual: UsualRange) -> str:
    assert usual.low is not None
    assert usual.high is not None
    low = shown_low(usual.measure, usual.low, usual.centre or 0.0)
    at = "" if usual.load_kg is None else f" at {load_text(usual.load_kg)}"
    source = {"robust": ", median-based", "squad": ", drawn toward the squad"}.get(usual.method, "")
    if usual.load_kg is not None and usual.load_from_kg is not None and usual.load_to_kg is not None:
        loads = np.array([usual.load_from_kg, usual.load_to_kg])
        source = "" if np.all(loads == usual.load_kg) else f" at {span_text(loads)}"
        source += ", median-based" if usual.method == "robust" else ""
    band = f"{interval_text(low, usual.high, usual.words)} ({100 * usual.level:g} %)"
    return f"usual{at} {band} from {reps_text(usual.n)}{source}"
