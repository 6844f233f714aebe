"""How every source of error moves the curves of one lift, source by source.

For each independent source there is a curve: the change of force, speed, travel, forward force and moments when
that source moves by one standard uncertainty. Whatever is read off the curves later (a depth, a time, a ratio)
inherits the parts and with them every correlation. First order (JCGM 100); judged against Monte Carlo and against
simulated lifts in the tests.

All of them are sums of a few curves (see `error_curves`), so that only the coefficients are kept and the curves are
worked out where something is read off.

Sources
-------
plate      gain, zero and drift of each channel; positions of the cells
weighing   noise of the mean; sway speed at both ends of the stance (see `mechanics.stance.sway_speed`)
noise      of the force during the lift, in blocks: a wandering speed, as white noise makes it
place      local gravity, when the site is not stated
sampling   what the trapezoid rule loses at this rate, from the same sum with every second sample
local      noise at the instants read off the force, one slot for each reading
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forcekit.analysis.error_curves import (
    ErrorCurve,
    PlateBasis,
    ResultantErrors,
    RunningIntegrals,
    StepCurves,
    plate_basis,
)
from forcekit.mechanics.crossings import local_fit
from forcekit.mechanics.motion import Motion, running_integral
from forcekit.mechanics.plate import PlateSignals
from forcekit.mechanics.plate_matrix import FX, FZ, MX, MY, pressure, pressure_floor
from forcekit.mechanics.stance import Weighing, sway_speed
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray

__all__ = ["LOCAL_SLOTS", "LiftCurves", "lift_curves"]

N_NOISE_BLOCKS = 24
LOCAL_SLOTS = (
    "onset",
    "braking start",
    "drive end",
    "take-off",
    "force at lowest",
    "peak force",
    "lowest force",
    "peak power",
    "heel line",
    "foot length",
    "stance pressure",
    "pressure at lowest",
    "pressure in drive",
    "pressure at drive end",
    "forward sway at start",
    "forward sway at end",
)
UNKNOWN_SITE_U_FRAC = 0.0015
"""Normal gravity varies by 0.53 % between equator and pole; a rectangular distribution of that width has this SD."""
BRACKETED_DRIFT_FRAC = 0.3
"""Part of the drift left when the plate was zeroed before and after the lift (our choice)."""
WANDER_FRAC = 0.0001
"""Slow wander of the mean force beyond sway and the stated drift: 3 s means of the open stance recordings
(Santos & Duarte 2016) scatter by 0.02 to 0.04 % of weight, most of it the drift of the plate."""
MOMENT_ARM_M = 0.25
"""Turns an uncertain force zero into an uncertain moment zero: half the size of a plate (our choice)."""
LOCAL_HALF_S = 0.008
"""Half-width of the parabola that reads a force off at an instant (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class LiftCurves:
    """Curves of one lift from the start of stance on, and their changes per source.

    Attributes
    ----------
    sway_mps : (float, float)
        Standard deviation of the vertical sway speed at the start and at the end of the stance.
    motion : Motion
    resultant : array, shape (n, 5)
    cop_x_m, cop_y_m : array, shape (n,)
        Centre of pressure; NaN where the force is too low to say.
    weight : Uncertain
        System weight (N).
    d_force, d_velocity, d_travel : ErrorCurve
        Changes for each of the s sources, the local slots last and zero here.
    d_resultant : ResultantErrors
    d_gravity : array, shape (s,)
        Relative change of gravity per source.
    source_plate : array of int, shape (s,)
        Number of the plate a source belongs to, -1 for the others.
    noise_n : float
        White noise of the force.
    """

    rate_hz: float
    t0_s: float
    gravity_mps2: float
    signals: PlateSignals
    weighing: Weighing
    sway_mps: tuple[float, float]
    motion: Motion
    resultant: FloatArray
    force_n: FloatArray
    cop_x_m: FloatArray
    cop_y_m: FloatArray
    weight: Uncertain
    d_force: ErrorCurve
    d_velocity: ErrorCurve
    d_travel: ErrorCurve
    d_resultant: ResultantErrors
    d_gravity: FloatArray
    source_plate: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    noise_n: float
    n_sources: int
    """Number of sources, the local slots counted."""

    def parts(self, d_curve: ErrorCurve, place: float) -> FloatArray:
        """Parts of a curve at a place: linear between samples, local slots zero; shape (n_sources,)."""
        return d_curve.at(place)

    def resultant_parts(self, row: int, first: int, weights: FloatArray) -> FloatArray:
        """Parts of a weighted sum of one row of the resultant over samples from `first` on; shape (n_sources,)."""
        out = np.zeros(self.n_sources)
        found = self.d_resultant.weighted(row, first, weights)
        out[: found.size] = found
        return out

    def local(self, slot: str, u: float) -> FloatArray:
        """Parts of a reading error that belongs to one slot alone."""
        out = np.zeros(self.n_sources)
        out[len(out) - len(LOCAL_SLOTS) + LOCAL_SLOTS.index(slot)] = u
        return out

    def time(self, place: float, parts: FloatArray) -> Uncertain:
        """Return the instant of a place in seconds from the recording's start."""
        return Uncertain(self.t0_s + place / self.rate_hz, parts)

    def velocity_at(self, place: float, when: Uncertain) -> Uncertain:
        """Speed at an uncertain instant."""
        m = self.motion
        return Uncertain(
            m.velocity_at(place), self.parts(self.d_velocity, place) + m.acceleration_at(place) * when.parts
        )

    def travel_at(self, place: float, when: Uncertain) -> Uncertain:
        """Travel at an uncertain instant."""
        m = self.motion
        return Uncertain(m.travel_at(place), self.parts(self.d_travel, place) + m.velocity_at(place) * when.parts)

    def force_at(self, place: float, when: Uncertain, slot: str) -> Uncertain:
        """Force at an uncertain instant, from a parabola through the samples around it."""
        half = LOCAL_HALF_S * self.rate_hz
        value, slope, gain = local_fit(self.force_n, place, half)
        u_local = float(np.hypot(gain * self.noise_n, self.bend_n(place, half)))
        parts = self.parts(self.d_force, place) + slope * self.rate_hz * when.parts + self.local(slot, u_local)
        return Uncertain(value, parts)

    def bend_n(self, place: float, half_width: float) -> float:
        """Error (N) of reading the force between samples when the fit has no samples to see its bend."""
        if half_width >= 2.0:
            return 0.0
        i = int(min(max(round(place), 1), self.force_n.size - 2))
        second = abs(float(self.force_n[i - 1] - 2.0 * self.force_n[i] + self.force_n[i + 1]))
        # White noise alone gives a second difference of about twice its own standard deviation; half of that is taken
        # off, since noise may also hide a bend.
        return max(0.0, second - self.noise_n) / 8.0


def _plate_sources(signals: PlateSignals, basis: PlateBasis, at_s: float) -> tuple[FloatArray, list[int]]:
    """Change of the resultant for one standard uncertainty of each error of the plates, and whose it is.

    Each as its coefficients on the curves of the basis, shape (s, 5, b).
    """
    sources: list[FloatArray] = []
    plate_of: list[int] = []
    for number, plate in enumerate(signals.plates):
        mine = np.flatnonzero(signals.owner == number)
        matrix = signals.matrix[:, mine]
        if plate.kind == "pressure":  # one gain for the force and with it its products
            sources.append(basis.on(mine, plate.gain_u * matrix)[None])
        else:
            sources.append(basis.each(mine, plate.gain_u * matrix))
        zero_u, reference_s, drift_frac = _zero_quality(signals, plate.zero_u_n, mine, at_s)
        scale = np.where(np.abs(matrix[[FZ, FX]]).max(axis=0) > 0.0, 1.0, MOMENT_ARM_M)
        if plate.kind == "cells":  # the stated zero and drift are those of the plate's sum
            scale[:] = 1.0 / np.sqrt(mine.size)
        zero = zero_u if signals.zero.times_s.size else scale * zero_u
        drift = scale * drift_frac * plate.drift_u_nps
        steady = basis.steady(zero * matrix, drift * (at_s - reference_s) * matrix, drift * matrix)
        if plate.kind == "pressure":  # which does not follow the force's zero; its products have no zero of their own
            late = float(drift[0]) * matrix
            sources.append(basis.shared(number, float(zero[0]) * matrix, 0.0 * matrix)[None])
            sources.append(basis.shared(number, (at_s - reference_s) * late, late)[None])
            steady = steady[3:]
        sources.append(steady.reshape(-1, 5, basis.n))
        sources.append(_position_sources(plate.kind, plate.position_u_m, matrix, mine, basis))
        plate_of += [number] * (sum(len(part) for part in sources) - len(plate_of))
    return np.concatenate(sources), plate_of


def _zero_quality(
    signals: PlateSignals, zero_u_n: float, mine: np.ndarray[tuple[int, ...], np.dtype[np.int64]], at_s: float
) -> tuple[FloatArray, float, float]:
    """Zero uncertainty of each channel, the time it was zeroed at, and the part of the drift left."""
    zero = signals.zero
    if zero.times_s.size == 0:
        return np.full(mine.size, zero_u_n), at_s, 1.0
    nearest = int(np.argmin(np.abs(zero.times_s - at_s)))
    bracketed = bool(zero.times_s.min() < at_s < zero.times_s.max())
    u = signals.noise[mine] / np.sqrt(zero.counts[nearest])
    return u, float(zero.times_s[nearest]), BRACKETED_DRIFT_FRAC if bracketed else 1.0


def _position_sources(
    kind: str, u_m: float, matrix: FloatArray, mine: np.ndarray[tuple[int, ...], np.dtype[np.int64]], basis: PlateBasis
) -> FloatArray:
    """Change of the moments when a cell, or the whole pressure frame, sits elsewhere by one standard uncertainty."""
    if kind == "vertical" or not np.any(matrix[[MX, MY]]):
        return np.zeros((0, 5, basis.n))
    forces = u_m * matrix[FZ]
    both = []
    for row, sign in ((MX, 1.0), (MY, -1.0)):
        d = np.zeros((5, mine.size))
        d[row] = sign * forces
        both.append(d)
    if kind != "cells":
        return np.stack([basis.on(mine, d) for d in both])
    return np.stack([basis.each(mine, d) for d in both], axis=1).reshape(-1, 5, basis.n)


def lift_curves(
    signals: PlateSignals,
    weighing: Weighing,
    motion: Motion,
    last: int,
    *,
    gravity_mps2: float,
    site_known: bool,
) -> LiftCurves:
    """Curves of a lift with all their error curves.

    Parameters
    ----------
    signals : PlateSignals
        Of the whole recording.
    weighing : Weighing
        The stance, in samples of the recording; the curves start at its first sample.
    motion : Motion
        Already integrated over the same window.
    last : int
        Last+1 sample of the window.
    gravity_mps2 : float
    site_known : bool
        Whether gravity is that of the site.
    """
    first = weighing.first
    n_stance = weighing.last - first
    resultant = signals.resultant(first, last)
    force = np.ascontiguousarray(resultant[:, FZ])
    cop_x_m, cop_y_m = pressure(resultant, pressure_floor(weighing.weight_n))
    noise_n = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    basis = plate_basis(signals, first, last)
    on_curves, plate_of = _plate_sources(signals, basis, float(signals.t_s[first]))
    sway = sway_speed(signals.force_n[first : weighing.last], signals.rate_hz, weighing.weight_n, noise_n, gravity_mps2)
    rows, d_weight_rows, d_start_rows = _force_rows(weighing, sway, noise_n, signals.rate_hz, gravity_mps2)
    edges = np.linspace(n_stance, last - first, N_NOISE_BLOCKS + 1).round().astype(int)
    steps = StepCurves.of([(0, n_stance), *((a, b) for a, b in pairwise(edges.tolist()) if b > a)])
    n_plate, n_rows = len(plate_of), len(rows) + steps.n - 1
    n = n_plate + n_rows + 2 + len(LOCAL_SLOTS)
    i_gravity, i_sampling = n_plate + n_rows, n_plate + n_rows + 1
    on_steps = np.zeros((n, steps.n))
    on_steps[n_plate : n_plate + len(rows), 0] = rows
    on_steps[n_plate + len(rows) : i_gravity, 1:] = np.diag(noise_n / np.sqrt(steps.length[1:]))
    on_rows = np.zeros((n, basis.n))
    on_rows[:n_plate] = on_curves[:, FZ]
    d_weight = np.zeros(n)
    d_weight[:n_plate] = on_curves[:, FZ] @ basis.curves[:, :n_stance].mean(axis=1)
    d_weight[n_plate : n_plate + len(rows)] = d_weight_rows
    d_start = np.zeros(n)
    d_start[n_plate : n_plate + len(rows)] = d_start_rows
    gravity_u = 0.0001 if site_known else UNKNOWN_SITE_U_FRAC
    of_weight = basis.on(np.arange(signals.matrix.shape[1]), signals.matrix)[FZ] / weighing.weight_n
    per_newton = gravity_mps2 / weighing.weight_n
    moving = np.zeros((n, basis.n + 3 + steps.n))
    moving[:, : basis.n] = per_newton * (on_rows - np.outer(d_weight, of_weight))
    moving[:, basis.n] = d_start
    moving[i_gravity, basis.n + 1] = gravity_u
    moving[i_sampling, basis.n + 2] = 1.0
    moving[:, basis.n + 3 :] = on_steps
    moving_twice = moving.copy()
    moving[:, basis.n + 3 :] *= per_newton / signals.rate_hz
    moving_twice[:, basis.n + 3 :] *= per_newton / signals.rate_hz**2
    integrals = RunningIntegrals.of(basis.curves, 1.0 / signals.rate_hz)
    once, twice = _further(motion)
    d_gravity = np.zeros(n)
    d_gravity[i_gravity] = gravity_u
    source_plate = np.full(n, -1)
    source_plate[:n_plate] = plate_of
    return LiftCurves(
        rate_hz=signals.rate_hz,
        t0_s=float(signals.t_s[first]),
        gravity_mps2=gravity_mps2,
        signals=signals,
        weighing=weighing,
        sway_mps=sway,
        motion=motion,
        resultant=resultant,
        force_n=force,
        cop_x_m=cop_x_m,
        cop_y_m=cop_y_m,
        weight=Uncertain(weighing.weight_n, d_weight),
        d_force=ErrorCurve(integrals, once[:0], steps, np.hstack((on_rows, on_steps)), 0),
        d_velocity=ErrorCurve(integrals, once, steps, moving, 1),
        d_travel=ErrorCurve(integrals, twice, steps, moving_twice, 2),
        d_resultant=ResultantErrors(basis.curves, on_curves),
        d_gravity=d_gravity,
        source_plate=source_plate,
        noise_n=noise_n,
        n_sources=n,
    )


def _force_rows(
    weighing: Weighing, sway_mps: tuple[float, float], noise_n: float, rate_hz: float, gravity_mps2: float
) -> tuple[list[float], list[float], list[float]]:
    """Sources of the weighing: change of the force in the stance, of the weight, of the starting speed."""
    mass = weighing.weight_n / gravity_mps2
    at_start, at_end = sway_mps
    n_stance = weighing.last - weighing.first
    swing = mass * rate_hz / n_stance
    mean, wander = noise_n / np.sqrt(n_stance), WANDER_FRAC * weighing.weight_n
    # A force that is off all through the stance weighs wrong but makes no speed in it.
    return [mean, wander, 0.0, 0.0], [mean, wander, -swing * at_start, swing * at_end], [0.0, 0.0, -at_start, 0.0]


def _further(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """What starting speed, gravity and sampling do to speed and travel; each of shape (3, n)."""
    n = motion.velocity_mps.size
    once, twice = np.empty((3, n)), np.empty((3, n))
    once[0], twice[0] = 1.0, np.arange(n) / motion.rate_hz
    once[1], twice[1] = motion.velocity_mps, motion.travel_m
    once[2], twice[2] = _sampling_loss(motion)
    return once, twice


def _sampling_loss(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """What the trapezoid rule loses in speed and travel, from the same rule with every second sample.

    The rule's error goes with the square of the step, so that the fine sum is off by about a third of the
    difference between the two.
    """
    n = motion.velocity_mps.size
    step = 1.0 / motion.rate_hz
    speed = running_integral(motion.acceleration_mps2[::2], 2.0 * step)
    travel = running_integral(speed, 2.0 * step)
    lost = np.empty((2, n))
    lost[0, ::2], lost[1, ::2] = (speed - motion.velocity_mps[::2]) / 3.0, (travel - motion.travel_m[::2]) / 3.0
    lost[:, 1:-1:2] = 0.5 * (lost[:, :-2:2] + lost[:, 2::2])
    if n % 2 == 0:
        lost[:, -1] = lost[:, -2]
    return lost[0], lost[1]
