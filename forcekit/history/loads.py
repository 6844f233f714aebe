"""Which earlier reps a rep at some load may be compared with; nothing is extrapolated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.history.wording import load_text
from forcekit.model import BoolArray, FloatArray

__all__ = [
    "BEYOND_FRAC",
    "LEAST_REPS",
    "LEAST_REPS_LOAD",
    "SAME_LOAD_FRAC",
    "LoadChoice",
    "can_fit",
    "choose_reps",
    "commonest_load",
    "reps_text",
    "span_text",
]

LEAST_REPS = 3
"""Fewest reps a usual range is made from: with 2 the t factor is 15.6, which no one would use."""
LEAST_REPS_LOAD = 6
"""Fewest reps for a line over load; our choice, leaves 4 degrees of freedom."""
SAME_LOAD_FRAC = 0.05
"""Loads within this share of each other count as the same load between loads lifted; our choice."""
BEYOND_FRAC = 0.02
"""The same beyond the lightest or heaviest load lifted, so that a new best by a kilogram or two can be
compared."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadChoice:
    """The reps to compare with.

    Attributes
    ----------
    rows : array of bool, shape (n,)
    with_line : bool
        Whether a line over load is to be fitted through them.
    withheld : str or None
        Why there are too few; None when there are enough.
    """

    rows: BoolArray
    with_line: bool
    withheld: str | None


def choose_reps(loads_kg: FloatArray, load_kg: float, *, line: bool = True) -> LoadChoice:
    """Choose the reps for a comparison at a load.

    Parameters
    ----------
    loads_kg : array, shape (n,)
        Loads of the earlier reps, NaN where not known.
    load_kg : float
        Load of the rep to compare.
    line : bool
        Whether a line over load may be fitted.

    Notes
    -----
    A line over load when at least 6 reps at loads that differ by more than 5 % lie around the load; else
    the reps within 5 % of it (2 % beyond the loads lifted so far), at least 3.
    """
    known = np.isfinite(loads_kg)
    loads = loads_kg[known]
    if not loads.size:
        none = "no earlier rep has a load, and" if loads_kg.size else f"{reps_text(0)} so far, at least"
        return LoadChoice(known, False, f"{none} {LEAST_REPS} are needed")
    inside = bool(loads.min() <= load_kg <= loads.max())
    if line and inside and can_fit(loads):
        return LoadChoice(known, True, None)
    near = known & (np.abs(loads_kg - load_kg) <= (SAME_LOAD_FRAC if inside else BEYOND_FRAC) * load_kg)
    n_near = int(np.count_nonzero(near))
    if n_near >= LEAST_REPS:
        return LoadChoice(near, False, None)
    if not inside and not n_near:
        lightest, heaviest = load_text(float(loads.min())), load_text(float(loads.max()))
        span = f"{lightest} to {heaviest}" if lightest != heaviest else f"all {lightest}"
        why = f"{load_text(load_kg)} is outside the loads so far ({span}) and nothing is extrapolated"
        return LoadChoice(near, False, why)
    why = f"{reps_text(n_near)} near {load_text(load_kg)} so far, at least {LEAST_REPS} are needed"
    return LoadChoice(near, False, why)


def can_fit(loads_kg: FloatArray) -> bool:
    """Whether these loads carry a line: enough reps at loads that differ."""
    spread = float(loads_kg.max() - loads_kg.min())
    return loads_kg.size >= LEAST_REPS_LOAD and spread > SAME_LOAD_FRAC * float(loads_kg.max())


def commonest_load(loads_kg: FloatArray) -> float | None:
    """Load lifted most often, the heaviest of several; None where none is known."""
    known = loads_kg[np.isfinite(loads_kg)]
    if not known.size:
        return None
    kinds, counts = np.unique(known, return_counts=True)
    return float(kinds[counts == counts.max()].max())


def span_text(loads_kg: FloatArray) -> str:
    """Write the loads of some reps, "80 kg" or "60–100 kg"."""
    low, high = load_text(float(loads_kg.min())), load_text(float(loads_kg.max()))
    return low if low == high else f"{low.removesuffix(' kg')}–{high}"


def reps_text(n: int) -> str:
    """Write a number of reps."""
    return "1 rep" if n == 1 else f"{n} reps"
