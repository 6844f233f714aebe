"""Force plates of every kind, with the errors real ones have: `record_plate` turns motion into a raw recording.

The device file that comes with the recording states the nominal calibration and its standard uncertainties; the
true gains, zeros, positions and the true heel line are drawn from normal distributions with exactly those standard
uncertainties, so that it can be tested whether 95 % intervals hold the truth 95 times in a hundred.
"""

from __future__ import annotations

import numpy as np

from forcekit.constants import UNITS
from forcekit.model import AttemptCard, Channel, DeviceFile, FloatArray, Plate, Recording, Site, Stand, Stream, TimeAxis
from forcekit.simulate.motion import Motion
from forcekit.simulate.plates import PLATES, Load, PlateSensor, placed

__all__ = ["PlateSensor", "attempt_card", "record_plate"]


def record_plate(
    motion: Motion, sensor: PlateSensor, seed: int, card: AttemptCard | None = None, *, plate_seed: int | None = None
) -> Recording:
    """Raw recording of a force plate under a simulated lifter.

    Parameters
    ----------
    motion : Motion
    sensor : PlateSensor
    seed : int
        Of noise, zero, drift, heel line and card.
    card : AttemptCard, optional
        Left out, `attempt_card` writes one.
    plate_seed : int, optional
        Of what belongs to the plate itself (gains, places of cells): the same plate in several recordings has the
        same. Left out, every recording has a plate of its own.

    Notes
    -----
    The heel line's true place is drawn around the declared one; the lifter is put there. Local gravity is exact.
    """
    rng = np.random.default_rng([seed, 77])
    own = np.random.default_rng([seed if plate_seed is None else plate_seed, 78])
    if card is None:
        card = attempt_card(motion, rng)
    heel = sensor.heel_line_m + sensor.heel_line_u_m * rng.standard_normal()
    t_s = np.arange(int(motion.t_s[-1] * sensor.rate_hz) + 1) / sensor.rate_hz
    columns: dict[str, FloatArray] = {}
    channels: list[Channel] = []
    plates: list[Plate] = []
    for side, centre_y in _sides(sensor):
        load = _load_on(motion, sensor, t_s, side, heel, centre_y)
        values, plate, kinds = PLATES[sensor.kind](load, sensor, side, rng, own)
        plate = placed(plate, sensor, centre_y)
        light = load.up < sensor.clip_to_zero_below_n
        for name, value in values.items():
            clean = np.where(light, 0.0, _spoilt(value, kinds[name], t_s, sensor, rng, own))
            channel, columns[name] = _as_sent(name, clean, kinds[name], sensor)
            channels.append(channel)
        plates.append(plate)
    keep = _kept(t_s, sensor, rng)
    stream = Stream(
        t_s=_stamps(t_s, sensor)[keep] if sensor.stamps else t_s[: int(np.count_nonzero(keep))],
        raw={name: column[keep] for name, column in columns.items()},
        device=_device(motion, sensor, channels, plates),
        source="simulated plate",
        clock="stamps" if sensor.stamps else "rate",
    )
    return Recording(plate=stream, card=card)


def _device(motion: Motion, sensor: PlateSensor, channels: list[Channel], plates: list[Plate]) -> DeviceFile:
    column = "time" if sensor.stamps else None
    return DeviceFile(
        name=f"simulated {sensor.kind} plate",
        kind="plate",
        serial="made, not measured",
        time=TimeAxis(column=column, rate_hz=sensor.rate_hz),
        channels=tuple(channels),
        plates=tuple(plates),
        stand=Stand(heel_line_m=sensor.heel_line_m, heel_line_u_m=sensor.heel_line_u_m),
        site=Site(latitude_deg=motion.plan.latitude_deg, height_m=motion.plan.height_m),
    )


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


def _load_on(motion: Motion, sensor: PlateSensor, t_s: FloatArray, side: str, heel: float, centre_y: float) -> Load:
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
    return Load(
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


# ------------------------------------------------------------------------------------------ what becomes of it


def _spoilt(
    value: FloatArray,
    kind: str,
    t_s: FloatArray,
    sensor: PlateSensor,
    rng: np.random.Generator,
    own: np.random.Generator,
) -> FloatArray:
    """Add gain, zero, drift and noise to one channel."""
    if kind == "place":
        return value
    size = {"cell": 0.5, "force": 1.0, "moment": sensor.half_length_m}[kind]
    noise = sensor.noise_nm if kind == "moment" else sensor.noise_n
    zero = size * sensor.zero_u_n * (0.1 if sensor.zeroed else 1.0) * rng.standard_normal()
    drift = size * sensor.drift_u_nps * rng.standard_normal()
    gain = 1.0 + sensor.gain_u * own.standard_normal()
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
        ends = None if top is None else (float(round(-top / step + offset)), float(round(top / step + offset)))
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
