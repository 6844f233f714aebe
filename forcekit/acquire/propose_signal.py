"""What the numbers of an unknown table say: which column is time, what is a load, where its zero is."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.acquire.csv_layout import Layout
from forcekit.acquire.propose_names import Meaning
from forcekit.constants import STANDARD_GRAVITY_MPS2, UNITS
from forcekit.model import BoolArray, FloatArray

__all__ = ["Levels", "TimeGuess", "find_time", "force_unit", "length_unit", "levels", "rounded_offset", "stated_rate"]

PLAUSIBLE_RATE_HZ = (80.0, 2000.0)
"""Rates of force plates and bar sensors in use; tells seconds from milliseconds (common practice)."""
PLAUSIBLE_MASS_KG = (25.0, 450.0)
"""A lifter with or without a loaded bar (our choice)."""
FEWEST_COUNTS = 4500.0
"""Numbers beyond this are no person in any unit of force, so they are raw counts (450 kg in newtons; our choice)."""
_TIME_UNITS: tuple[Literal["s", "ms", "us"], ...] = ("s", "ms", "us")


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """Which column is the time.

    Attributes
    ----------
    i_column : int or None
    unit : "s", "ms", "us" or None
        None where the column counts samples, so that the rate must be known.
    step : float
        Mean step in the column's own unit.
    is_guess : bool
        The unit was guessed from the step.
    """

    i_column: int | None = None
    unit: Literal["s", "ms", "us"] | None = None
    step: float = 0.0
    is_guess: bool = False


def find_time(columns: dict[int, FloatArray], meanings: Sequence[Meaning], rate_hz: float | None) -> TimeGuess:
    """Find the time column and its unit.

    Parameters
    ----------
    columns : dict of int to array, shape (n,)
    meanings : sequence of Meaning
    rate_hz : float or None
        If it is known.

    Notes
    -----
    A time column never falls and its steps are alike. Its unit is the one in the header, else the one that
    makes the rate fit `rate_hz`, else the one that puts the rate between 80 and 2000 Hz. Steps of exactly 1
    without a unit may be milliseconds or a count of samples; that is left open.
    """
    named = [i for i in columns if meanings[i].quantity in ("time", "counter")]
    unnamed = [i for i in columns if not meanings[i].quantity][:1]
    for i in sorted(named, key=lambda i: meanings[i].quantity != "time") + unnamed:
        steps = np.diff(columns[i])
        step = float(steps.mean())
        ordinary = np.abs(steps - np.median(steps)) <= np.maximum(np.abs(np.median(steps)), step)
        if (steps < 0.0).any() or step == 0.0 or ordinary.mean() < 0.9:
            continue
        guess = _time_unit(i, step, steps, meanings[i], rate_hz)
        if guess is not None:
            return guess
    return TimeGuess()


def _time_unit(i: int, step: float, steps: FloatArray, meaning: Meaning, rate_hz: float | None) -> TimeGuess | None:
    low, high = PLAUSIBLE_RATE_HZ
    stated = next((u for u in _TIME_UNITS if u == meaning.unit), None)
    usual = float(np.median(steps)) if float(np.median(steps)) > 0.0 else step
    if stated is not None and 20.0 <= 1.0 / (usual * UNITS[stated][1]) <= 20000.0:
        return TimeGuess(i, stated, usual)
    if rate_hz is not None:
        fits = [u for u in _TIME_UNITS if abs(step * UNITS[u][1] * rate_hz - 1.0) < 0.05]
        if fits and meaning.quantity != "counter":
            return TimeGuess(i, fits[0], step)
    if meaning.quantity == "counter" or bool((steps == 1.0).all()):
        return TimeGuess(i, None, 1.0)
    fits = [u for u in _TIME_UNITS if low <= 1.0 / (step * UNITS[u][1]) <= high * 1.001]
    return TimeGuess(i, fits[0], step, True) if fits else None


def stated_rate(layout: Layout) -> tuple[float, str] | None:
    """Rate (Hz) that a line above the table states, and that line.

    Parameters
    ----------
    layout : Layout
    """
    for line in layout.preamble:
        match = re.search(r"(?i)(?:rate|freq|abtast|hz)[^0-9+-]{0,30}(\d+(?:\.\d+)?)(?!\d|[.,:/-]\d)", line)
        if match is not None and 20.0 <= float(match[1]) <= 20000.0:
            return float(match[1]), line.strip()
    return None


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Where a load signal rests.

    Attributes
    ----------
    loaded : float
        Typical value with the lifter on the plate.
    unloaded : float or None
        Value of the empty plate; None if it is never empty.
    is_unloaded : array of bool, shape (n,)
    offset_matters : bool
        The empty plate is clearly not at zero.
    """

    loaded: float
    unloaded: float | None
    is_unloaded: BoolArray
    offset_matters: bool

    @property
    def load(self) -> float:
        """Loaded less unloaded, with its sign."""
        return self.loaded - (self.unloaded or 0.0)


def levels(values: FloatArray) -> Levels:
    """Find the levels of the loaded and of the empty plate.

    Parameters
    ----------
    values : array, shape (n,)
        A load in any unit, with any sign and offset.

    Notes
    -----
    The signal is cut into about 100 blocks; a block is flat when it scatters by less than 3 % of the whole
    range. The flat level nearest to zero is the empty plate if it lies within 12 % of the largest level
    around zero, or if there is another flat level far from it (a raw converter with an offset). The loaded
    level is the median of the other flat blocks, or of all other samples. The offset matters when it is more
    than five standard errors and 0.3 % of the load.
    """
    nothing = np.zeros(values.size, dtype=bool)
    middle = float(np.median(values))
    low, high = (float(q) for q in np.quantile(values, (0.01, 0.99)))
    span = high - low
    width = max(10, values.size // 100)
    if span == 0.0 or (span < 0.3 * abs(middle) < 0.3 * FEWEST_COUNTS):
        return Levels(middle, None, nothing, False)
    blocks = values[: values.size // width * width].reshape(-1, width)
    means, is_flat = np.median(blocks, axis=1), blocks.std(axis=1) < 0.03 * span
    flat = means[is_flat]
    if flat.size == 0:
        return Levels(middle, None, nothing, False)
    base = float(flat[np.argmin(np.abs(flat))])
    others = flat[np.abs(flat - base) > 0.05 * span]
    far = float(np.median(others)) if others.size else base
    if abs(base) > 0.12 * max(abs(low), abs(high)):
        at_two = np.minimum(np.abs(means - base), np.abs(means - far)) < 0.1 * span
        if abs(far - base) < 0.2 * span or at_two.mean() < 0.5:
            return Levels(middle, None, nothing, False)
    empty = nothing.copy()
    empty[: blocks.size] = np.repeat(is_flat & (np.abs(means - base) < 0.03 * span), width)
    base = float(np.median(values[empty]))
    loaded = float(np.median(others if others.size else values[np.abs(values - base) > 0.25 * span]))
    error = float(values[empty].std()) / np.sqrt(empty.sum())
    matters = abs(base) > max(5.0 * error, 0.003 * abs(loaded - base))
    return Levels(loaded, base, empty, matters)


def rounded_offset(offset: float, load: float) -> float:
    """Offset to a hundredth of a percent of the load."""
    return round(offset, 4 - math.floor(math.log10(abs(load)))) if load else offset


def force_unit(load: float, stated: str | None) -> tuple[str, str]:
    """Unit of a load and a remark on how it is known.

    Parameters
    ----------
    load : float
        Loaded less unloaded level, both plates together, positive.
    stated : str or None
        Unit in the header.

    Notes
    -----
    Without a unit, the one is taken that makes the load 25 to 450 kg; if there is none the numbers are
    counts.
    """
    low, high = PLAUSIBLE_MASS_KG
    if stated is not None:
        mass_kg = load * UNITS[stated][1] / STANDARD_GRAVITY_MPS2
        if low <= mass_kg <= high:
            return stated, f"from the header; the load is then {mass_kg:.0f} kg"
        return stated, f"CHECK: the header says so, but the load would be {mass_kg:.3g} kg"
    for unit in ("N", "kgf", "kN"):
        mass_kg = load * UNITS[unit][1] / STANDARD_GRAVITY_MPS2
        if low <= mass_kg <= high:
            also = ", or is it in body weights?" if unit == "kN" else ""
            return unit, f"CHECK: guessed, because the load is then {mass_kg:.0f} kg{also}"
    return "N", f"CHECK: no unit fits, the load is {load:.4g} of something; raw counts?"


def length_unit(values: FloatArray, stated: str | None) -> tuple[str, str]:
    """Unit of a centre of pressure and a remark on how it is known.

    Parameters
    ----------
    values : array, shape (n,)
        In loaded samples.
    stated : str or None
        Unit in the header.
    """
    if stated is not None:
        return stated, "from the header"
    size = float(np.quantile(np.abs(values), 0.9)) if values.size else 0.0
    unit = "m" if size <= 1.2 else "cm" if size <= 60.0 else "mm"
    return unit, f"CHECK: guessed, the pressure lies up to {size:.3g} from the origin"
