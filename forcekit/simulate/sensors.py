"""Force plates of every kind, with the errors real ones have: `record_plate` turns motion into a raw recording.

The device file that comes with the recording states the nominal calibration and its standard uncertainties; the
true gains, zeros, positions and the true heel line are drawn from normal distributions with exactly those standard
uncertainties, so that it can be tested whether 95 % intervals hold the truth 95 times in a hundred.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.constants import UNITS
from forcekit.model import (
    AttemptCard,
    Cell,
    Channel,
    DeviceFile,
    FloatArray,
    Plate,
    Recording,
    Site,
    Stand,
    Stream,
    TimeAxis,
)
from forcekit.simulate.motion import Motion

__all__ = ["PlateSensor", "attempt_card", "record_plate"]

_LEAST_FOR_PRESSURE_N = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateSensor:
    """A force plate (or one under each foot) and what is wrong with it.

    Notes
    -----
    How the declared uncertainties are drawn: a channel's gain is 1 + normal(0, `gain_u`). The zero of a plate's
    vertical force has standard deviation `zero_u_n`: four cells get half of it each; six components get it on each
    force and, times half the plate's length, on each moment, as cells in the corners would. Drift likewise. Cells
    are misplaced along x and y by normal(0, `position_u_m`); with components the origin is, and a ready pressure is
    off by a constant of that size. The true heel line is the declared one plus normal(0, `heel_line_u_m`).

    Cells are at surface height, so a horizontal force makes no moment on them and needs no correction.
    """

    kind: Literal["cells", "components", "pressure", "vertical"] = "cells"
    two_plates: bool = False
    rate_hz: float = 1000.0
    noise_n: float = 0.8
    """Standard deviation of the noise of each force channel (each cell)."""
    noise_nm: float = 0.2
    """Of each moment channel."""
    noise_pressure_m: float = 0.0005
    """Of a ready pressure at 1000 N; grows as one over the force."""
    zero_u_n: float = 2.0
    drift_u_nps: float = 0.05
    gain_u: float = 0.005
    position_u_m: float = 0.001
    heel_line_m: float = -0.12
    heel_line_u_m: float = 0.005
    zeroed: bool = False
    """Whether the zero was taken well just before (zero error a tenth of `zero_u_n`, still declared in full)."""
    half_length_m: float = 0.28
    half_width_m: float = 0.38
    depth_m: float = 0.045
    """From the surface down to the origin of a plate of components."""
    turn_deg: float = 0.0
    acts_on: Literal["lifter", "plate"] = "lifter"
    z_axis: Literal["up", "down"] = "up"
    unit: str = "N"
    """Of the force channels: N, kN, kgf or lbf."""
    sign: Literal[1, -1] = 1
    """-1: the numbers in the file go down when the force goes up (the device file says so)."""
    step_n: float | None = None
    """Newtons (newton metres, 0.1 mm) per count; None: floating point numbers in `unit`."""
    count_offset: float = 0.0
    saturation_n: float | None = None
    """Where a force channel stops; None: never."""
    drop_probability: float = 0.0
    """Of each sample to be lost."""
    gap: tuple[float, float] | None = None
    """One stretch without samples, (from s, to s)."""
    stamps: bool = True
    """Whether samples carry a time; else they are counted with the rate."""
    stamp_step_s: float = 0.0
    """Resolution of the time stamps; 0: exact."""
    anti_alias: bool = True
    """Each sample is the mean over one sample period around its time; else the value at its time."""
    clip_to_zero_below_n: float = 0.0

    def __post_init__(self) -> None:
        if self.stamp_step_s * self.rate_hz > 1.0:
            raise ValueError(f"stamp_step_s is {self.stamp_step_s}, but must not exceed one sample period")


@dataclass(frozen=True, slots=True, eq=False)
class _Load:
    """What one plate feels at its samples, lifter's axes, pressure from the plate's middle."""

    up: FloatArray
    forward: FloatArray
    left: FloatArray
    x: FloatArray
    y: FloatArray


def record_plate(motion: Motion, sensor: PlateSensor, seed: int, card: AttemptCard | None = None) -> Recording:
    """Raw recording of a force plate under a simulated lifter.

    Parameters
    ----------
    motion : Motion
    sensor : PlateSensor
    seed : int
        Of noise and of every drawn error.
    card : AttemptCard, optional
        Left out, `attempt_card` writes one.

    Notes
    -----
    The heel line's true place is drawn around the declared one; the lifter is put there. Local gravity is exact.
    """
    rng = np.random.default_rng([seed, 77])
    if card is None:
        card = attempt_card(motion, rng)
    heel = sensor.heel_line_m + sensor.heel_line_u_m * rng.standard_normal()
    t_s = np.arange(int(motion.t_s[-1] * sensor.rate_hz) + 1) / sensor.rate_hz
    columns: dict[str, FloatArray] = {}
    channels: list[Channel] = []
    plates = []
    for side, centre_y in _sides(sensor):
        load = _load_on(motion, sensor, t_s, side, heel, centre_y)
        values, plate, kinds = _PLATES[sensor.kind](load, sensor, side, rng)
        plate = _placed(plate, sensor, centre_y)
        light = load.up < sensor.clip_to_zero_below_n
        for name, value in values.items():
            clean = np.where(light, 0.0, _spoilt(value, kinds[name], t_s, sensor, rng))
            channel, columns[name] = _as_sent(name, clean, kinds[name], sensor)
            channels.append(channel)
        plates.append(plate)
    keep = _kept(t_s, sensor, rng)
    device = DeviceFile(
        name=f"simulated {sensor.kind} plate",
        kind="plate",
        serial="made, not measured",
        time=TimeAxis(column="time", rate_hz=sensor.rate_hz) if sensor.stamps else TimeAxis(rate_hz=sensor.rate_hz),
        channels=tuple(channels),
        plates=tuple(plates),
        stand=Stand(heel_line_m=sensor.heel_line_m, heel_line_u_m=sensor.heel_line_u_m),
        site=Site(latitude_deg=motion.plan.latitude_deg, height_m=motion.plan.height_m),
    )
    stream = Stream(
        t_s=_stamps(t_s, sensor)[keep] if sensor.stamps else t_s[: int(np.count_nonzero(keep))],
        raw={name: column[keep] for name, column in columns.items()},
        device=device,
        source="simulated plate",
        clock="stamps" if sensor.stamps else "rate",
    )
    return Recording(plate=stream, card=card)


def attempt_card(
    motion: Motion, rng: np.random.Generator, *, foot_length_u_m: float = 0.002, i_lift: int = 0
) -> AttemptCard:
    """Attempt card as a coach would fill it in: foot length and body mass measured with a little error.

    Parameters
    ----------
    motion : Motion
    rng : numpy Generator
    foot_length_u_m : float, metre
        Standard uncertainty of the foot length, drawn and declared.
    i_lift : int
        Which lift's plan tells movement and load.
    """
    plan = motion.marks[i_lift].plan if motion.marks else motion.plan
    return AttemptCard(
        movement=plan.movement,
        load_kg=plan.bar_mass_kg,
        body_mass_kg=round(plan.body_mass_kg + 0.2 * rng.standard_normal(), 1),
        stature_m=round(plan.stature_m, 3),
        foot_length_m=plan.foot_length_m + foot_length_u_m * rng.standard_normal(),
        foot_length_u_m=foot_length_u_m,
    )


# ------------------------------------------------------------------------------------------- what a plate feels


def _sides(sensor: PlateSensor) -> tuple[tuple[str, float], ...]:
    return (("left", sensor.half_width_m), ("right", -sensor.half_width_m)) if sensor.two_plates else (("", 0.0),)


def _load_on(motion: Motion, sensor: PlateSensor, t_s: FloatArray, side: str, heel: float, centre_y: float) -> _Load:
    """Force and moments sampled (pressure is sampled as moment over force, so that averaging stays exact)."""
    if side:
        share = motion.left_share if side == "left" else 1.0 - motion.left_share
        half = motion.plan.stance_half_width_m
        y = np.full(motion.t_s.size, half if side == "left" else -half)
    else:
        share, y = np.ones(1), motion.cop_y_m
    up = motion.force_up_n * share
    sampled = [
        _sampled(v, motion, sensor, t_s)
        for v in (
            up,
            motion.force_forward_n * share,
            motion.force_left_n * share,
            up * motion.cop_x_m,
            up * y,
        )
    ]
    safe = np.where(np.abs(sampled[0]) > 1e-6, sampled[0], 1.0)
    return _Load(
        up=sampled[0],
        forward=sampled[1],
        left=sampled[2],
        x=np.where(safe == 1.0, 0.0, sampled[3] / safe + heel),
        y=np.where(safe == 1.0, 0.0, sampled[4] / safe - centre_y),
    )


def _sampled(value: FloatArray, motion: Motion, sensor: PlateSensor, t_s: FloatArray) -> FloatArray:
    """Values at the sample times, or means over one sample period around them."""
    if not sensor.anti_alias:
        return np.asarray(np.interp(t_s, motion.t_s, value))
    h = 1.0 / motion.rate_hz
    total = np.concatenate(([0.0], np.cumsum((value[1:] + value[:-1]) * (h / 2.0))))
    half = 0.5 / sensor.rate_hz
    a, b = np.maximum(t_s - half, 0.0), np.minimum(t_s + half, motion.t_s[-1])
    return np.asarray((np.interp(b, motion.t_s, total) - np.interp(a, motion.t_s, total)) / (b - a))


# ---------------------------------------------------------------------------------------------- kinds of plate

_Made = tuple[dict[str, FloatArray], Plate, dict[str, str]]


def _cells(load: _Load, sensor: PlateSensor, side: str, rng: np.random.Generator) -> _Made:
    """Four cells in the corners of a rigid plate, the force shared evenly as far as the moments allow."""
    lx, ly = sensor.half_length_m - 0.03, sensor.half_width_m - 0.03
    nominal = np.array([[lx, ly], [-lx, ly], [-lx, -ly], [lx, -ly]])
    true = nominal + sensor.position_u_m * rng.standard_normal((4, 2))
    share = np.linalg.pinv(np.vstack([np.ones(4), true.T]))
    forces = share @ np.stack([load.up, load.up * load.x, load.up * load.y])
    names = [f"{side}_cell_{i + 1}".lstrip("_") for i in range(4)]
    plate = Plate(
        kind="cells",
        cells=tuple(Cell(channel=n, x_m=float(x), y_m=float(y)) for n, (x, y) in zip(names, nominal, strict=True)),
    )
    return dict(zip(names, forces, strict=True)), plate, dict.fromkeys(names, "cell")


def _components(load: _Load, sensor: PlateSensor, side: str, rng: np.random.Generator) -> _Made:
    """Six components about an origin below the surface, in the plate's own axes and sign."""
    force, place = (
        _in_plate_axes(np.stack([load.forward, load.left, load.up]), sensor),
        np.stack([load.x, load.y]),
    )
    flip = -1.0 if sensor.z_axis == "down" else 1.0
    place = _in_plate_axes(np.vstack([place, np.zeros(load.up.size)]), sensor)
    nominal = np.array([0.002, -0.001, flip * sensor.depth_m])
    true = nominal + np.array([1.0, 1.0, 0.0]) * sensor.position_u_m * rng.standard_normal(3)
    moment = np.cross(place + true[:, None], force, axis=0)
    sign = -1.0 if sensor.acts_on == "plate" else 1.0
    prefix = f"{side}_" if side else ""
    names = [prefix + n for n in ("fx", "fy", "fz", "mx", "my", "mz")]
    plate = Plate(
        kind="components",
        force_x=names[0],
        force_y=names[1],
        force_z=names[2],
        moment_x=names[3],
        moment_y=names[4],
        moment_z=names[5],
        acts_on=sensor.acts_on,
        z_axis=sensor.z_axis,
        surface_from_origin_m=(float(nominal[0]), float(nominal[1]), float(nominal[2])),
    )
    values = dict(zip(names, sign * np.vstack([force, moment]), strict=True))
    return values, plate, {n: "force" if i < 3 else "moment" for i, n in enumerate(names)}


def _in_plate_axes(vectors: FloatArray, sensor: PlateSensor) -> FloatArray:
    """Turn vectors, shape (3, n), from the lifter's axes into the plate's; z down turns y and z over."""
    c, s = np.cos(np.deg2rad(sensor.turn_deg)), np.sin(np.deg2rad(sensor.turn_deg))
    turned = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ vectors
    return turned * np.array([[1.0], [-1.0], [-1.0]]) if sensor.z_axis == "down" else np.asarray(turned)


def _pressure(load: _Load, sensor: PlateSensor, side: str, rng: np.random.Generator) -> _Made:
    """Vertical force and a ready centre of pressure in the plate's axes, 0 where the force is too low."""
    prefix = f"{side}_" if side else ""
    place = _in_plate_axes(np.vstack([load.x, load.y, np.zeros(load.up.size)]), sensor)
    offset = sensor.position_u_m * rng.standard_normal(2)
    enough = load.up > _LEAST_FOR_PRESSURE_N
    scale = sensor.noise_pressure_m * 1000.0 / np.maximum(load.up, _LEAST_FOR_PRESSURE_N)
    px, py = (np.where(enough, place[i] + offset[i] + scale * rng.standard_normal(load.up.size), 0.0) for i in range(2))
    names = [prefix + n for n in ("force", "pressure_x", "pressure_y")]
    plate = Plate(kind="pressure", force_z=names[0], pressure_x=names[1], pressure_y=names[2])
    return (
        dict(zip(names, (load.up, px, py), strict=True)),
        plate,
        dict(zip(names, ("force", "place", "place"), strict=True)),
    )


def _vertical(load: _Load, sensor: PlateSensor, side: str, rng: np.random.Generator) -> _Made:
    name = f"{side}_force".lstrip("_")
    return {name: load.up}, Plate(kind="vertical", force_z=name), {name: "force"}


_PLATES = {"cells": _cells, "components": _components, "pressure": _pressure, "vertical": _vertical}


def _placed(plate: Plate, sensor: PlateSensor, centre_y: float) -> Plate:
    """State where the plate is and how well it is known."""
    import msgspec

    return msgspec.structs.replace(
        plate,
        centre_m=(0.0, centre_y),
        turn_deg=sensor.turn_deg if sensor.kind in {"components", "pressure"} else 0.0,
        gain_u=sensor.gain_u,
        zero_u_n=sensor.zero_u_n,
        drift_u_nps=sensor.drift_u_nps,
        position_u_m=sensor.position_u_m,
    )


# ------------------------------------------------------------------------------------------ what becomes of it


def _spoilt(value: FloatArray, kind: str, t_s: FloatArray, sensor: PlateSensor, rng: np.random.Generator) -> FloatArray:
    """Add gain, zero, drift and noise to one channel."""
    if kind == "place":
        return value
    size = {"cell": 0.5, "force": 1.0, "moment": sensor.half_length_m}[kind]
    noise = sensor.noise_nm if kind == "moment" else sensor.noise_n
    zero = size * sensor.zero_u_n * (0.1 if sensor.zeroed else 1.0) * rng.standard_normal()
    drift = size * sensor.drift_u_nps * rng.standard_normal()
    gain = 1.0 + sensor.gain_u * rng.standard_normal()
    out = gain * value + zero + drift * t_s
    return np.asarray(out + noise * rng.standard_normal(t_s.size))


def _as_sent(name: str, value: FloatArray, kind: str, sensor: PlateSensor) -> tuple[Channel, FloatArray]:
    """Give the channel's entry in the device file and the numbers as the file holds them."""
    unit = {"moment": "N m", "place": "m"}.get(kind, sensor.unit)
    factor = UNITS[unit][1] * sensor.sign
    top = sensor.saturation_n if kind in {"cell", "force"} else None
    if sensor.step_n is None:
        raw, scale, offset = value / factor, 1.0, 0.0
        ends = None if top is None else (-top / abs(factor), top / abs(factor))
    else:
        step = 1e-4 if kind == "place" else sensor.step_n * (0.1 if kind == "moment" else 1.0)
        scale, offset = step / abs(factor), sensor.count_offset
        raw = np.round(sensor.sign * value / step + offset)
        ends = None if top is None else (round(-top / step + offset), round(top / step + offset))
    lowest, highest = ends or (None, None)
    if ends is not None:
        raw = np.clip(raw, lowest, highest)
    channel = Channel(
        name=name, unit=unit, scale=scale, offset=offset, sign=sensor.sign, lowest=lowest, highest=highest
    )
    return channel, np.asarray(raw, dtype=np.float64)


def _kept(t_s: FloatArray, sensor: PlateSensor, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    keep = rng.random(t_s.size) >= sensor.drop_probability
    if sensor.gap is not None:
        keep &= (t_s < sensor.gap[0]) | (t_s >= sensor.gap[1])
    keep[0] = True
    return keep


def _stamps(t_s: FloatArray, sensor: PlateSensor) -> FloatArray:
    if sensor.stamp_step_s == 0.0:
        return t_s
    return np.asarray(np.round(t_s / sensor.stamp_step_s) * sensor.stamp_step_s)
