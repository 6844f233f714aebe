"""Kinds of force plates: what each feels of a force on it, and how its device file describes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.model import Cell, FloatArray, Plate

__all__ = ["PLATES", "Load", "PlateSensor", "placed"]

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
class Load:
    """What one plate feels at its samples, lifter's axes, pressure from the plate's middle."""

    up: FloatArray
    forward: FloatArray
    left: FloatArray
    x: FloatArray
    y: FloatArray


_Made = tuple[dict[str, FloatArray], Plate, dict[str, str]]


def _cells(load: Load, sensor: PlateSensor, side: str, rng: np.random.Generator, own: np.random.Generator) -> _Made:
    """Four cells in the corners of a rigid plate, the force shared evenly as far as the moments allow."""
    lx, ly = sensor.half_length_m - 0.03, sensor.half_width_m - 0.03
    nominal = np.array([[lx, ly], [-lx, ly], [-lx, -ly], [lx, -ly]])
    true = nominal + sensor.position_u_m * own.standard_normal((4, 2))
    share = np.linalg.pinv(np.vstack([np.ones(4), true.T]))
    forces = share @ np.stack([load.up, load.up * load.x, load.up * load.y])
    names = [f"{side}_cell_{i + 1}".lstrip("_") for i in range(4)]
    plate = Plate(
        kind="cells",
        cells=tuple(Cell(channel=n, x_m=float(x), y_m=float(y)) for n, (x, y) in zip(names, nominal, strict=True)),
    )
    return dict(zip(names, forces, strict=True)), plate, dict.fromkeys(names, "cell")


def _components(
    load: Load, sensor: PlateSensor, side: str, rng: np.random.Generator, own: np.random.Generator
) -> _Made:
    """Six components about an origin below the surface, in the plate's own axes and sign."""
    force, place = (
        _in_plate_axes(np.stack([load.forward, load.left, load.up]), sensor),
        np.stack([load.x, load.y]),
    )
    flip = -1.0 if sensor.z_axis == "down" else 1.0
    place = _in_plate_axes(np.vstack([place, np.zeros(load.up.size)]), sensor)
    nominal = np.array([0.002, -0.001, flip * sensor.depth_m])
    true = nominal + np.array([1.0, 1.0, 0.0]) * sensor.position_u_m * own.standard_normal(3)
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


def _turned(vectors: FloatArray, sensor: PlateSensor) -> FloatArray:
    """Turn vectors, shape (3, n), from the lifter's axes by the plate's turn about the vertical."""
    c, s = np.cos(np.deg2rad(sensor.turn_deg)), np.sin(np.deg2rad(sensor.turn_deg))
    return np.asarray(np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ vectors)


def _in_plate_axes(vectors: FloatArray, sensor: PlateSensor) -> FloatArray:
    """Turn vectors from the lifter's axes into the plate's; z down turns y and z over."""
    turned = _turned(vectors, sensor)
    return turned * np.array([[1.0], [-1.0], [-1.0]]) if sensor.z_axis == "down" else turned


def _pressure(load: Load, sensor: PlateSensor, side: str, rng: np.random.Generator, own: np.random.Generator) -> _Made:
    """Vertical force up and a ready centre of pressure (y to the left), 0 where the force is too low."""
    prefix = f"{side}_" if side else ""
    place = _turned(np.vstack([load.x, load.y, np.zeros(load.up.size)]), sensor)
    offset = sensor.position_u_m * own.standard_normal(2)
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


def _vertical(load: Load, sensor: PlateSensor, side: str, rng: np.random.Generator, own: np.random.Generator) -> _Made:
    name = f"{side}_force".lstrip("_")
    return {name: load.up}, Plate(kind="vertical", force_z=name), {name: "force"}


PLATES = {"cells": _cells, "components": _components, "pressure": _pressure, "vertical": _vertical}


def placed(plate: Plate, sensor: PlateSensor, centre_y: float) -> Plate:
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
