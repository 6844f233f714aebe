"""Physical constants, local gravity and unit factors, each with its source."""

from __future__ import annotations

import math

from forcekit.errors import InputError

__all__ = ["STANDARD_GRAVITY_MPS2", "UNITS", "local_gravity", "unit_factor"]

STANDARD_GRAVITY_MPS2 = 9.80665
"""Standard acceleration of gravity, exact by convention (3rd CGPM, 1901; from memory)."""

_WGS84_EQUATOR_MPS2 = 9.7803253359
_WGS84_K = 0.00193185265241
_WGS84_E2 = 0.00669437999013
_FREE_AIR_PER_M = 3.086e-6

UNITS: dict[str, tuple[str, float]] = {
    "N": ("force", 1.0),
    "kN": ("force", 1000.0),
    "kgf": ("force", STANDARD_GRAVITY_MPS2),
    "lbf": ("force", 4.4482216152605),
    "N m": ("moment", 1.0),
    "N mm": ("moment", 1e-3),
    "N cm": ("moment", 1e-2),
    "m": ("length", 1.0),
    "cm": ("length", 1e-2),
    "mm": ("length", 1e-3),
    "m/s2": ("acceleration", 1.0),
    "g": ("acceleration", STANDARD_GRAVITY_MPS2),
    "mg": ("acceleration", STANDARD_GRAVITY_MPS2 * 1e-3),
    "rad/s": ("rate of turn", 1.0),
    "deg/s": ("rate of turn", math.pi / 180.0),
    "s": ("time", 1.0),
    "ms": ("time", 1e-3),
    "us": ("time", 1e-6),
}
"""Unit as written in a device file -> (kind of quantity, factor to SI). Factors are exact definitions."""


def unit_factor(unit: str, kind: str | tuple[str, ...], where: str) -> float:
    """Factor that turns a number in this unit into SI.

    Parameters
    ----------
    unit : str
        A key of `UNITS`.
    kind : str or tuple of str
        The kind (or kinds) of quantity allowed here, such as ``"force"``.
    where : str
        Where the unit stands, for the message.

    Raises
    ------
    InputError
        If the unit is unknown or of another kind.

    Examples
    --------
    >>> unit_factor("ms", "time", "device.toml, [time]")
    0.001
    """
    kinds = (kind,) if isinstance(kind, str) else kind
    found = UNITS.get(unit)
    if found is None or found[0] not in kinds:
        allowed = ", ".join(name for name, (k, _) in UNITS.items() if k in kinds)
        raise InputError(f'{where}: the unit is "{unit}", but a {" or ".join(kinds)} is needed; use {allowed}.')
    return found[1]


def local_gravity(latitude_deg: float | None, height_m: float = 0.0) -> float:
    """Gravity at a place, in m/s², from its latitude and height.

    Parameters
    ----------
    latitude_deg : float or None, degree
        Geographic latitude; None gives standard gravity.
    height_m : float, metre
        Height above sea level.

    Notes
    -----
    Normal gravity on the WGS 84 ellipsoid (Somigliana's closed form) less the free-air gradient
    3.086e-6 per second squared. Local anomalies stay below 0.001 m/s² nearly everywhere.

    References
    ----------
    WGS 84 defining and derived constants (NIMA TR8350.2; seen in secondary copies only).

    Examples
    --------
    >>> round(local_gravity(0.0), 10)
    9.7803253359
    """
    if latitude_deg is None:
        return STANDARD_GRAVITY_MPS2
    sin2 = math.sin(math.radians(latitude_deg)) ** 2
    on_ellipsoid = _WGS84_EQUATOR_MPS2 * (1.0 + _WGS84_K * sin2) / math.sqrt(1.0 - _WGS84_E2 * sin2)
    return on_ellipsoid - _FREE_AIR_PER_M * height_m
