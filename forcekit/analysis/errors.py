"""How every source of error moves the curves of one lift, source by source.

For each independent source there is a curve: the change of force, speed, travel, forward force and moments when
that source moves by one standard uncertainty. Whatever is read off the curves later (a depth, a time, a ratio)
inherits the parts and with them every correlation. First order (JCGM 100); judged against Monte Carlo and against
simulated lifts in the tests.

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

from forcekit.mechanics.crossings import local_fit
from forcekit.mechanics.motion import Motion, running_integral
from forcekit.mechanics.plate import FX, FZ, MX, MY, PlateSignals
from forcekit.mechanics.stance import Weighing
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
    motion : Motion
    resultant : array, shape (n, 5)
    weight : Uncertain
        System weight (N).
    d_force, d_velocity, d_travel : array, shape (s, n)
    d_resultant : array, shape (s, 5, n)
    d_gravity : array, shape (s,)
        Relative change of gravity per source.
    source_plate : array of int, shape (s,)
        Number of the plate a source belongs to, -1 for the others.
    noise_n : float
        White noise of the force.
    noise : array, shape (k,)
        White noise of each channel.
    """

    rate_hz: float
    t0_s: float
    gravity_mps2: float
    signals: PlateSignals
    weighing: Weighing
    motion: Motion
    resultant: FloatArray
    weight: Uncertain
    d_force: FloatArray
    d_velocity: FloatArray
    d_travel: FloatArray
    d_resultant: FloatArray
    d_gravity: FloatArray
    source_plate: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    noise_n: float

    @property
    def force_n(self) -> FloatArray:
        """Vertical force, shape (n,)."""
        return np.asarray(self.resultant[:, FZ])

    @property
    def n_sources(self) -> int:
        """Number of sources, the local slots counted."""
        return int(self.d_force.shape[0]) + len(LOCAL_SLOTS)

    def parts(self, d_curve: FloatArray, place: float) -> FloatArray:
        """Parts of a curve at a place: linear between samples, local slots zero; shape (n_sources,)."""
        i = int(np.clip(np.floor(place), 0, d_curve.shape[1] - 2))
        part = place - i
        out = np.zeros(self.n_sources)
        out[: d_curve.shape[0]] = d_curve[:, i] * (1.0 - part) + d_curve[:, i + 1] * part
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
        i = int(np.clip(round(place), 1, self.force_n.size - 2))
        second = abs(float(self.force_n[i - 1] - 2.0 * self.force_n[i] + self.force_n[i + 1]))
        # White noise alone gives a second difference of about twice its own standard deviation; half of that is taken
        # off, since noise may also hide a bend.
        return max(0.0, second - self.noise_n) / 8.0


def _plate_sources(signals: PlateSignals, first: int, last: int) -> tuple[list[FloatArray], list[int]]:
    """Change of the resultant (5, n) for one standard uncertainty of each error of the plates, and whose it is."""
    t = signals.t_s[first:last]
    sources: list[FloatArray] = []
    plate_of: list[int] = []
    for number, plate in enumerate(signals.plates):
        mine = np.flatnonzero(signals.owner == number)
        c = signals.channels[first:last][:, mine].T
        matrix = signals.matrix[:, mine]
        groups = [np.arange(mine.size)] if plate.kind == "pressure" else [np.array([j]) for j in range(mine.size)]
        for group in groups:
            sources.append(plate.gain_u * (matrix[:, group] @ c[group]))
        zero_u, reference_s, drift_frac = _zero_quality(signals, plate.zero_u_n, mine, float(t[0]))
        force = matrix[FZ] @ c
        for j in range(mine.size):
            column = np.outer(matrix[:, j], np.ones(t.size))
            if plate.kind == "pressure":
                if j in (1, 2):
                    continue
                if j == 0:  # the ready pressure does not follow the force's zero: the moments do
                    share = np.divide(c, force, out=np.zeros_like(c), where=np.abs(force) > 1.0)
                    column = matrix @ share
            is_force = np.abs(matrix[[FZ, FX], j]).max() > 0.0
            scale = 1.0 if is_force else MOMENT_ARM_M
            if plate.kind == "cells":  # the stated zero and drift are those of the plate's sum
                scale = 1.0 / np.sqrt(mine.size)
            sources.append(column * (zero_u[j] if signals.zero.times_s.size else scale * zero_u[j]))
            sources.append(column * (scale * drift_frac * plate.drift_u_nps * (t - reference_s)))
        sources += _position_sources(plate.kind, plate.position_u_m, matrix, c)
        plate_of += [number] * (len(sources) - len(plate_of))
    return sources, plate_of


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


def _position_sources(kind: str, u_m: float, matrix: FloatArray, c: FloatArray) -> list[FloatArray]:
    """Change of the moments when a cell, or the whole pressure frame, sits elsewhere by one standard uncertainty."""
    if kind == "vertical" or not np.any(matrix[[MX, MY]]):
        return []
    forces = [matrix[FZ, j] * c[j] for j in range(c.shape[0])] if kind == "cells" else [matrix[FZ] @ c]
    sources = []
    for force in forces:
        for row, sign in ((MX, 1.0), (MY, -1.0)):
            d = np.zeros((5, force.size))
            d[row] = sign * u_m * force
            sources.append(d)
    return sources


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
    force = resultant[:, FZ]
    noise_n = float(np.linalg.norm(signals.matrix[FZ] * signals.noise))
    plate_sources, plate_of = _plate_sources(signals, first, last)
    d_resultant = np.array(plate_sources)
    d_weight_plate = d_resultant[:, FZ, :n_stance].mean(axis=1)
    rows = _force_rows(weighing, n_stance, force.size, noise_n, signals.rate_hz, gravity_mps2)
    d_force_all = np.vstack([d_resultant[:, FZ], *(r[0] for r in rows)])
    d_weight = np.concatenate([d_weight_plate, [r[1] for r in rows]])
    d_start = np.concatenate([np.zeros(len(d_resultant)), [r[2] for r in rows]])
    step = 1.0 / signals.rate_hz
    ratio = force / weighing.weight_n
    d_acceleration = (gravity_mps2 / weighing.weight_n) * (d_force_all - d_weight[:, None] * ratio)
    d_velocity = running_integral(d_acceleration, step) + d_start[:, None]
    d_travel = running_integral(d_velocity, step)
    gravity_u = 0.0001 if site_known else UNKNOWN_SITE_U_FRAC
    lost_v, lost_s = _sampling_loss(motion)
    d_velocity = np.vstack([d_velocity, gravity_u * motion.velocity_mps, lost_v])
    d_travel = np.vstack([d_travel, gravity_u * motion.travel_m, lost_s])
    n_extra = d_velocity.shape[0] - d_force_all.shape[0]
    d_force = np.vstack([d_force_all, np.zeros((n_extra, force.size))])
    n_sources = d_velocity.shape[0]
    all_resultant = np.zeros((n_sources, 5, force.size))
    all_resultant[: len(d_resultant)] = d_resultant
    d_gravity = np.zeros(n_sources)
    d_gravity[-n_extra] = gravity_u
    weight_parts = np.concatenate([d_weight, np.zeros(n_extra + len(LOCAL_SLOTS))])
    return LiftCurves(
        rate_hz=signals.rate_hz,
        t0_s=float(signals.t_s[first]),
        gravity_mps2=gravity_mps2,
        signals=signals,
        weighing=weighing,
        motion=motion,
        resultant=resultant,
        weight=Uncertain(weighing.weight_n, weight_parts),
        d_force=d_force,
        d_velocity=d_velocity,
        d_travel=d_travel,
        d_resultant=all_resultant,
        d_gravity=d_gravity,
        source_plate=np.array(plate_of + [-1] * (n_sources - len(plate_of))),
        noise_n=noise_n,
    )


def _force_rows(
    weighing: Weighing, n_stance: int, n: int, noise_n: float, rate_hz: float, gravity_mps2: float
) -> list[tuple[FloatArray, float, float]]:
    """Sources of the weighing and of the noise: (change of force, change of weight, change of starting speed)."""
    nothing = np.zeros(n)
    standing = np.zeros(n)
    standing[:n_stance] = 1.0
    mass = weighing.weight_n / gravity_mps2
    at_start, at_end = weighing.sway_mps
    swing = mass * rate_hz / n_stance
    rows = [
        # A force that is off all through the stance weighs wrong but makes no speed in it.
        (standing * (noise_n / np.sqrt(n_stance)), noise_n / np.sqrt(n_stance), 0.0),
        (standing * (WANDER_FRAC * weighing.weight_n), WANDER_FRAC * weighing.weight_n, 0.0),
        (nothing, -swing * at_start, -at_start),
        (nothing, swing * at_end, 0.0),
    ]
    edges = np.linspace(n_stance, n, N_NOISE_BLOCKS + 1).round().astype(int)
    for a, b in pairwise(edges):
        if b > a:
            block = np.zeros(n)
            block[a:b] = noise_n / np.sqrt(b - a)
            rows.append((block, 0.0, 0.0))
    return rows


def _sampling_loss(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """What the trapezoid rule loses in speed and travel, from the same rule with every second sample.

    The rule's error goes with the square of the step, so that the fine sum is off by about a third of the
    difference between the two.
    """
    n = motion.velocity_mps.size
    step = 1.0 / motion.rate_hz
    even = np.arange(0, n, 2)
    speed = running_integral(motion.acceleration_mps2[even], 2.0 * step)
    travel = running_integral(speed, 2.0 * step)
    places = np.arange(n)
    lost_v = (np.interp(places, even, speed - motion.velocity_mps[even])) / 3.0
    lost_s = (np.interp(places, even, travel - motion.travel_m[even])) / 3.0
    return lost_v, lost_s
