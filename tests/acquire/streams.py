"""Small streams for the tests of acquisition; plain numbers, no simulator."""

from __future__ import annotations

import numpy as np

from forcekit.model import BarSensor, Cell, Channel, DeviceFile, Plate, Stream, TimeAxis

CELLS = (("fr", 0.25, -0.2), ("fl", 0.25, 0.2), ("br", -0.25, -0.2), ("bl", -0.25, 0.2))


def plate_device(rate_hz: float = 1000.0) -> DeviceFile:
    """Describe a plate with four cells, in counts of 0.0125 N."""
    channels = tuple(
        Channel(name=name, scale=0.0125, offset=100.0 * i, lowest=-(2.0**23), highest=2.0**23 - 1.0)
        for i, (name, _, _) in enumerate(CELLS)
    )
    cells = tuple(Cell(channel=name, x_m=x, y_m=y) for name, x, y in CELLS)
    return DeviceFile(
        name="test plate",
        kind="plate",
        serial="7",
        channels=channels,
        plates=(Plate(kind="cells", cells=cells),),
        time=TimeAxis(rate_hz=rate_hz),
    )


def plate_stream(seconds: float = 2.0, rate_hz: float = 1000.0, seed: int = 1) -> Stream:
    """Make counts of a plate on which somebody sways."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    t_s = np.arange(n) / rate_hz
    raw = {}
    for i, (name, _, _) in enumerate(CELLS):
        force = 400.0 + 30.0 * np.sin(2 * np.pi * (0.7 + 0.1 * i) * t_s) + rng.normal(0.0, 1.0, n)
        raw[name] = np.rint(force / 0.0125 + 100.0 * i)
    return Stream(t_s=t_s, raw=raw, device=plate_device(rate_hz), source="made up", clock="stamps")


def bar_stream(seconds: float = 2.0, rate_hz: float = 200.0, seed: int = 2) -> Stream:
    """Make accelerations of a bar at rest, as broken numbers."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    names = ("ax", "ay", "az")
    raw = {name: rng.normal(9.81 * (name == "az"), 0.05, n) for name in names}
    device = DeviceFile(
        name="test bar",
        kind="bar",
        channels=tuple(Channel(name=name, unit="m/s2") for name in names),
        bar=BarSensor(accel=names),
        time=TimeAxis(rate_hz=rate_hz),
    )
    return Stream(t_s=np.arange(n) / rate_hz, raw=raw, device=device, source="made up", clock="stamps")
