"""`Motion`: a lifter with a bar on a plate, without any sensor; and how chunks of commanded motion become one.

A `Chunk` is a stretch of commanded motion that begins and ends at rest. `assemble` strings chunks together, adds what
a standing lifter cannot help (sway, breathing, heartbeat, the bar's swing) and works out the forces.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.shapes import KNOT_S, knot_times, spline_motion

__all__ = ["Chunk", "LiftMarks", "LiftTruth", "Motion", "assemble"]

_WHIP_HZ = 4.2
_WHIP_DECAY_S = 0.5


@dataclass(frozen=True, slots=True)
class LiftMarks:
    """Commanded instants of one lift, in seconds from the start of its chunk (or, assembled, of the motion)."""

    plan: LiftPlan
    stance_start_s: float
    onset_s: float
    lowest_s: float
    drive_end_s: float
    takeoff_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class LiftTruth:
    """What is true of one lift.

    `measures` holds every measure that applies to this lift, in SI, from the noise-free motion.
    """

    movement: str
    patterns: tuple[str, ...]
    measures: Mapping[str, float]
    plan: LiftPlan


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """A stretch of commanded motion on the fine grid, at rest at both ends.

    Arrays ``z_... x_... shaft`` hold position, velocity and acceleration in three rows, shape (3, n); the others have
    shape (n,).
    """

    z_body: FloatArray
    z_bar: FloatArray
    x_body: FloatArray
    x_bar: FloatArray
    shaft: FloatArray
    gap: FloatArray
    cop_x_m: FloatArray
    left: FloatArray
    on_plate: FloatArray
    support_n: FloatArray
    extra_n: FloatArray
    alive: FloatArray
    """How freely sway and breathing go on: 1 standing, 0 in flight."""
    bar_kg: float
    carried: bool = True
    """Whether the bar moves with the body's sway; False while it lies in the rack."""
    whips: tuple[tuple[float, float], ...] = ()
    """Swings of the bar: (start in s from the chunk's start, height in m)."""
    lift: LiftMarks | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Noise-free truth of a lifter with a bar on a plate, on a uniform fine grid.

    Lifter's axes: x forward to the toes with 0 at the heel line, y to the left with 0 midway between the feet, z up
    from the floor. Forces act on the lifter (and whoever else stands on the plate) through the plate.
    ``force_up_n = on_plate · (m_body (a_body + g) + m_bar (a_bar + g) − support_n) + extra_n``.

    Attributes
    ----------
    t_s : array, shape (n,)
    force_up_n, force_forward_n, force_left_n : array, shape (n,)
    cop_x_m, cop_y_m : array, shape (n,)
        Centre of pressure from the heel line and from the midline; without meaning where the force is 0.
    left_share : array, shape (n,)
        Part of the vertical force under the left foot.
    body_position_m, body_velocity_mps, body_acceleration_mps2 : array, shape (n, 3)
        The body's centre of mass.
    bar_position_m, bar_velocity_mps, bar_acceleration_mps2 : array, shape (n, 3)
        The bar's middle, taken as rigid with its plates.
    bar_gap_m : array, shape (n,)
        Height of the bar above its place on the shoulders.
    shaft_angle_rad, shaft_rate_radps : array, shape (n,)
        Turn of the shaft, positive when the elbows rise; this is a NEGATIVE right-handed turn about y.
    on_plate, support_n, extra_n, bar_mass_kg, carried : array, shape (n,)
        Part of the force that meets the plate; what a rack carries of the bar; what others put on the plate; the
        bar's mass; whether the bar is with the lifter.
    """

    t_s: FloatArray
    force_up_n: FloatArray
    force_forward_n: FloatArray
    force_left_n: FloatArray
    cop_x_m: FloatArray
    cop_y_m: FloatArray
    left_share: FloatArray
    body_position_m: FloatArray
    body_velocity_mps: FloatArray
    body_acceleration_mps2: FloatArray
    bar_position_m: FloatArray
    bar_velocity_mps: FloatArray
    bar_acceleration_mps2: FloatArray
    bar_gap_m: FloatArray
    shaft_angle_rad: FloatArray
    shaft_rate_radps: FloatArray
    on_plate: FloatArray
    support_n: FloatArray
    extra_n: FloatArray
    bar_mass_kg: FloatArray
    carried: FloatArray
    rate_hz: float
    plan: LiftPlan
    """The (first) plan; it tells the lifter's body and the site."""
    marks: tuple[LiftMarks, ...]
    truths: tuple[LiftTruth, ...] = ()

    @property
    def gravity_mps2(self) -> float:
        """Local gravity."""
        return self.plan.gravity_mps2

    @property
    def duration_s(self) -> float:
        """Length of the motion."""
        return float(self.t_s[-1])


def assemble(chunks: Sequence[Chunk], plan: LiftPlan, rng: np.random.Generator, *, rate_hz: float) -> Motion:
    """String chunks together, add what a standing lifter cannot help, and work out the forces.

    Parameters
    ----------
    chunks : sequence of Chunk
    plan : LiftPlan
        Tells the lifter's body, site and restlessness.
    rng : numpy Generator
    rate_hz : float, hertz
        Of the fine grid; a multiple of 50 Hz.
    """
    whole = _join(chunks)
    n = whole.gap.size
    times = knot_times(n, rate_hz)
    i_near = np.clip(np.round(times * rate_hz).astype(int), 0, n - 1)
    alive_s = np.cumsum(whole.alive[i_near]) * KNOT_S
    sway_x, sway_y, lift_z = _restlessness(alive_s, rng, plan)
    with_lifter = np.concatenate([np.full(c.gap.size, float(c.carried)) for c in chunks])
    moves = with_lifter[i_near]
    swing = _swings(alive_s, times, chunks, rate_hz, rng)
    body = [spline_motion(c, n, rate_hz) for c in (sway_x, sway_y, lift_z)]
    bar = [spline_motion(_only_while(c, moves), n, rate_hz) for c in (sway_x, sway_y, lift_z)]
    swung = spline_motion(_only_while(swing, moves), n, rate_hz)
    bar[2] = bar[2] + swung
    mass = np.concatenate([np.full(c.gap.size, c.bar_kg) for c in chunks])
    return _with_forces(
        whole,
        body,
        bar,
        gap=whole.gap + swung[0],
        mass=mass,
        carried=with_lifter,
        plan=plan,
        rate_hz=rate_hz,
        marks=_shifted_marks(chunks, rate_hz),
    )


def _join(chunks: Sequence[Chunk]) -> Chunk:
    arrays: dict[str, Any] = {
        f.name: np.concatenate([getattr(c, f.name) for c in chunks], axis=-1)
        for f in dataclasses.fields(Chunk)
        if isinstance(getattr(chunks[0], f.name), np.ndarray)
    }
    return dataclasses.replace(chunks[0], **arrays)


def _shifted_marks(chunks: Sequence[Chunk], rate_hz: float) -> tuple[LiftMarks, ...]:
    out, i_start = [], 0
    for chunk in chunks:
        t0 = i_start / rate_hz
        m = chunk.lift
        if m is not None:
            out.append(
                LiftMarks(
                    plan=m.plan,
                    stance_start_s=m.stance_start_s + t0,
                    onset_s=m.onset_s + t0,
                    lowest_s=m.lowest_s + t0,
                    drive_end_s=m.drive_end_s + t0,
                    takeoff_s=None if m.takeoff_s is None else m.takeoff_s + t0,
                )
            )
        i_start += chunk.gap.size
    return tuple(out)


def _waves(
    time_s: FloatArray,
    rng: np.random.Generator,
    low_hz: float,
    high_hz: float,
    n_waves: int,
    *,
    as_acceleration: bool = False,
) -> FloatArray:
    """Sum of sine waves of random frequency and phase with unit variance (of its second derivative, if wanted)."""
    frequency = low_hz * (high_hz / low_hz) ** rng.random(n_waves)
    phase = 2.0 * np.pi * rng.random(n_waves)
    height = np.full(n_waves, np.sqrt(2.0 / n_waves))
    if as_acceleration:
        height = height / (2.0 * np.pi * frequency) ** 2
    out = np.zeros(time_s.size)
    for f, p, h in zip(frequency, phase, height, strict=True):
        out += h * np.sin(2.0 * np.pi * f * time_s + p)
    return out


def _restlessness(
    time_s: FloatArray, rng: np.random.Generator, plan: LiftPlan
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Control values of sway along and across the foot and of the vertical breathing motion (m)."""

    def sway() -> FloatArray:
        slow, middle, fast = 0.5 * plan.sway_m, plan.sway_m, 0.05 * plan.sway_m
        return (
            slow * _waves(time_s, rng, 0.008, 0.04, 3)
            + middle * _waves(time_s, rng, 0.08, 0.45, 7)
            + fast * _waves(time_s, rng, 0.5, 1.2, 6)
        )

    x, y = sway(), 0.6 * sway()
    f_breath = rng.uniform(0.18, 0.35)
    wander = 0.4 * _waves(time_s, rng, 0.03, 0.1, 3)
    breath = plan.breath_m * np.sin(2.0 * np.pi * f_breath * time_s + 2.0 * np.pi * rng.random() + wander)
    pulse = 0.7 * _waves(time_s, rng, 1.0, 1.7, 3, as_acceleration=True)
    muscles = 0.7 * _waves(time_s, rng, 2.5, 8.0, 8, as_acceleration=True)
    return x, y, breath + plan.tremor_mps2 * (pulse + muscles)


def _swings(
    time_s: FloatArray, knots_s: FloatArray, chunks: Sequence[Chunk], rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Control values of the bar's damped swing (m)."""
    out, i_start = np.zeros(time_s.size), 0
    for chunk in chunks:
        for start_s, height_m in chunk.whips:
            since = time_s - np.interp(start_s + i_start / rate_hz, knots_s, time_s)
            f = _WHIP_HZ * rng.uniform(0.85, 1.15)
            wave = np.exp(-np.maximum(since, 0.0) / _WHIP_DECAY_S) * np.sin(2.0 * np.pi * f * since)
            out += np.where(since > 0.0, height_m * wave, 0.0)
        i_start += chunk.gap.size
    return out


def _only_while(control: FloatArray, moves: FloatArray) -> FloatArray:
    """Keep the changes of a control curve only while the bar moves with the lifter."""
    steps = np.diff(control, prepend=control[0]) * moves
    return np.asarray(control[0] * moves[0] + np.cumsum(steps))


def _with_forces(
    whole: Chunk,
    body: Sequence[FloatArray],
    bar: Sequence[FloatArray],
    *,
    gap: FloatArray,
    mass: FloatArray,
    carried: FloatArray,
    plan: LiftPlan,
    rate_hz: float,
    marks: tuple[LiftMarks, ...],
) -> Motion:
    """Work out forces and pressure from the motion of body and bar (rows: position, velocity, acceleration)."""
    g, m_body, half = plan.gravity_mps2, plan.body_mass_kg, plan.stance_half_width_m
    sway_x, sway_y, _ = body
    xyz_body = np.stack([whole.x_body + body[0], body[1], whole.z_body + body[2]], axis=-1)
    xyz_bar = np.stack([whole.x_bar + bar[0], bar[1], whole.z_bar + bar[2]], axis=-1)
    held = mass * carried
    on = whole.on_plate
    push = m_body * xyz_body[2] + held[:, None] * xyz_bar[2]
    up = on * (m_body * (xyz_body[2, :, 2] + g) + mass * (xyz_bar[2, :, 2] + g) - whole.support_n) + whole.extra_n
    # Quiet standing is an inverted pendulum: the pressure leads the mass by height/g times its acceleration.
    height = (m_body * xyz_body[0, :, 2] + mass * xyz_bar[0, :, 2]) / (m_body + mass)
    left = np.clip(whole.left + (sway_y[0] - height / g * sway_y[2]) / (2.0 * half), 0.0, 1.0)
    return Motion(
        t_s=np.arange(gap.size) / rate_hz,
        force_up_n=up,
        force_forward_n=on * push[:, 0],
        force_left_n=on * push[:, 1],
        cop_x_m=whole.cop_x_m + sway_x[0] - height / g * sway_x[2],
        cop_y_m=half * (2.0 * left - 1.0),
        left_share=left,
        body_position_m=xyz_body[0],
        body_velocity_mps=xyz_body[1],
        body_acceleration_mps2=xyz_body[2],
        bar_position_m=xyz_bar[0],
        bar_velocity_mps=xyz_bar[1],
        bar_acceleration_mps2=xyz_bar[2],
        bar_gap_m=gap,
        shaft_angle_rad=whole.shaft[0],
        shaft_rate_radps=whole.shaft[1],
        on_plate=on,
        support_n=whole.support_n,
        extra_n=whole.extra_n,
        bar_mass_kg=mass,
        carried=carried,
        rate_hz=rate_hz,
        plan=plan,
        marks=marks,
    )
