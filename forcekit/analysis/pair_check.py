"""Whether the files of plate and bar are of one lift: the dip explained by the bar, and what surrounds the dip."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from forcekit.analysis.arms import BarLift
from forcekit.analysis.errors import LiftCurves
from forcekit.analysis.phases import Phases
from forcekit.mechanics.bar_readout import bar_at, read_ahead
from forcekit.mechanics.pair_fit import (
    FIT_RATE_HZ,
    SHIFT_U_S,
    Explained,
    explained_by_bar,
    predicted_by_bar,
    smoothed,
)
from forcekit.mechanics.pair_quality import LEFT_FRAC
from forcekit.mechanics.pair_surroundings import Surroundings, surroundings
from forcekit.mechanics.rack import Agreement, agreement, joined
from forcekit.mechanics.slide import spline
from forcekit.model import FloatArray

__all__ = ["compare_pair", "straightened"]

DIP_FROM_S, DIP_TO_S = 0.2, 0.03
"""The dip that the bar must explain: from so long before the onset to so long after the lowest point, where the arms do
not push yet (our choice)."""
GUARD_S, CAUGHT_S = 0.15, 0.6
"""What surrounds the dip ends so long before the onset and begins so long after the drive, when the bar is caught and
the arms are straight (our choice)."""
LEAST_CLOCK_U_S = 0.0005
SHIFT_U_FRAC = 0.15
"""Standard uncertainty of how far a bending bar moved the clock, over that move: bars and bodies differ from the model
(our choice; with it the lead of simulated bars is covered by 97 % and more, see `tests/benchmarks/bar_clock.py`)."""
LEAST_SHIFT_S = 0.002
"""Less than this is not put right: rigid simulated bars seem to have moved the clock by up to 1.3 ms."""


def compare_pair(
    lift: BarLift, curves: LiftCurves, phases: Phases, load_kg: float | None
) -> tuple[Agreement, Explained]:
    """Compare plate and bar in the dip and around it.

    Parameters
    ----------
    lift : BarLift
    curves, phases : of the plate
    load_kg : float or None
        None if nobody said it.
    """
    t, system, bar = _on_one_grid(lift, curves)
    covered = np.isfinite(bar)
    bar = np.where(covered, bar, 0.0)
    mass = curves.weight.value / curves.gravity_mps2
    onset, low = phases.onset_at.value, phases.lowest_at.value
    first, last = np.searchsorted(t, (onset - DIP_FROM_S, low + DIP_TO_S)).tolist()
    known = lift.clock is not None and lift.clock.by != "movement"
    shift_u = max(LEAST_CLOCK_U_S, lift.clock_u_s(low)) if known else SHIFT_U_S
    fit = explained_by_bar(system, bar, (first, last), mass_kg=mass, load_kg=load_kg, shift_u_s=shift_u)
    outside = covered & ((t < onset - GUARD_S) | (t > phases.drive_end_at.value + CAUGHT_S))
    around: Surroundings | None = surroundings(
        system,
        predicted_by_bar(bar, fit, mass_kg=mass, load_kg=load_kg),
        outside,
        FIT_RATE_HZ,
        gravity_mps2=curves.gravity_mps2,
        system_noise=curves.gravity_mps2 * curves.noise_n / curves.weight.value * math.sqrt(2.0 / curves.rate_hz),
        bar_noise=lift.motion.accel_noise,
    )
    read_ahead(lift.motion, {"travel": (lift.at(onset), lift.at(low))})
    depth_bar = bar_at(lift.motion, "travel", lift.at(onset)) - bar_at(lift.motion, "travel", lift.at(low))
    depth = curves.travel_at(phases.onset.place, phases.onset_at) - curves.travel_at(
        phases.lowest_place, phases.lowest_at
    )
    plate, other = joined(depth, depth_bar, curves.n_sources)
    dip = slice(first, last)
    return agreement(system[dip], bar[dip], plate, other, left_frac=fit.left_frac, around=around), fit


def straightened(lift: BarLift, fit: Explained) -> BarLift:
    """Lift whose clock allows for what bends: discs that follow late, and soft parts of the body.

    Parameters
    ----------
    lift : BarLift
    fit : Explained
        From `compare_pair`.

    Notes
    -----
    An alignment by the dip takes bar and body for rigid. Where the fit explains the dip, a clear shift is put right and
    a part of it stays uncertain. Where it does not (the bar left the shoulders, the arms pushed), or the shift is
    small, the clock is as uncertain as the shift. A clock that does not come from the movement is left as it is.
    """
    clock = lift.clock
    clear = fit.left_frac <= LEFT_FRAC and abs(fit.shift_s) >= LEAST_SHIFT_S
    if clock is None or clock.by != "movement" or not clear:
        return replace(lift, moved_s=abs(fit.shift_s))
    moved = replace(clock, offset_s=clock.offset_s + fit.shift_s)
    return replace(lift, clock=moved, moved_s=SHIFT_U_FRAC * abs(fit.shift_s))


def _on_one_grid(lift: BarLift, curves: LiftCurves) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times on the plate's clock, system and bar, smoothed alike; the bar is NaN where it is not known."""
    signals, motion = curves.signals, lift.motion
    ends = lift.lift_times(motion.t_s[[0, -1]])
    rate = curves.rate_hz
    t0 = float(signals.t_s[0])
    a = max(0, int((ends[0] - t0) * rate))
    b = min(signals.force_n.size, int((ends[1] - t0) * rate) + 2)
    system = curves.gravity_mps2 * (signals.force_n[a:b] / curves.weight.value - 1.0)
    start, stop = t0 + a / rate, t0 + (b - 1) / rate
    t = start + np.arange(int((stop - start) * FIT_RATE_HZ) + 1) / FIT_RATE_HZ
    on_plate, _ = spline(smoothed(system, rate), start, rate).at(t)
    t_bar = np.interp(t, (start, stop), [lift.at(start), lift.at(stop)])
    inside = (t_bar >= 0.0) & (t_bar <= motion.t_s[-1])
    curve = spline(smoothed(motion.acceleration_mps2[:, 2], motion.rate_hz), 0.0, motion.rate_hz)
    on_bar, _ = curve.at(np.clip(t_bar, 0.0, motion.t_s[-1]))
    return t, on_plate, np.where(inside, on_bar, np.nan)
