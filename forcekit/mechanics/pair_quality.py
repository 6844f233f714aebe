"""Whether a plate's and a bar's recording belong together, one sentence each."""

from __future__ import annotations

from dataclasses import replace

from forcekit.errors import CannotMeasure
from forcekit.mechanics.bar_quality import BAR_MEASURES
from forcekit.mechanics.clock_map import ClockMap
from forcekit.mechanics.pair_surroundings import Surroundings
from forcekit.mechanics.rack import Agreement
from forcekit.numbers import decimal
from forcekit.results import QualityCheck

__all__ = ["PAIR_MEASURES", "agreement_check", "alignment_check", "moved_check", "stamps_check"]

PAIR_MEASURES = ("bar_separation", "bar_lead", "bar_velocity_at_takeoff")

HOUR_S = 3600.0
NEAR_HOUR_S = 120.0
"""Clocks set by hand or by radio differ by less than two minutes beside a wrong time zone (our choice)."""
LARGEST_HOURS = 14
DISAGREE_MISFIT_FRAC = 0.5
AGREE_CORRELATION = 0.85
AGREE_DEPTH_Z = 4.0
"""Limits of agreement (our choice)."""
LEFT_FRAC = 0.014
"""So much of a dip may remain unexplained by the bar of the same lift (our choice; `tests/benchmarks/pairs.py` tells
how often right and wrong files leave more, with bars and bodies that are rigid, or bend and swing)."""
LEFT_MOST_FRAC = 0.035
"""Two and a half times that, for what the simulated bodies lack; beyond it no agreement around the dip helps (our
choice)."""
AROUND_LEAST = 0.4
"""Right files correlate with 0.5 to 1 around the dip, half of the wrong ones with less than 0.4 (simulated lifts)."""
AROUND_AWAY_S, AROUND_BETTER = 0.05, 0.2
"""Another lag fits better when it is further away than this, and better by this (our choice)."""
CONFIRMED, CONFIRMED_S = 0.7, 0.03
"""The surroundings confirm that both are of one lift when they correlate so much, best within this lag; of wrong files
one in twenty does."""


def stamps_check(plate_start_s: float, plate_end_s: float, bar_start_s: float, bar_end_s: float) -> QualityCheck:
    """Check that two recordings stamped with the time of day overlap.

    Parameters
    ----------
    plate_start_s, plate_end_s, bar_start_s, bar_end_s : float
        Seconds since a common origin such as 1970 (UTC), as each device stamped them.
    """
    name = "clocks of plate and bar"
    if min(plate_end_s, bar_end_s) > max(plate_start_s, bar_start_s):
        return QualityCheck(name, "good", "The recordings of plate and bar overlap in time.")
    apart = bar_start_s - plate_start_s
    hours = round(apart / HOUR_S)
    if hours != 0 and abs(hours) <= LARGEST_HOURS and abs(apart - hours * HOUR_S) < NEAR_HOUR_S:
        way = "ahead of" if hours > 0 else "behind"
        return QualityCheck(
            name,
            "doubtful",
            f"The bar's clock is {abs(hours)} h {way} the plate's: time zone or summer time; the movement is used to "
            "align them.",
        )
    return QualityCheck(
        name,
        "bad",
        f"The recordings do not overlap: the bar's starts {abs(apart):.0f} s {'after' if apart > 0 else 'before'} the "
        "plate's; they may be of different lifts.",
        PAIR_MEASURES,
    )


def alignment_check(result: ClockMap | CannotMeasure) -> QualityCheck:
    """Say how well plate and bar could be put on one clock, or why not.

    Parameters
    ----------
    result : ClockMap or CannotMeasure
        What `align.align_by_motion` or `align_marks.align_by_knocks` found, or raised.
    """
    name = "plate and bar on one clock"
    if isinstance(result, CannotMeasure):
        return QualityCheck(name, "bad", f"{str(result)[0].upper()}{str(result)[1:]}.", PAIR_MEASURES)
    told = f"{result.how[0].upper()}{result.how[1:]}; good to {1e3 * result.offset_u_s:.1f} ms."
    taken = " This shows the timing, taking both for the same lift." if result.by == "movement" else ""
    return QualityCheck(name, "good", told + taken)


def moved_check(check: QualityCheck, moved_s: float, u_s: float) -> QualityCheck:
    """Add to an alignment's check how far the bending bar of this lift had moved it.

    Parameters
    ----------
    check : QualityCheck
        From `alignment_check`.
    moved_s, u_s : float, second
        What the clock was put right by, and its standard uncertainty now.
    """
    if moved_s == 0.0:
        return check
    return replace(
        check,
        sentence=f"{check.sentence} The bar bent in this lift and its discs followed late, which had moved the clock "
        f"by {1e3 * abs(moved_s):.1f} ms: put right, good to {1e3 * u_s:.1f} ms.",
    )


def agreement_check(result: Agreement) -> QualityCheck:
    """Say whether plate and bar tell the same lift.

    Parameters
    ----------
    result : Agreement

    Notes
    -----
    Bad: the curves differ and no softness of bar and body explains it. Doubtful: too much of the dip is unexplained;
    or the movement around the dip contradicts; or more than usual is unexplained and nothing around confirms.
    """
    name = "plate and bar agree"
    depth_cm, left = 1e2 * result.depth_difference.value, result.left_frac
    told = (
        f"correlation {result.correlation:.2f}, dip depth differs by {abs(depth_cm):.1f} cm, "
        f"unexplained {100 * left:.1f} %"
    )
    apart = result.correlation < AGREE_CORRELATION or result.misfit_frac > DISAGREE_MISFIT_FRAC
    if (apart or abs(result.depth_z) > AGREE_DEPTH_Z) and left > LEFT_MOST_FRAC:
        sentence = f"Plate and bar do not tell the same dip ({told}); the files may be of different lifts."
        return QualityCheck(name, "bad", sentence, BAR_MEASURES)
    if left > LEFT_MOST_FRAC:
        sentence = (
            f"The bar's movement leaves {100 * left:.1f} % of that of lifter and bar unexplained, and one lift leaves "
            f"{100 * LEFT_MOST_FRAC:.1f} % at most: the files are of different lifts, the bar left the shoulders, or "
            "the load is wrong."
        )
        return QualityCheck(name, "doubtful", sentence)
    around = result.around
    if around is not None and _contradicts(around):
        sentence = (
            f"The dips fit ({told}), but the movement around the dip does not (correlation {around.correlation:.2f}, "
            f"{around.best:.2f} if moved by {decimal(1e3 * around.best_lag_s, 0)} ms); the files may be of different "
            "lifts."
        )
        return QualityCheck(name, "doubtful", sentence)
    if left > LEFT_FRAC and (around is None or not _confirms(around)):
        sentence = (
            f"The bar's movement leaves {100 * left:.1f} % of that of lifter and bar unexplained, more than usual, and "
            "no movement around the dip confirms that both are of one lift; the files may be of different lifts."
        )
        return QualityCheck(name, "doubtful", sentence)
    seen = "" if around is None else f"; around the dip they correlate with {around.correlation:.2f}"
    return QualityCheck(name, "good", f"Plate and bar tell the same dip ({told}){seen}.")


def _contradicts(around: Surroundings) -> bool:
    """Whether the movement around the dip fits nowhere, or better elsewhere."""
    away = abs(around.best_lag_s) > AROUND_AWAY_S and around.best - around.correlation > AROUND_BETTER
    return away or around.correlation < AROUND_LEAST


def _confirms(around: Surroundings) -> bool:
    """Whether the movement around the dip fits at the alignment of the dip."""
    return around.correlation >= CONFIRMED and abs(around.best_lag_s) <= CONFIRMED_S
