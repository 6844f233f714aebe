"""Whether a plate's and a bar's recording belong together, one sentence each."""

from __future__ import annotations

from forcekit.errors import CannotMeasure
from forcekit.mechanics.align import Alignment
from forcekit.mechanics.bar_quality import BAR_MEASURES
from forcekit.mechanics.rack import Agreement
from forcekit.results import QualityCheck

__all__ = ["PAIR_MEASURES", "agreement_check", "alignment_check", "stamps_check"]

PAIR_MEASURES = ("bar_separation", "bar_lead", "bar_velocity_at_takeoff")

HOUR_S = 3600.0
NEAR_HOUR_S = 120.0
"""Clocks set by hand or by radio differ by less than two minutes beside a wrong time zone (our choice)."""
LARGEST_HOURS = 14
AGREE_MISFIT_FRAC = 0.25
DISAGREE_MISFIT_FRAC = 0.5
AGREE_CORRELATION = 0.85
AGREE_GAIN = 0.25
AGREE_DEPTH_Z = 4.0
"""Limits of agreement (our choice)."""
BRAKING_APART_S = 0.008
"""Bar and system of one simulated lift brake equally long within 3 ms; a bar that bends is allowed more (our
choice)."""
STANCE_UNRELATED = 0.2
"""Small movements of the stance that correlate less are hardly those of one lifter and bar: in simulated lifts those of
the right file correlate with 0.3 to 1, half of them above 0.97 (our choice)."""


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


def alignment_check(result: Alignment | CannotMeasure) -> QualityCheck:
    """Say how well plate and bar could be put on one clock, or why not.

    Parameters
    ----------
    result : Alignment or CannotMeasure
        What `align.align_by_motion` returned or raised.
    """
    name = "plate and bar on one clock"
    if isinstance(result, CannotMeasure):
        return QualityCheck(name, "bad", f"{str(result)[0].upper()}{str(result)[1:]}.", PAIR_MEASURES)
    u_ms = 1e3 * result.clock.offset_u_s
    how = result.clock.how
    return QualityCheck(
        name,
        "good",
        f"{how[0].upper()}{how[1:]}; good to {u_ms:.1f} ms. This shows the timing, taking both for the same lift.",
    )


def agreement_check(result: Agreement) -> QualityCheck:
    """Say whether plate and bar tell the same dip.

    Parameters
    ----------
    result : Agreement
    """
    name = "plate and bar agree"
    depth_cm = 1e2 * result.depth_difference.value
    told = (
        f"difference {100 * result.misfit_frac:.0f} %, correlation {result.correlation:.2f}, dip depth differs by "
        f"{depth_cm:.1f} cm"
    )
    apart = result.correlation < AGREE_CORRELATION or result.misfit_frac > DISAGREE_MISFIT_FRAC
    if apart or abs(result.depth_z) > AGREE_DEPTH_Z:
        sentence = f"Plate and bar do not tell the same dip ({told}); the files may be of different lifts."
        return QualityCheck(name, "bad", sentence, BAR_MEASURES)
    if abs(result.gain - 1.0) > AGREE_GAIN or result.misfit_frac > AGREE_MISFIT_FRAC:
        sentence = f"Plate and bar differ more than usual ({told}): the bar left the shoulders, the load is wrong, or"
        return QualityCheck(name, "doubtful", f"{sentence} the files are of different lifts.")
    braking = result.braking_difference_s
    if braking is not None and abs(braking) > BRAKING_APART_S:
        longer = "longer" if braking > 0.0 else "shorter"
        sentence = (
            f"The bar brakes {1e3 * abs(braking):.0f} ms {longer} than lifter and bar together, and one lift explains "
            f"{1e3 * BRAKING_APART_S:.0f} ms at most; the files may be of different lifts."
        )
        return QualityCheck(name, "doubtful", sentence)
    stance = result.stance_correlation
    if stance is not None and stance < STANCE_UNRELATED:
        sentence = (
            f"The dips fit ({told}), but the small movements of the stance do not (correlation {stance:.2f}); the "
            "files may be of different lifts, or the bar swings."
        )
        return QualityCheck(name, "doubtful", sentence)
    return QualityCheck(name, "good", f"Plate and bar tell the same dip ({told}).")
