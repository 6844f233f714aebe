"""Recordings of plates and bar sensors whose errors are known, for the commands that calibrate and check them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from forcekit.constants import local_gravity
from forcekit.mechanics.plate_calibration import AIR_BUOYANCY
from forcekit.mechanics.still_loads import Placement
from forcekit.model import BarSensor, Cell, Channel, DeviceFile, FloatArray, Plate, Site, TimeAxis

CELLS = np.array([[0.25, -0.2], [0.25, 0.2], [-0.25, -0.2], [-0.25, 0.2]])
GAINS = np.array([0.0125, 0.0118, 0.0131, 0.0127])
ZERO = np.array([812.0, -90.0, 120.0, 455.0])
SITE = Site(latitude_deg=52.4, height_m=95.0)
G = local_gravity(52.4, 95.0)
RATE = 100.0
NAMES = ("fr", "fl", "br", "bl")
MASSES = (20.0, 60.0)
Rows = list[tuple[float, float, float]]

ACCEL_BIAS = np.array([0.25, -0.18, 0.31])
SCALE = np.array([1.012, 0.991, 1.006])
GYRO_BIAS = np.array([0.008, -0.011, 0.005])


def plate_device(gain: float = 0.0125, gain_u: float = 0.02) -> DeviceFile:
    """Describe a plate whose gains are known to 2 % only."""
    return DeviceFile(
        name="shed plate",
        kind="plate",
        serial="3",
        time=TimeAxis(column="t"),
        channels=tuple(Channel(name=n, scale=gain) for n in NAMES),
        plates=(
            Plate(
                kind="cells",
                cells=tuple(Cell(channel=n, x_m=x, y_m=y) for n, (x, y) in zip(NAMES, CELLS.tolist(), strict=True)),
                gain_u=gain_u,
            ),
        ),
        site=SITE,
    )


def counts_of(mass: float, x: float, y: float, twist: float = 0.0) -> FloatArray:
    """Numbers of the four cells under a mass on a rigid plate; `twist` is the part that statics leaves open."""
    weight = mass * G * AIR_BUOYANCY
    rows = np.vstack([np.ones(4), CELLS.T])
    force = np.linalg.pinv(rows) @ (weight * np.array([1.0, x, y])) + twist * weight * np.array([1.0, -1.0, -1.0, 1.0])
    return ZERO + force / GAINS


def write_session(path: Path, rows: Rows, seed: int, *, nudge: bool = False) -> None:
    """Write a recording in which each load (or, with 0 kg, the empty plate) stands for 3 s, hands moving in between."""
    rng = np.random.default_rng(seed)
    parts = []
    for i, (mass, x, y) in enumerate(rows):
        level = counts_of(mass, x + rng.normal(0.0, 0.001), y + rng.normal(0.0, 0.001), rng.normal(0.0, 0.02))
        part = level + rng.normal(0.0, 8.0, (300, 4))
        if nudge and i == 4:
            part[140:160] += 3000.0  # somebody leans on it for a moment
        parts += [part, level + rng.normal(0.0, 4000.0, (60, 4))]
    counts = np.rint(np.concatenate(parts[:-1]))
    t = np.arange(counts.shape[0]) / RATE
    table = "\n".join(f"{a:.2f},{b:.0f},{c:.0f},{d:.0f},{e:.0f}" for a, (b, c, d, e) in zip(t, counts, strict=True))
    path.write_text("t,fr,fl,br,bl\n" + table + "\n")


def with_empties(plan: tuple[Placement, ...]) -> Rows:
    """Put the empty plate before, after and between places."""
    rows: Rows = [(0.0, 0.0, 0.0)]
    for i, p in enumerate(plan):
        if i and (p.x_m, p.y_m) != (plan[i - 1].x_m, plan[i - 1].y_m):
            rows.append((0.0, 0.0, 0.0))
        rows.append((p.mass_kg, p.x_m, p.y_m))
    return [*rows, (0.0, 0.0, 0.0)]


def write_check(path: Path, mass: float, seed: int, gain: float = 1.0) -> None:
    """Write a minute in short: 3 s of the empty plate and 3 s of a mass, of a plate whose gains changed."""
    write_session(path, [(0.0, 0.0, 0.0), (gain * mass, 0.05, -0.02)], seed)


def bar_device() -> DeviceFile:
    """Describe a bar sensor."""
    accel, gyro = ("ax", "ay", "az"), ("gx", "gy", "gz")
    channels = (*(Channel(name=n, unit="m/s2") for n in accel), *(Channel(name=n, unit="rad/s") for n in gyro))
    return DeviceFile(
        name="shed bar", kind="bar", time=TimeAxis(column="t"), channels=channels, site=SITE,
        bar=BarSensor(accel=accel, gyro=gyro, shaft_axis="y"),
    )  # fmt: skip


def write_bar(path: Path, accel: FloatArray, gyro: FloatArray) -> None:
    """Write readings of a bar sensor."""
    t = np.arange(accel.shape[0]) / RATE
    np.savetxt(
        path, np.column_stack([t, accel, gyro]), fmt="%.6f", delimiter=",", header="t,ax,ay,az,gx,gy,gz", comments=""
    )


def write_positions(path: Path, n: int, *, seed: int, spread: float = 1.0) -> None:
    """Write a recording in which a wrong sensor is laid in n attitudes, 2.5 s each, and turned within 1.5 s."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(seed)
    attitudes = [Rotation.from_rotvec(spread * Rotation.random(rng=rng).as_rotvec()) for _ in range(n)]
    still, moving = int(2.5 * RATE), int(1.5 * RATE)
    pace = (1.0 - np.cos(2.0 * np.pi * (np.arange(moving) + 0.5) / moving)) / moving
    done = np.cumsum(pace) - 0.5 * pace
    accel, gyro = [], []
    for a, b in zip(attitudes, [*attitudes[1:], None], strict=True):
        accel.append(np.tile(a.inv().apply([0.0, 0.0, G]), (still, 1)))
        gyro.append(np.zeros((still, 3)))
        if b is not None:
            turn = (a.inv() * b).as_rotvec()
            accel.append((a * Rotation.from_rotvec(np.outer(done, turn))).inv().apply([0.0, 0.0, G]))
            gyro.append(np.outer(pace * RATE, turn))
    true_a, true_w = np.vstack(accel), np.vstack(gyro)
    read_a = true_a / SCALE + ACCEL_BIAS + 0.015 * rng.standard_normal(true_a.shape)
    write_bar(path, read_a, true_w + GYRO_BIAS + 0.0017 * rng.standard_normal(true_w.shape))
