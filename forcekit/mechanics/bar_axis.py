"""Which way the shaft points in the sensor: declared, or found from how the bar moves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.gaussian import HALF_POWER
from forcekit.mechanics.strapdown import align_to_gravity, orientation, rotation_vectors
from forcekit.model import FloatArray

__all__ = ["AxisSettings", "ShaftAxis", "declared_axis", "find_shaft_axis"]

_AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


@dataclass(frozen=True, slots=True, eq=False)
class ShaftAxis:
    """Direction along the shaft to the lifter's left, in the sensor's axes.

    Attributes
    ----------
    left : array, shape (3,)
    u_rad : float
        Standard uncertainty of its heading.
    sign_known : bool
        False when left and right, and with them forward and back, may be swapped.
    how : str
        One sentence on where it comes from.
    """

    left: FloatArray
    u_rad: float
    sign_known: bool
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisSettings:
    """When the movement tells the direction of the shaft (our choice).

    Attributes
    ----------
    mount_u_rad : how well a sensor is clamped square to the shaft
    least_turn_radps, least_accel_mps2 : root mean square of the movement along its main direction
    least_ratio : main direction over second, as root mean squares
    level_rad : a shaft lies at most this far from horizontal in stance
    snap_rad : a sensor axis this near to the found direction is taken for it
    agree_rad : the two ways must agree within this
    cutoff_hz : faster movement is vibration
    """

    mount_u_rad: float = math.radians(1.5)
    least_turn_radps: float = 0.12
    least_accel_mps2: float = 0.15
    least_ratio: float = 2.5
    level_rad: float = math.radians(15.0)
    snap_rad: float = math.radians(12.0)
    agree_rad: float = math.radians(20.0)
    cutoff_hz: float = 12.0


def declared_axis(name: str, *, settings: AxisSettings | None = None) -> ShaftAxis:
    """Shaft direction from a sensor axis named in the device file, such as ``"y"`` or ``"-x"``.

    Raises
    ------
    InputError
        If it is not one of x, y, z with or without a minus sign.
    """
    base = name.removeprefix("-")
    if base not in _AXES:
        raise InputError(f'the shaft axis is "{name}"; x, y, z, -x, -y or -z is needed: the sensor axis to the left.')
    sign = -1.0 if name.startswith("-") else 1.0
    u_rad = (settings or AxisSettings()).mount_u_rad
    return ShaftAxis(sign * np.array(_AXES[base]), u_rad, True, f"sensor axis {name} declared to point left")


def find_shaft_axis(
    accel_mps2: FloatArray,
    gyro_radps: FloatArray | None,
    rate_hz: float,
    *,
    stance: tuple[int, int],
    moving: tuple[int, int],
    settings: AxisSettings | None = None,
) -> ShaftAxis:
    """Find the direction of the shaft from the movement, but for its sign.

    Parameters
    ----------
    accel_mps2, gyro_radps : array, shape (n, 3); gyro may be None
    rate_hz : float
    stance, moving : (int, int)
        First and last+1 sample of the rest before, and of the movement.

    Notes
    -----
    Two witnesses: the axis about which the bar turns most (it rolls in the hands), and the horizontal
    direction in which it accelerates least (a lifter moves it up and down and a little forward and back,
    hardly sideways). A witness counts when its main direction stands out. If both count they must agree. A
    sensor axis close by is taken for the direction itself. The sign cannot be seen: forward and back, elbows
    up and down may be swapped, and `sign_known` is False.

    Raises
    ------
    CannotMeasure
        `Reason.NO_SHAFT_AXIS` when neither counts, they disagree, or the direction is not level.
    """
    s = settings or AxisSettings()
    up = accel_mps2[stance[0] : stance[1]].mean(axis=0)
    up = up / np.linalg.norm(up)
    found: list[tuple[FloatArray, float, str]] = []
    for witness in (
        _turn_witness(gyro_radps, rate_hz, stance, moving, s),
        _quiet_witness(accel_mps2, gyro_radps, rate_hz, stance, moving, s),
    ):
        if witness is not None:
            found.append(witness)
    if not found:
        raise CannotMeasure(
            Reason.NO_SHAFT_AXIS,
            "no axis stands out in how the bar turned or moved; declare shaft_axis in the bar's device file",
        )
    if len(found) == 2 and _angle(found[0][0], found[1][0]) > s.agree_rad:
        raise CannotMeasure(
            Reason.NO_SHAFT_AXIS,
            f"{found[0][2]} and {found[1][2]} point {math.degrees(_angle(found[0][0], found[1][0])):.0f} degrees "
            "apart; declare shaft_axis in the bar's device file",
        )
    left, u_rad, how = min(found, key=lambda w: w[1])
    if abs(float(left @ up)) > math.sin(s.level_rad):
        raise CannotMeasure(
            Reason.NO_SHAFT_AXIS,
            f"{how} lies {math.degrees(math.asin(min(1.0, abs(float(left @ up))))):.0f} degrees off the horizontal; "
            "declare shaft_axis in the bar's device file",
        )
    i = int(np.argmax(np.abs(left)))
    snapped = np.eye(3)[i]
    if _angle(left, snapped) < s.snap_rad:
        return ShaftAxis(snapped, s.mount_u_rad, False, f"sensor axis {'xyz'[i]}, found from {how}; sign not known")
    return ShaftAxis(left * np.sign(left[i]), u_rad, False, f"found from {how}; sign not known")


def _angle(a: FloatArray, b: FloatArray) -> float:
    """Angle between two lines."""
    return math.acos(min(1.0, abs(float(a @ b))))


def _smooth(values: FloatArray, rate_hz: float, cutoff_hz: float) -> FloatArray:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, rate_hz * HALF_POWER / cutoff_hz, axis=0, mode="nearest"))


def _turn_witness(
    gyro: FloatArray | None, rate_hz: float, stance: tuple[int, int], moving: tuple[int, int], s: AxisSettings
) -> tuple[FloatArray, float, str] | None:
    if gyro is None:
        return None
    turn = _smooth(gyro - gyro[stance[0] : stance[1]].mean(axis=0), rate_hz, s.cutoff_hz)[moving[0] : moving[1]]
    power, axes = np.linalg.eigh(turn.T @ turn / turn.shape[0])
    first, second = math.sqrt(max(power[2], 0.0)), math.sqrt(max(power[1], 1e-12))
    if first < s.least_turn_radps or first / second < s.least_ratio:
        return None
    return axes[:, 2], 0.5 * math.atan(second / first), "the axis the bar turned about"


def _quiet_witness(
    accel: FloatArray,
    gyro: FloatArray | None,
    rate_hz: float,
    stance: tuple[int, int],
    moving: tuple[int, int],
    s: AxisSettings,
) -> tuple[FloatArray, float, str] | None:
    mean = accel[stance[0] : stance[1]].mean(axis=0)
    seed = np.eye(3)[int(np.argmin(np.abs(mean)))]
    level = align_to_gravity(mean, seed)
    start, stop = stance[1] - 1, moving[1]
    if gyro is None:
        force = accel[start:stop] @ level.T
    else:
        bias = gyro[stance[0] : stance[1]].mean(axis=0)
        attitude = orientation(level, rotation_vectors(gyro[start:stop] - bias, 1.0 / rate_hz))
        force = np.einsum("nij,nj->ni", attitude, accel[start:stop])
    flat = _smooth(force[:, :2], rate_hz, s.cutoff_hz)[max(0, moving[0] - start) :]
    power, axes = np.linalg.eigh(flat.T @ flat / flat.shape[0])
    least, most = math.sqrt(max(power[0], 1e-12)), math.sqrt(max(power[1], 0.0))
    if most < s.least_accel_mps2 or most / least < s.least_ratio:
        return None
    direction = level[:2].T @ axes[:, 0]
    return direction, 0.5 * math.atan(least / most), "the horizontal direction of least movement"
