"""Miss contrast: what differs between an athlete's made and missed attempts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from forcekit.history.several import NO_SCATTER, joint_test, scatters
from forcekit.history.wording import Wording, interval_text, join_words, signed_text, wording
from forcekit.model import BoolArray, FloatArray

__all__ = ["MissContrast", "MissDifference", "miss_contrast"]

LEAST_EACH = 3
"""Fewest makes and fewest misses."""
FEW_EACH = 8
"""Below this many of either, only large differences can show, and the sentence says so; our choice."""


@dataclass(frozen=True, slots=True)
class MissDifference:
    """Misses less makes in one measure, in its SI unit, at equal load.

    Attributes
    ----------
    value, low, high : float
        Difference of means with the 95 % interval of this measure alone.
    in_typical_errors : float
        The difference over the spread of single attempts.
    p, p_joint : float
        Alone, and with the false-alarm rate held over all measures of the contrast.
    shown : bool
        Whether the difference is shown, all measures counted.
    """

    measure: str
    value: float
    low: float
    high: float
    in_typical_errors: float
    p: float
    p_joint: float
    shown: bool
    n_makes: int
    n_misses: int
    sentence: str


@dataclass(frozen=True, slots=True)
class MissContrast:
    """What goes with this athlete's misses.

    Attributes
    ----------
    differences : tuple of MissDifference
        The surest first; empty when withheld.
    load_adjusted : bool
        Whether the load of each attempt was allowed for.
    left_out : mapping of str to str
        Measures not compared, and why.
    withheld : str or None
    """

    differences: tuple[MissDifference, ...]
    n_makes: int
    n_misses: int
    load_adjusted: bool
    left_out: Mapping[str, str]
    withheld: str | None
    sentence: str

    @property
    def shown(self) -> tuple[MissDifference, ...]:
        """The differences that are shown."""
        return tuple(d for d in self.differences if d.shown)


def miss_contrast(
    measures: Mapping[str, FloatArray],
    missed: BoolArray,
    *,
    loads_kg: FloatArray | None = None,
    units: Mapping[str, str] | None = None,
    words: Mapping[str, Wording] | None = None,
    seed: int = 1,
) -> MissContrast:
    """Which measures differ between makes and misses, and by how much.

    Parameters
    ----------
    measures : mapping of str to array, shape (n,)
        One value per attempt in SI units, NaN where withheld.
    missed : array of bool, shape (n,)
    loads_kg : array, shape (n,), optional
        Load of each attempt. Misses are heavier, and much changes with load; so a line over load common to
        makes and misses is allowed for. Where every miss was heavier than every make the two cannot be
        separated and nothing is said.

    Notes
    -----
    y = b0 + b1·load + d·miss; d with its t-interval, equal spread of makes and misses assumed. `p_joint` by
    `several.joint_test` over all measures. A difference goes with missing; that it causes the miss is not
    shown.
    """
    units, words = units or {}, words or {}
    known = np.isfinite(loads_kg) if loads_kg is not None else np.ones(missed.size, dtype=np.bool_)
    names, left_out, rows = _usable(measures, missed, known)
    n_misses = int(np.count_nonzero(missed & rows))
    n_makes = int(np.count_nonzero(~missed & rows))
    loads = None if loads_kg is None else loads_kg[rows]
    why = _why_not(names, n_makes, n_misses, loads, missed[rows])
    if why is not None:
        sentence = f"Makes and misses not compared: {why}."
        return MissContrast((), n_makes, n_misses, False, left_out, why, sentence)
    adjusted = loads is not None and float(np.ptp(loads)) > 0.0
    nuisance = np.ones((n_makes + n_misses, 1))
    if adjusted and loads is not None:
        nuisance = np.column_stack([nuisance, loads])
    y, effect = np.column_stack([measures[name][rows] for name in names]), missed[rows].astype(np.float64)
    scattered = scatters(y, nuisance, effect)
    left_out |= {name: NO_SCATTER for name, does in zip(names, scattered, strict=True) if not does}
    names, y = [name for name in names if name not in left_out], y[:, scattered]
    if not names:
        sentence = f"Makes and misses not compared: {NO_SCATTER}."
        return MissContrast((), n_makes, n_misses, adjusted, left_out, NO_SCATTER, sentence)
    test = joint_test(y, nuisance, effect, seed=seed)
    said = {name: words.get(name) or wording(name, units.get(name, "")) for name in names}
    residual = _spread(y, nuisance, missed[rows])
    found = [
        _difference(
            name,
            said[name],
            (float(test.estimate[i]), float(test.standard_error[i]), test.df),
            (float(test.p[i]), float(test.p_joint[i])),
            float(residual[i]),
            (n_makes, n_misses),
        )
        for i, name in enumerate(names)
    ]
    found.sort(key=lambda d: (d.p_joint, d.p))
    sentence = _summary(found, said, n_makes, n_misses, adjusted)
    return MissContrast(tuple(found), n_makes, n_misses, adjusted, left_out, None, sentence)


def _usable(
    measures: Mapping[str, FloatArray], missed: BoolArray, known: BoolArray
) -> tuple[list[str], dict[str, str], BoolArray]:
    """Measures with enough values on both sides, and the attempts that have them all."""
    names: list[str] = []
    left_out: dict[str, str] = {}
    for name, values in measures.items():
        have = np.isfinite(values) & known
        makes, misses = int(np.count_nonzero(have & ~missed)), int(np.count_nonzero(have & missed))
        total = np.array([np.count_nonzero(known & ~missed), np.count_nonzero(known & missed)])
        if np.any(2 * np.array([makes, misses]) < total):
            few = f"measured in {makes} makes and {misses} misses only"
            left_out[name] = few if makes + misses else "measured in none of these attempts"
        else:
            names.append(name)
    rows = known.copy()
    for name in names:
        rows &= np.isfinite(measures[name])
    return names, left_out, rows


def _why_not(names: list[str], n_makes: int, n_misses: int, loads: FloatArray | None, missed: BoolArray) -> str | None:
    if n_makes < LEAST_EACH or n_misses < LEAST_EACH:
        counts = f"{_count(n_makes, 'make')} and {_count(n_misses, 'miss')}"
        return f"{counts}, at least {LEAST_EACH} of each are needed"
    if not names:
        return "no measure is known in at least half of the makes and half of the misses"
    if loads is not None and loads[missed].min() > loads[~missed].max():
        return "every miss was heavier than every make, so load and miss cannot be told apart"
    if loads is not None and loads[missed].max() < loads[~missed].min():
        return "every miss was lighter than every make, so load and miss cannot be told apart"
    return None


def _spread(y: FloatArray, nuisance: FloatArray, missed: BoolArray) -> FloatArray:
    """Residual standard deviation of each measure about load and outcome."""
    design = np.column_stack([nuisance, missed.astype(np.float64)])
    rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    spread: FloatArray = np.sqrt(np.sum(rest**2, axis=0) / (y.shape[0] - design.shape[1]))
    return spread


def _difference(
    name: str,
    words: Wording,
    effect: tuple[float, float, int],
    p: tuple[float, float],
    spread: float,
    counts: tuple[int, int],
) -> MissDifference:
    from scipy import stats

    value, se, df = effect
    half = float(stats.t.ppf(0.975, df)) * se
    shown = p[1] <= 0.05
    way = words.higher if value > 0.0 else words.lower
    verdict = f"{way} in the misses" if shown else "no difference shown"
    band = interval_text(value - half, value + half, words, signed=True)
    if not shown and abs(value) > half:
        band += " taken alone, which one of several measures may reach by chance"
    sentence = (
        f"{words.label}: {verdict}, {signed_text(value, words, 2.0 * half)} (95 % {band}) "
        f"in {_count(counts[1], 'miss')} against {_count(counts[0], 'make')}."
    )
    ratio = value / spread if spread > 0.0 else 0.0
    return MissDifference(name, value, value - half, value + half, ratio, *p, shown, *counts, sentence)


def _summary(
    found: list[MissDifference], said: Mapping[str, Wording], n_makes: int, n_misses: int, adjusted: bool
) -> str:
    counts = f"{_count(n_misses, 'miss')} against {_count(n_makes, 'make')}"
    at = " at equal load" if adjusted else ""
    shown = [d for d in found if d.shown]
    few = ""
    if min(n_makes, n_misses) < FEW_EACH:
        few = "; with so few attempts only large differences can show"
    if not shown:
        in_all = f"{len(found)} measures" if len(found) > 1 else "1 measure"
        return f"No difference between makes and misses is shown in {in_all} ({counts}{at}){few}."
    parts = []
    for d in shown:
        words = said[d.measure]
        parts.append(f"{words.label} {words.higher if d.value > 0.0 else words.lower}")
    return f"With the misses goes: {join_words(parts)} ({counts}{at}){few}."


def _count(n: int, word: str) -> str:
    plural = "misses" if word == "miss" else f"{word}s"
    return f"{n} {word if n == 1 else plural}"
