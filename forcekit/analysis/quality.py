"""Quality checks: what must be right before a number can be believed, and what a failure withholds."""

from __future__ import annotations

from typing import Literal

import numpy as np

from forcekit.analysis.balance import PRESSURE_NAMES
from forcekit.analysis.errors import LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.analysis.segment import SHORTEST_STANCE_S
from forcekit.mechanics.uncertain import K95
from forcekit.mechanics.zero import runs
from forcekit.model import AttemptCard, BoolArray
from forcekit.numbers import decimal, signed
from forcekit.registry import MEASURES
from forcekit.results import FootFrame, QualityCheck

__all__ = ["WEIGHED", "check_all"]

Verdict = Literal["good", "doubtful", "bad"]

WANTED_STANCE_S = 1.0
"""Owen et al. 2014 weigh over 1 s (abstract seen)."""
STILL_FRAC = 0.005
"""Wanted: the force of the stance varies by less than 0.5 % of itself, noise taken off (our choice)."""
SPEED_LIMIT_MPS = 0.05
"""Speed uncertainty (95 %) at the lowest point above which the weighing is called bad (our choice)."""
MASS_DOUBT_FRAC, MASS_BAD_FRAC = 0.02, 0.06
"""Real laboratories differ by 1 % and more from the scale (dos Santos et al. 2017, our reading); clothes and shoes come
on top."""
LONGEST_GAP_S = 0.010
"""A shorter gap is bridged by a line without harm: force bends little in 10 ms (our choice)."""
OUTSIDE_FOOT = (-0.10, 1.10)

WEIGHED = tuple(
    name
    for name, info in MEASURES.items()
    if info.group in ("motion", "force") or name in ("unweighting_time", "braking_time", "dip_time", "drive_time",
    "transition_time", "onset_at", "braking_start_at", "lowest_at", "forward_velocity_at_takeoff")
)  # fmt: skip
"""Measures that need the weighing."""
AT_LOWEST = ("pressure_at_lowest", "pressure_in_drive", "shift_in_dip", "shift_in_drive", "shift_total")
OF_FOOT = tuple(f"{name}_of_foot" for name in PRESSURE_NAMES)


def check_all(
    curves: LiftCurves,
    phases: Phases,
    card: AttemptCard,
    foot: FootFrame,
    *,
    closing: tuple[float, float] | None,
    shortest_stance_s: float = SHORTEST_STANCE_S,
) -> tuple[QualityCheck, ...]:
    """All checks of one lift, in the order a person should read them.

    Parameters
    ----------
    curves, phases, card, foot
        The lift.
    closing : (float, float) or None
        Speed (m/s) in the still stretch after the lift and its standard uncertainty; None if there is none.
    shortest_stance_s : float, second
        A shorter stance is called bad; the scientist may set it lower.
    """
    checks = [
        _stance(curves, phases, shortest_stance_s),
        _mass(curves, card),
        _zero(curves),
        _rate(curves),
        _gaps(curves, phases),
        _saturation(curves, phases),
    ]
    if curves.signals.has_pressure and foot.heel_m is not None and foot.length_m is not None:
        checks.append(_inside_foot(curves, phases, foot))
    if closing is not None:
        checks.append(_closure(*closing))
    return tuple(checks)


def _stance(curves: LiftCurves, phases: Phases, shortest_s: float) -> QualityCheck:
    w = curves.weighing
    length = max(w.last - w.first, phases.onset.place) / curves.rate_hz
    ripple = float(np.sqrt(max(0.0, w.sd_n**2 - curves.noise_n**2))) / w.weight_n
    speed_u = K95 * curves.velocity_at(phases.lowest_place, curves.time(0.0, np.zeros(curves.n_sources))).u
    told = f"{length:.2f} s of standing still, force steady within {100 * ripple:.2f} % (SD)"
    verdict: Verdict
    if length < shortest_s or speed_u > SPEED_LIMIT_MPS:
        verdict, extra = "bad", f"at least {shortest_s:.1f} s of stillness are needed to weigh lifter and bar"
        if length >= shortest_s:
            extra = f"the speed at the lowest point is uncertain by {speed_u:.2f} m/s; stand stiller before the dip"
    elif length < WANTED_STANCE_S or ripple > STILL_FRAC:
        verdict, extra = "doubtful", "1 s or more within 0.5 % are wanted"
    else:
        verdict, extra = "good", "enough"
    return QualityCheck(
        "stance", verdict, f"{told}: {extra}.", WEIGHED + AT_LOWEST + OF_FOOT if verdict == "bad" else ()
    )


def _mass(curves: LiftCurves, card: AttemptCard) -> QualityCheck:
    mass = curves.weight.value / curves.gravity_mps2
    for name, alone in (("body mass", card.body_mass_kg), ("load", card.load_kg)):
        if alone is not None and alone > (1.0 + MASS_DOUBT_FRAC) * mass:
            told = f"{mass:.1f} kg weighed, less than the {name} of {alone:.1f} kg alone"
            return QualityCheck("weighed mass", "bad", f"{told}; forces in newtons are withheld.", _newtons())
    if card.body_mass_kg is None or card.load_kg is None:
        return QualityCheck(
            "weighed mass",
            "good",
            f"{mass:.1f} kg on the plate; body mass and load were not both given to compare.",
        )
    expected = card.body_mass_kg + card.load_kg
    off = mass / expected - 1.0
    told = f"{mass:.1f} kg weighed against {expected:.1f} kg of body and bar ({signed(100 * off, 1)} %)"
    if abs(off) <= MASS_DOUBT_FRAC:
        return QualityCheck("weighed mass", "good", f"{told}: agrees.")
    if abs(off) <= MASS_BAD_FRAC:
        return QualityCheck("weighed mass", "doubtful", f"{told}: check load, body mass and the plate's calibration.")
    withheld = _newtons()
    return QualityCheck(
        "weighed mass",
        "bad",
        f"{told}: load, body mass or the plate's scale is wrong; forces in newtons are withheld.",
        withheld,
    )


def _newtons() -> tuple[str, ...]:
    """Measures that a wrong scale of the plate makes wrong."""
    return tuple(n for n, i in MEASURES.items() if i.group == "force" and i.unit in ("N", "kg", "N s", "W", "N/s"))


def _zero(curves: LiftCurves) -> QualityCheck:
    zero = curves.signals.zero
    if zero.clipped_n is not None:
        return QualityCheck(
            "plate zero",
            "doubtful",
            f"whatever wrote the file set forces under {zero.clipped_n:.0f} N to zero; the zero cannot be checked.",
        )
    if zero.flight_n is not None:
        return QualityCheck(
            "plate zero",
            "doubtful",
            f"in the air the plate reads {signed(zero.flight_n, 0)} N: a foot dragged, or the zero is wrong; "
            "the stated zero is kept.",
        )
    if zero.offset_n is None:
        return QualityCheck("plate zero", "doubtful", "the plate was never seen unloaded; its stated zero is trusted.")
    n = len(zero.stretches)
    told = f"taken from {n} unloaded stretch{'es' if n > 1 else ''}: {signed(zero.offset_n, 1)} N removed"
    if abs(zero.offset_n) > 0.02 * curves.weight.value:
        return QualityCheck("plate zero", "doubtful", f"{told}; zero the plate before the session.")
    return QualityCheck("plate zero", "good", f"{told}.")


def _rate(curves: LiftCurves) -> QualityCheck:
    rate = curves.rate_hz
    withheld = tuple(name for name, info in MEASURES.items() if rate < 0.995 * info.least_rate_hz)
    if withheld:
        return QualityCheck(
            "sampling rate",
            "doubtful",
            f"{rate:.0f} Hz: too slow for {len(withheld)} measures, which are withheld.",
            withheld,
        )
    if rate < 495.0:
        return QualityCheck(
            "sampling rate", "doubtful", f"{rate:.0f} Hz: usable; 500 Hz and more give narrower intervals."
        )
    return QualityCheck("sampling rate", "good", f"{rate:.0f} Hz.")


def _longest_run(mask: BoolArray) -> int:
    """Length of the longest run of True."""
    return max((b - a for a, b in runs(mask)), default=0)


def _gaps(curves: LiftCurves, phases: Phases) -> QualityCheck:
    first = curves.weighing.first
    last = first + int(np.ceil(phases.drive_end_place)) + 1
    missing = curves.signals.missing[first:last]
    if not missing.any():
        return QualityCheck("gaps", "good", "no samples are missing from stance to the end of the drive.")
    longest = _longest_run(missing) / curves.rate_hz
    n = int(missing.sum())
    told = (
        f"{n} sample{' is' if n == 1 else 's are'} missing or frozen from stance to the end of the drive, "
        f"at most {1e3 * longest:.0f} ms in a row"
    )
    if longest <= LONGEST_GAP_S or _longest_run(missing) <= 2:
        return QualityCheck(
            "gaps", "good" if missing.mean() < 0.01 else "doubtful", f"{told}; they were bridged by lines."
        )
    if not curves.signals.missing[first + curves.weighing.last - curves.weighing.first : last].any():
        return QualityCheck("gaps", "doubtful", f"{told}, all of them in the stance; they were bridged by lines.")
    names = tuple(
        n for n in MEASURES if n not in ("system_weight", "system_mass", "stance_pressure", "stance_pressure_of_foot")
    )
    return QualityCheck("gaps", "bad", f"{told}; what depends on them is withheld.", names)


def _saturation(curves: LiftCurves, phases: Phases) -> QualityCheck:
    first = curves.weighing.first
    last = first + int(np.ceil(phases.drive_end_place)) + 1
    n = int(curves.signals.saturated[first:last].sum())
    if n == 0:
        return QualityCheck("saturation", "good", "no channel reached its limit.")
    names = tuple(
        name
        for name, info in MEASURES.items()
        if info.group in ("force", "motion", "horizontal")
        and name not in ("system_weight", "system_mass", "lowest_force_of_weight", "peak_dip_velocity")
    )
    more = (
        "lowest_at",
        "drive_end_at",
        "takeoff_at",
        "dip_time",
        "braking_time",
        "drive_time",
        "transition_time",
    )
    return QualityCheck(
        "saturation",
        "bad",
        f"a channel was at its limit for {1e3 * n / curves.rate_hz:.0f} ms; what comes after is withheld. "
        "Use a larger range.",
        names
        + more
        + AT_LOWEST
        + tuple(f"{a}_of_foot" for a in AT_LOWEST)
        + ("pressure_at_drive_end", "pressure_at_drive_end_of_foot", "side_shift", "left_share"),
    )


def _inside_foot(curves: LiftCurves, phases: Phases, foot: FootFrame) -> QualityCheck:
    n = curves.weighing.last - curves.weighing.first
    fz = curves.force_n[:n]
    place = float(np.mean(-curves.resultant[:n, 4] / fz) - (foot.heel_m or 0.0)) / (foot.length_m or 1.0)
    if OUTSIDE_FOOT[0] <= place <= OUTSIDE_FOOT[1]:
        return QualityCheck("pressure inside the foot", "good", f"{decimal(100 * place, 0)} % of the foot in stance.")
    withheld = tuple(n for n in (*PRESSURE_NAMES[:4], *OF_FOOT[:4]))
    return QualityCheck(
        "pressure inside the foot",
        "bad",
        f"the pressure in stance lies at {decimal(100 * place, 0)} % of the foot: heel line, foot length or the "
        "plate's axes are wrong.",
        withheld,
    )


def _closure(speed_mps: float, u_mps: float) -> QualityCheck:
    speed = signed(speed_mps, 2)
    told = f"standing still again, the speed comes out as {speed} m/s (± {K95 * u_mps:.2f}) where it must be 0"
    if abs(speed_mps) <= max(K95 * u_mps, 0.03):
        return QualityCheck("closure", "good", f"{told}: force and weight belong together.")
    if abs(speed_mps) <= max(3.0 * K95 * u_mps, 0.15):
        return QualityCheck(
            "closure", "doubtful", f"{told}: the feet may have left the plate in part, or the zero drifted."
        )
    return QualityCheck(
        "closure",
        "doubtful",
        f"{told}: part of the landing was not on the plate, load was taken or given, or a channel was at its limit.",
    )
