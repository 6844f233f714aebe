"""How the history writes a number for a person: label, unit, digits by the size of the spread."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

from forcekit.numbers import decimal, signed, with_unit
from forcekit.registry import MEASURES

__all__ = [
    "Wording",
    "interval_text",
    "iso_day",
    "join_words",
    "load_text",
    "measure_words",
    "number_text",
    "signed_text",
    "wording",
]


@dataclass(frozen=True, slots=True)
class Wording:
    """Name, unit and factor a person sees, and the words for more and less of it.

    Attributes
    ----------
    label : str
        The measure in words.
    unit : str
        Unit as written; empty for a ratio.
    factor : float
        Shown number over SI number.
    higher, lower : str
        Comparatives, such as "longer" and "shorter".
    """

    label: str
    unit: str = ""
    factor: float = 1.0
    higher: str = "higher"
    lower: str = "lower"


_SHOWN = {"m": ("cm", 100.0), "s": ("ms", 1000.0), "rad": ("°", 180.0 / math.pi), "1": ("", 1.0)}
_PERCENT_OF = {
    "_of_foot": "% of foot length",
    "_of_stature": "% of stature",
    "_of_weight": "% of system weight",
    "left_share": "% of the force",
}


def wording(measure: str, unit: str = "") -> Wording:
    """Words for a measure by its name and SI unit; a caller with a better table passes its own `Wording`.

    Parameters
    ----------
    measure : str
        Name in the registry of measures, such as ``"transition_time"``.
    unit : str
        SI unit of its values.

    Notes
    -----
    Metres are shown as cm, seconds as ms, radians as degrees; ratios of foot length, stature, weight or
    share as per cent. All other units stay.

    Examples
    --------
    >>> wording("transition_time", "s")
    Wording(label='transition time', unit='ms', factor=1000.0, higher='longer', lower='shorter')
    """
    higher, lower = "higher", "lower"
    if unit == "s":
        higher, lower = ("later", "earlier") if measure.endswith("_at") else ("longer", "shorter")
    elif "depth" in measure:
        higher, lower = "deeper", "shallower"
    elif measure.startswith(("shift", "pressure", "stance_pressure", "bar_forward", "push_angle")):
        higher, lower = "further forward", "further back"
    label = measure.replace("_", " ")
    if unit in ("", "1"):
        for ending, shown in _PERCENT_OF.items():
            if measure.endswith(ending):
                label = measure.removesuffix(ending).replace("_", " ") or label
                return Wording(label if ending != "left_share" else "left share", shown, 100.0, higher, lower)
    shown_unit, factor = _SHOWN.get(unit, (unit, 1.0))
    return Wording(label, shown_unit, factor, higher, lower)


_COMPARED = {
    "transition_time": ("slower", "quicker"),
    "bar_transition_time": ("slower", "quicker"),
    "bar_lead": ("later", "earlier"),
    "side_shift": ("further left", "further right"),
    "shaft_rotation_dip": ("elbows higher", "elbows lower"),
    "shaft_rotation_drive": ("elbows higher", "elbows lower"),
}


def measure_words(measure: str, unit: str = "") -> Wording:
    """Words for a measure as the registry of measures has them; one that is not in it gets those of `wording`.

    Examples
    --------
    >>> measure_words("transition_time")
    Wording(label='turnaround', unit='ms', factor=1000.0, higher='slower', lower='quicker')
    """
    info = MEASURES.get(measure)
    if info is None:
        return wording(measure, unit)
    known = wording(measure, info.unit)
    higher, lower = ("faster", "slower") if info.unit == "m/s" else (known.higher, known.lower)
    higher, lower = _COMPARED.get(measure, (higher, lower))
    return Wording(info.label, info.shown_unit, info.factor, higher, lower)


def _decimals(spread: float) -> int:
    """Decimals that show a spread with two significant digits."""
    if not math.isfinite(spread) or spread <= 0.0:
        return 3
    return min(9, max(0, 1 - math.floor(math.log10(spread))))


def number_text(value: float, words: Wording, spread: float, *, unit: bool = True) -> str:
    """Write one SI value with as many digits as a spread (SI) gives sense to.

    Examples
    --------
    >>> number_text(0.1483, Wording("transition time", "ms", 1000.0), 0.023)
    '148 ms'
    """
    number = decimal(value * words.factor, _decimals(abs(spread * words.factor)))
    return with_unit(number, words.unit) if unit else number


def signed_text(value: float, words: Wording, spread: float, *, unit: bool = True) -> str:
    """Write a difference with its sign; none before a zero."""
    number = signed(value * words.factor, _decimals(abs(spread * words.factor)))
    return with_unit(number, words.unit) if unit else number


def interval_text(low: float, high: float, words: Wording, *, signed: bool = False) -> str:
    """Write an interval of SI values with its unit; the word "to" is used as soon as a sign stands in it."""
    spread = high - low
    if signed or low < 0.0:
        write = signed_text if signed else number_text
        return f"{write(low, words, spread, unit=False)} to {write(high, words, spread)}"
    return f"{number_text(low, words, spread, unit=False)}–{number_text(high, words, spread)}"


def load_text(load_kg: float) -> str:
    """Write a load, without decimals where it is whole."""
    return f"{load_kg:.1f}".removesuffix(".0") + " kg"


def iso_day(at_s: float) -> str:
    """Day as 2024-03-26, local."""
    return time.strftime("%Y-%m-%d", time.localtime(at_s))


def join_words(words: list[str]) -> str:
    """Join words with commas and a final "and"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
