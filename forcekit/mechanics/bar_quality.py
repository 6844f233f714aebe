"""What is wrong with the readings of a bar sensor, one sentence each.

`readings_quality` looks at the readings alone and works even when nothing can be computed from them;
`motion_quality` looks at the motion that came out. `bar_quality` gives both.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from forcekit.mechanics.bar import BarMotion
from forcekit.mechanics.bar_axis import declared_axis
from forcekit.mechanics.bar_stillness import bar_rests
from forcekit.mechanics.strapdown import total_turn
from forcekit.mechanics.zero import runs
from forcekit.model import BoolArray, FloatArray
from forcekit.registry import MEASURES
from forcekit.results import QualityCheck

__all__ = ["ACCEL_UNIT", "BAR_MEASURES", "bar_quality", "motion_quality", "readings_quality"]

ROTATION_MEASURES = ("shaft_rotation_dip", "shaft_rotation_drive")
LEVEL_MEASURES = ("bar_forward_in_dip", "bar_forward_in_drive", *ROTATION_MEASURES)
ACCEL_UNIT = "bar accelerometer unit"
"""Name of the check of unit and scale."""
BAR_MEASURES = tuple(name for name, info in MEASURES.items() if info.group == "bar")
"""All that comes from the bar's sensor."""

GRAVITY_GOOD = 0.03
"""An uncalibrated sensor reads gravity within 3 % (usual data-sheet figures; from memory)."""
GRAVITY_BAD = 0.12
GRAVITY_MOVING = 0.5
"""A bar that is never still may read this much more or less than gravity most of the time (our choice)."""
UNIT_BAND = 0.25
"""Readings within 25 % of 1/9.8 or 9.8 times gravity have the wrong unit."""
LEAST_RATE_HZ = 95.0
"""Below 100 Hz a dip of 0.2 s has too few samples for its turning points (our choice)."""
FASTEST_TURN_RADPS = 45.0
"""2600 degrees per second; common sensors end at 2000 (from memory)."""
LARGEST_BIAS_RADPS = 0.35
"""20 degrees per second; a gyroscope at rest reads less (usual data-sheet figures; from memory)."""
TURN_SEEN_RAD = math.radians(4.0)
TURN_MISSED_FRAC = 0.5
"""A gyroscope that misses more than half of how gravity turned does not see it; right ones miss a degree of 40 (230
windows of simulated lifts: 1.2 at most), one that is dead all of it (our choice)."""
TURN_CHECK_HZ = 250.0
"""How gravity turned is followed in steps of about this rate (our choice; in simulated lifts it makes 0.06 degrees of
difference at most)."""
SPIN_RAD = math.radians(200.0)
"""A gripped shaft turns by less than a right angle or so in a lift, a sleeve runs on (our choice)."""
TWIST_RADPS = 12.0
TWIST_RAD = math.radians(20.0)
TWIST_S = 0.08
LEAST_LIMIT = 3.0
"""No sensor ends below 3 m/s² or 3 rad/s; flat stretches at smaller numbers are stillness."""
SLIDE_MPS = 0.35
"""A loaded bar does not move sideways this fast in a dip and drive (our choice)."""


def bar_quality(
    accel_mps2: FloatArray,
    gyro_radps: FloatArray | None,
    rate_hz: float,
    *,
    gravity_mps2: float,
    missing: BoolArray | None = None,
    saturated: BoolArray | None = None,
    up_axis: str | None = None,
    motion: BarMotion | None = None,
    from_middle_m: float = 0.0,
) -> tuple[QualityCheck, ...]:
    """Check a bar sensor's recording of one lift.

    Parameters
    ----------
    accel_mps2, gyro_radps : array, shape (n, 3)
        In SI as the device file says; gyro may be None.
    rate_hz, gravity_mps2 : float
    missing, saturated : array of bool, shape (n,), optional
        From the time base and the declared limits; flat tops are looked for when `saturated` is left out.
    up_axis : str, optional
        Sensor axis that should point up while the bar is in the rack; unknown if left out, and then not checked.
    motion : BarMotion, optional
    from_middle_m : float, metre
        Place of the sensor along the shaft.
    """
    checks = readings_quality(
        accel_mps2, gyro_radps, rate_hz, gravity_mps2=gravity_mps2, missing=missing, saturated=saturated,
        up_axis=up_axis,
    )  # fmt: skip
    return checks if motion is None else (*checks, *motion_quality(motion, from_middle_m))


def readings_quality(
    accel_mps2: FloatArray,
    gyro_radps: FloatArray | None,
    rate_hz: float,
    *,
    gravity_mps2: float,
    missing: BoolArray | None = None,
    saturated: BoolArray | None = None,
    up_axis: str | None = None,
) -> tuple[QualityCheck, ...]:
    """Check units, mounting, rate, gaps and saturation from the readings alone; see `bar_quality`."""
    rests = bar_rests(accel_mps2, None, rate_hz)
    checks = [
        _accel_unit(accel_mps2, rests, gravity_mps2),
        _rate(rate_hz),
        _gaps(missing, rate_hz),
        _saturation(accel_mps2, gyro_radps, saturated, rate_hz),
    ]
    if gyro_radps is None:
        checks.append(
            QualityCheck(
                "bar sensor has a gyroscope",
                "doubtful",
                "The bar sensor has no gyroscope: only its vertical motion is given, with a wider interval.",
                LEVEL_MEASURES,
            )
        )
    else:
        checks.append(_gyro_unit(accel_mps2, gyro_radps, rate_hz, rests))
    if up_axis is not None:
        checks.append(_right_way_up(accel_mps2, rests, up_axis))
    return tuple(checks)


def _stillest_force(accel: FloatArray, rests: tuple[tuple[int, int], ...]) -> FloatArray:
    if not rests:
        return np.asarray(np.median(accel, axis=0))
    first, last = max(rests, key=lambda r: r[1] - r[0])
    return np.asarray(accel[first:last].mean(axis=0))


def _accel_unit(accel: FloatArray, rests: tuple[tuple[int, int], ...], gravity: float) -> QualityCheck:
    name = ACCEL_UNIT
    size = float(np.median(np.linalg.norm(accel, axis=1)))
    if rests:
        size = float(np.linalg.norm(_stillest_force(accel, rests)))
    ratio = size / gravity
    if abs(ratio * gravity - 1.0) < UNIT_BAND:
        return QualityCheck(
            name, "bad", f"The bar's accelerometer reads {size:.2f} at rest: its numbers are in g, not in m/s².",
            BAR_MEASURES,
        )  # fmt: skip
    if abs(ratio / gravity - 1.0) < UNIT_BAND:
        return QualityCheck(
            name, "bad", f"The bar's accelerometer reads {ratio:.2f} g at rest: its numbers are in m/s², not in g.",
            BAR_MEASURES,
        )  # fmt: skip
    off = abs(ratio - 1.0)
    if not rests and off < GRAVITY_MOVING:
        return QualityCheck(name, "doubtful", "The bar is never still, so its accelerometer was not checked.")
    when = "at rest" if rests else "most of the time"
    sentence = f"The bar's accelerometer reads {size:.2f} m/s² {when}, gravity is {gravity:.2f} m/s²"
    if off > GRAVITY_BAD:
        return QualityCheck(name, "bad", f"{sentence}; its unit or scale is wrong.", BAR_MEASURES)
    if off > GRAVITY_GOOD:
        return QualityCheck(name, "doubtful", f"{sentence}; calibrate it.")
    return QualityCheck(name, "good", f"{sentence}.")


def _rate(rate_hz: float) -> QualityCheck:
    name = "bar sensor rate"
    if rate_hz < LEAST_RATE_HZ:
        return QualityCheck(
            name, "bad", f"The bar sensor gives {rate_hz:.0f} samples a second, 100 are needed.", BAR_MEASURES
        )
    return QualityCheck(name, "good", f"The bar sensor gives {rate_hz:.0f} samples a second.")


def _gaps(missing: BoolArray | None, rate_hz: float) -> QualityCheck:
    name = "bar sensor gaps"
    if missing is None or not missing.any():
        return QualityCheck(name, "good", "No sample of the bar sensor is missing.")
    longest = max(b - a for a, b in runs(missing))
    first = int(np.flatnonzero(missing)[0])
    sentence = (
        f"{int(missing.sum())} samples of the bar sensor are missing, the first at {first / rate_hz:.2f} s; the "
        f"longest gap is {1e3 * longest / rate_hz:.0f} ms"
    )
    # Two samples in a row are bridged by a straight line with little harm; a gap of 20 ms hides the turning point.
    if longest <= 2 and longest / rate_hz <= 0.012:
        return QualityCheck(name, "doubtful", f"{sentence}; they were interpolated.")
    return QualityCheck(name, "bad", f"{sentence}; motion cannot be integrated across it.", BAR_MEASURES)


def _saturation(
    accel: FloatArray, gyro: FloatArray | None, saturated: BoolArray | None, rate_hz: float
) -> QualityCheck:
    name = "bar sensor range"
    flags = np.zeros(accel.shape[0], dtype=bool) if saturated is None else saturated.copy()
    which = "bar sensor"
    for label, values in (("bar's accelerometer", accel), ("bar's gyroscope", gyro)):
        if saturated is None and values is not None and (flat := _flat_tops(values)).any():
            flags |= flat
            which = label
    if not flags.any():
        return QualityCheck(name, "good", "The bar sensor stayed within its range.")
    first = int(np.flatnonzero(flags)[0])
    return QualityCheck(
        name,
        "bad",
        f"The {which} was at its limit for {1e3 * flags.sum() / rate_hz:.0f} ms, first at {first / rate_hz:.2f} s; "
        "choose a larger range.",
        BAR_MEASURES,
    )


def _flat_tops(values: FloatArray) -> BoolArray:
    """Where a channel stays for three samples and more at its own extreme, far from its middle."""
    out = np.zeros(values.shape[0], dtype=bool)
    for channel in values.T:
        for extreme in (channel.max(), channel.min()):
            flat = [(a, b) for a, b in runs(channel == extreme) if b - a >= 3]
            if (
                flat
                and abs(extreme) >= LEAST_LIMIT
                and abs(extreme - np.median(channel)) >= 1.5 * float(np.std(channel))
            ):
                for a, b in flat:
                    out[a:b] = True
    return out


def _gyro_unit(accel: FloatArray, gyro: FloatArray, rate_hz: float, rests: tuple[tuple[int, int], ...]) -> QualityCheck:
    name = "bar gyroscope unit"
    factor, off = _turn_factor(accel, gyro, rate_hz, rests)
    fastest = float(np.abs(gyro).max())
    bias = float(np.abs(gyro[rests[0][0] : rests[0][1]].mean(axis=0)).max()) if rests else 0.0
    in_degrees = "The bar's gyroscope gives numbers in degrees per second where radians are declared"
    in_radians = "The bar's gyroscope gives numbers in radians per second where degrees are declared"
    if factor is not None and factor < 1.0:
        return QualityCheck(name, "bad", f"{in_degrees}: gravity turned 57 times less than it says.", BAR_MEASURES)
    if factor is not None and factor > 1.0:
        return QualityCheck(name, "bad", f"{in_radians}: gravity turned 57 times more than it says.", BAR_MEASURES)
    if factor is None and (fastest > FASTEST_TURN_RADPS or bias > LARGEST_BIAS_RADPS):
        return QualityCheck(
            name,
            "bad",
            f"{in_degrees}: it reads up to {fastest:.0f} rad/s and {bias:.2f} rad/s at rest.",
            BAR_MEASURES,
        )
    if off > 0.0:
        return QualityCheck(
            name,
            "bad",
            f"The bar's gyroscope disagrees with how gravity turned, by {math.degrees(off):.0f} degrees: it does not "
            "work, or its channels have another order or sign than the accelerometer's.",
            BAR_MEASURES,
        )
    seen = "agrees with how gravity turned" if factor == 1.0 else "reads plausible rates"
    return QualityCheck(name, "good", f"The bar's gyroscope {seen}.")


def _turn_factor(
    accel: FloatArray, gyro: FloatArray, rate_hz: float, rests: tuple[tuple[int, int], ...]
) -> tuple[float | None, float]:
    """Factor (1, π/180 or 180/π) that makes the gyroscope turn gravity from rest to rest; None when nothing turned.

    And by how much (rad) they differ if no factor helps, else 0.
    """
    rests = tuple(r for r in rests if accel[slice(*r)].any())
    up = [accel[a:b].mean(axis=0) for a, b in rests]
    up = [force / np.linalg.norm(force) for force in up]
    # A short rest may be a slow turn; its mean is no bias.
    longest = max(rests, key=lambda r: r[1] - r[0], default=(0, 0))
    bias = gyro[slice(*longest)].mean(axis=0) if rests else np.zeros(3)
    # To degrees, small steps may be added up as if their order did not matter.
    every = max(1, int(rate_hz / TURN_CHECK_HZ))
    turns = [
        np.add.reduceat(gyro[i:j] - bias, np.arange(0, j - i, every), axis=0) / rate_hz
        for i, j in pairwise((a + b) // 2 for a, b in rests)
    ]

    def misfit(factor: float) -> float:
        """Root of the summed squares of the angles between gravity as it is seen and as the gyroscope turns it."""
        total = 0.0
        for turn, (before, after) in zip(turns, pairwise(up), strict=True):
            seen = total_turn(factor * turn).T @ before @ after
            total += math.acos(float(np.clip(seen, -1.0, 1.0))) ** 2
        return math.sqrt(total)

    turned = max((math.acos(float(np.clip(a @ b, -1.0, 1.0))) for a, b in pairwise(up)), default=0.0)
    as_given = misfit(1.0)
    if not rests or (turned < TURN_SEEN_RAD and as_given < TURN_SEEN_RAD):
        return None, 0.0
    best, factor = min((misfit(factor), factor) for factor in (math.pi / 180.0, 180.0 / math.pi))
    if as_given > 3.0 * best:
        return factor, 0.0
    missed = as_given > TURN_SEEN_RAD and as_given > TURN_MISSED_FRAC * misfit(0.0)
    return 1.0, as_given if missed else 0.0


def _right_way_up(accel: FloatArray, rests: tuple[tuple[int, int], ...], up_axis: str) -> QualityCheck:
    name = "bar sensor the right way up"
    force = _stillest_force(accel, rests)
    up = declared_axis(up_axis).left
    off = math.degrees(math.acos(float(np.clip(force @ up / np.linalg.norm(force), -1.0, 1.0))))
    if off > 120.0:
        sentence = f"The bar sensor is upside down: its axis {up_axis} should point up and points down."
        return QualityCheck(
            name, "bad", f"{sentence} Left and right, forward and back would be swapped.", LEVEL_MEASURES
        )
    if off > 45.0:
        sentence = f"The bar sensor's axis {up_axis} should point up and is {off:.0f} degrees off."
        return QualityCheck(name, "doubtful", f"{sentence} Check the shaft axis in the device file.")
    return QualityCheck(name, "good", f"The bar sensor's axis {up_axis} points up.")


def motion_quality(motion: BarMotion, from_middle_m: float = 0.0) -> tuple[QualityCheck, ...]:
    """Check what the computed motion says about how the sensor was fixed and whether the bar came to rest.

    Parameters
    ----------
    motion : BarMotion
    from_middle_m : float, metre
        Place of the sensor along the shaft.
    """
    checks = [_rest_after(motion)]
    if motion.shaft_angle_rad is not None:
        checks.append(_fixed(motion))
    elif from_middle_m != 0.0:
        checks.append(_aside(motion, from_middle_m))
    return tuple(checks)


def _aside(motion: BarMotion, from_middle_m: float) -> QualityCheck:
    """Say that the way from the sensor to the middle of the bar is not known."""
    lacks = "a gyroscope" if motion.axis is not None or not motion.has_gyro else "the direction of the shaft"
    do = "" if lacks == "a gyroscope" else "; declare shaft_axis in its device file"
    return QualityCheck(
        "place of the bar sensor",
        "doubtful",
        f"Without {lacks} it is not known how the sensor, {100.0 * abs(from_middle_m):.0f} cm beside the middle, moves "
        f"against it: height and speed are the sensor's own, which differ where one end of the bar leads{do}.",
    )


def _rest_after(motion: BarMotion) -> QualityCheck:
    name = "bar at rest afterwards"
    if motion.rests_after:
        moved = motion.stance[1]
        after_s = (min(a for a, _ in motion.rests if a >= moved) - moved) / motion.rate_hz
        return QualityCheck(
            name,
            "good",
            f"The bar came to rest again {after_s:.1f} s after it left its stance; drift is bounded there.",
        )
    return QualityCheck(
        name, "doubtful", "The bar did not come to rest after the lift; its horizontal motion is uncertain."
    )


def _fixed(motion: BarMotion) -> QualityCheck:
    """Look for a sensor that spins with a sleeve, twists or slides on the shaft."""
    name = "bar sensor fixed to the shaft"
    angle = motion.shaft_angle_rad
    assert angle is not None
    start = motion.stance[1]
    after = [a for a, _ in motion.rests if a >= start]
    stop = min(after) if after else angle.size
    moved = angle[start:stop]
    if moved.size < 3:
        return QualityCheck(name, "good", "The bar sensor sits firmly on the shaft.")
    if float(np.ptp(angle[start:])) > SPIN_RAD:
        turn = math.degrees(float(np.ptp(angle[start:])))
        return QualityCheck(
            name, "bad",
            f"The bar sensor turned by {turn:.0f} degrees: it sits on a turning sleeve, not on the shaft.",
            BAR_MEASURES,
        )  # fmt: skip
    step = max(1, round(TWIST_S * motion.rate_hz))
    jump = np.abs(moved[step:] - moved[:-step]) if moved.size > step else np.zeros(1)
    fast = np.abs(np.diff(moved)) * motion.rate_hz
    at = int(np.argmax(jump))
    if jump[at] > TWIST_RAD and float(fast[at : at + step].max()) > TWIST_RADPS:
        return QualityCheck(
            name, "bad",
            f"The bar sensor twisted on the shaft by {math.degrees(float(jump[at])):.0f} degrees within "
            f"{1e3 * TWIST_S:.0f} ms; fix it more firmly.",
            ROTATION_MEASURES,
        )  # fmt: skip
    side = float(np.abs(motion.velocity_mps[start:stop, 1]).max())
    if side > SLIDE_MPS:
        return QualityCheck(
            name, "bad",
            f"The bar sensor moved sideways at {side:.2f} m/s: it slid along the shaft, or its shaft axis is wrong.",
            LEVEL_MEASURES,
        )  # fmt: skip
    return QualityCheck(name, "good", "The bar sensor sits firmly on the shaft.")
