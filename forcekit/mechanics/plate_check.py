"""The one-minute check of every day from a recording: the empty plate, then a known mass or a weighed lifter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.constants import local_gravity, unit_factor
from forcekit.errors import InputError
from forcekit.mechanics.daily_check import DailyCheck, daily_check
from forcekit.mechanics.plate_calibration import AIR_BUOYANCY
from forcekit.mechanics.still_loads import StillLoad, still_loads
from forcekit.mechanics.timebase import fill, uniform_timebase
from forcekit.model import DeviceFile, FloatArray, Plate, Stream

__all__ = ["StoredGains", "cells_of", "check_plate", "counts_of", "own_u_frac", "stored_gains"]

STANDING_FRAC = 0.008
"""Allowed movement of the force as a part of the mass's weight: a person who stands quietly (see `stance`)."""

LEAST_OWN_FRAC = 0.0005
"""Repeatability of a mass put on by hand, as a part of it (our choice)."""

LOADED_FRAC = 0.3
"""Less than this part of the mass's weight is the empty plate (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class StoredGains:
    """Gains (N per number), their covariance and the empty plate's numbers, as a device file holds them."""

    gains: FloatArray
    gains_cov: FloatArray
    zero_counts: FloatArray


def cells_of(device: DeviceFile, plate: int) -> FloatArray:
    """Places of the four cells of a plate, shape (4, 2), metre.

    Raises
    ------
    InputError
        If the device has no such plate or it does not stand on four cells with known places.
    """
    cells = _plate(device, plate).cells
    if len(cells) != 4 or any(c.x_m is None or c.y_m is None for c in cells):
        raise InputError(
            f'"{device.name}": plate {plate + 1} does not stand on four cells with known places (x_m, y_m); only such '
            "a plate can be calibrated here."
        )
    return np.array([[c.x_m, c.y_m] for c in cells], dtype=np.float64)


def stored_gains(device: DeviceFile, plate: int) -> StoredGains:
    """Gains of the channels that make up the vertical force of a plate.

    Notes
    -----
    A device file tells one relative uncertainty of the gains and not how they hang together; that all are wrong alike
    is assumed, which is the worst case for the weight.
    """
    channels = [device.channel(name) for name in _names(device, plate)]
    p = _plate(device, plate)
    turned = p.kind == "components" and (p.acts_on == "plate") != (p.z_axis == "down")
    factors = [unit_factor(c.unit, "force", f'{device.name}, channel "{c.name}"') for c in channels]
    gains = np.array([c.sign * c.scale * f for c, f in zip(channels, factors, strict=True)])
    gains = -gains if turned else gains
    return StoredGains(gains, p.gain_u**2 * np.outer(gains, gains), np.array([c.offset for c in channels]))


def counts_of(stream: Stream, plate: int) -> tuple[FloatArray, float]:
    """Numbers as sent of the channels of `stored_gains` on an even clock, shape (n, k), and the rate in hertz."""
    timebase = uniform_timebase(stream.t_s, stream.source)
    columns = [fill(timebase, np.asarray(stream.raw[name])) for name in _names(stream.device, plate)]
    return np.column_stack(columns), timebase.rate_hz


def check_plate(
    stream: Stream,
    mass_kg: float,
    *,
    mass_u_kg: float = 0.05,
    at_m: tuple[float, float] | None = None,
    plate: int = 0,
) -> DailyCheck:
    """Check a plate with one known mass.

    Parameters
    ----------
    stream : Stream
        The empty plate and the mass, in any order, each still for 3 s and better half a minute.
    mass_kg, mass_u_kg : float
    at_m : (x, y), optional
        Where the mass stands, from the middle of the plate; for plates on four cells.
    plate : int

    Raises
    ------
    InputError
        If the empty plate or the mass is not found.
    """
    device = stream.device
    if not (0.0 < mass_kg < np.inf and 0.0 <= mass_u_kg < np.inf):
        raise InputError(f"the known mass is {mass_kg:g} kg (u {mass_u_kg:g} kg); a mass above 0 is needed.")
    stored = stored_gains(device, plate)
    cells = cells_of(device, plate) if at_m is not None else np.zeros((stored.gains.size, 2))
    counts, rate_hz = counts_of(stream, plate)
    gravity = local_gravity(device.site.latitude_deg, device.site.height_m)
    weight = mass_kg * gravity * AIR_BUOYANCY
    force = (counts - stored.zero_counts) @ stored.gains
    loads = still_loads(force[:, None], rate_hz, allowed=STANDING_FRAC * weight)
    lowest = min((float(x.mean[0]) for x in loads), default=0.0)
    empty = [x for x in loads if float(x.mean[0]) - lowest < LOADED_FRAC * weight]
    loaded = [x for x in loads if float(x.mean[0]) - lowest >= LOADED_FRAC * weight]
    if not empty or not loaded:
        levels = ", ".join(f"{float(x.mean[0]) / gravity:.1f} kg at {x.t_s:.0f} s" for x in loads[:6]) or "nothing"
        raise InputError(
            f"{stream.source}: the empty plate and a load, each still for 3 s, are needed; still were: {levels}."
        )
    return daily_check(
        stored, cells, _samples(empty, counts), _samples(loaded, counts), mass_kg,
        mass_u_kg=mass_u_kg, at_m=at_m, gravity_mps2=gravity,
    )  # fmt: skip


def own_u_frac(check: DailyCheck, device: DeviceFile, plate: int) -> float:
    """Relative uncertainty of a check that other checks of the same plate do not share: all but that of the gains."""
    rest = check.error_u_frac**2 - _plate(device, plate).gain_u ** 2
    return float(np.sqrt(max(rest, LEAST_OWN_FRAC**2)))


def _samples(loads: list[StillLoad], counts: FloatArray) -> FloatArray:
    longest = max(loads, key=lambda x: x.n)
    return np.concatenate([counts[a:b] for a, b in longest.parts])


def _plate(device: DeviceFile, number: int) -> Plate:
    n = len(device.plates)
    if not 0 <= number < n:
        raise InputError(f'"{device.name}" has {n} plate{"s" * (n != 1)}; there is no plate {number + 1}.')
    return device.plates[number]


def _names(device: DeviceFile, number: int) -> tuple[str, ...]:
    plate = _plate(device, number)
    return tuple(c.channel for c in plate.cells) if plate.kind == "cells" else (plate.force_z or "",)
