"""From the channels of one or two force plates to the force on the lifter, and whether they can be believed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.mechanics.plate_matrix import FZ, PRESSURE_FLOOR_N, has_positions, plate_channels, product_channels
from forcekit.mechanics.timebase import Timebase, uniform_timebase
from forcekit.mechanics.zero import ZeroReport, apply_zero, find_unloaded, loaded_level, runs
from forcekit.model import BoolArray, DeviceFile, FloatArray, Plate, Stream
from forcekit.numbers import decimal

__all__ = ["PlateSignals", "channel_noise", "check_usable", "converter_step", "frozen", "read_plate"]

LEAST_RATE_HZ = 78.0
"""80 Hz, with two per cent for a clock that runs slow (our choice)."""
LIGHTEST_N, HEAVIEST_N = 300.0, 12000.0
"""Whoever stands on the plate weighs 30 to 1200 kg with the bar; what lies outside has the wrong unit (our choice)."""
FROZEN_LEAST = 4
"""Equal samples in a row that may mean a frozen link (our choice)."""

STEP_SAMPLES = 5000
"""Samples of a channel that tell the step of its converter (our choice)."""
FIRST_STEPS = 200
"""So many of them show first whether that step can matter (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class PlateSignals:
    """Force and pressure of a whole recording on a uniform clock, in the lifter's axes, SI units.

    Attributes
    ----------
    t_s : array, shape (n,)
    rate_hz : float
    missing, saturated : array of bool, shape (n,)
    channels : array, shape (n, k)
        Calibrated channels with the zero removed, each in one piece of memory. A plate with a ready centre of pressure
        has the channels Fz, Fz·y, -Fz·x.
    matrix : array, shape (5, k)
        R = matrix @ c, rows Fz, Fx, Fy, Mx, My.
    owner : array of int, shape (k,)
        Number of the plate each channel belongs to.
    noise : array, shape (k,)
        Standard deviation of the white noise of each channel.
    zero : ZeroReport
    plates : tuple of Plate
    has_pressure, has_forward : bool
    notes : tuple of str
    """

    t_s: FloatArray
    rate_hz: float
    missing: BoolArray
    saturated: BoolArray
    channels: FloatArray
    matrix: FloatArray
    owner: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    noise: FloatArray
    zero: ZeroReport
    plates: tuple[Plate, ...]
    has_pressure: bool
    has_forward: bool
    force_n: FloatArray
    notes: tuple[str, ...]

    def resultant(self, first: int, last: int) -> FloatArray:
        """Resultant R over the samples first..last-1, shape (m, 5), each component in one piece of memory."""
        return np.asarray(self.matrix @ self.channels[first:last].T).T

    def plate_force(self, number: int, first: int, last: int) -> FloatArray:
        """Vertical force of one of two plates over the samples first..last-1."""
        factors = np.where(self.owner == number, self.matrix[FZ], 0.0)
        return np.asarray(self.channels[first:last] @ factors)

    @property
    def left_plate(self) -> int | None:
        """Number of the plate under the left foot, None with one plate."""
        if len(self.plates) != 2:
            return None
        return int(np.argmax([p.centre_m[1] for p in self.plates]))


def converter_step(values: FloatArray) -> float:
    """Smallest step between the numbers of one channel: the converter's, or nearly nothing for floating point."""
    steps = np.diff(np.unique(values[:: max(1, values.size // STEP_SAMPLES)]))
    return float(steps.min()) if steps.size else 0.0


def channel_noise(values: FloatArray) -> FloatArray:
    """Standard deviation of the white noise of each channel, shape (k,).

    Notes
    -----
    From second differences, which movement hardly reaches: their variance is six times that of white noise. The
    median over blocks of 64 samples keeps landings and knocks out. Quantisation counts at least one step/√12.
    """
    n, k = values.shape
    if n < 70:
        return np.asarray(np.std(np.diff(values, 2, axis=0), axis=0) / np.sqrt(6.0))
    second = np.diff(values.T, 2)
    blocks = second[:, : second.shape[1] // 64 * 64].reshape(k, -1, 64)
    power = np.sort(np.einsum("kbi,kbi->kb", blocks, blocks), axis=1)
    middle = (power.shape[1] - 1) // 2, power.shape[1] // 2
    noise = np.sqrt(0.5 * (power[:, middle[0]] + power[:, middle[1]]) / (6.0 * 64.0))
    # No step between two neighbours is smaller than the converter's; where it is already below the noise, finding the
    # converter's exactly (a sort of the channel) cannot matter.
    some = np.abs(np.diff(values[:: max(1, n // STEP_SAMPLES)][:FIRST_STEPS], axis=0))
    some[some == 0.0] = np.inf
    near = some.min(axis=0) / math.sqrt(12.0)
    for j in np.flatnonzero(near > noise):
        noise[j] = max(float(noise[j]), converter_step(values[:, j]) / np.sqrt(12.0))
    return np.asarray(noise)


def _saturated(stream: Stream, timebase: Timebase) -> BoolArray:
    """Where any channel is at its declared limit, or flat at its own extreme for 4 samples and more."""
    flags = np.zeros(timebase.t_s.size, dtype=bool)
    for name, raw in stream.raw.items():
        channel = stream.device.channel(name)
        top, bottom = float(raw.max()), float(raw.min())
        if channel.highest is not None and top >= channel.highest:
            flags[timebase.index[raw >= channel.highest]] = True
        if channel.lowest is not None and bottom <= channel.lowest:
            flags[timebase.index[raw <= channel.lowest]] = True
        for extreme in (top, bottom):
            flat = raw == extreme
            if extreme == 0.0 or np.count_nonzero(flat) < FROZEN_LEAST:
                continue
            # A flat top is a limit wherever it lies; a flat bottom is one only far from where the channel usually is.
            if extreme != top and not abs(extreme - float(np.median(raw))) > 0.5 * (top - bottom):
                continue
            long = [(a, b) for a, b in runs(flat) if b - a >= FROZEN_LEAST]
            step = converter_step(raw) if long else 0.0
            for a, b in long:
                edges = abs(raw[a] - raw[max(a - 1, 0)]) + abs(raw[b - 1] - raw[min(b, raw.size - 1)])
                if edges > 5.5 * step:
                    flags[timebase.index[a:b]] = True
    return flags


def frozen(channels: FloatArray, force_n: FloatArray, noise_n: float) -> BoolArray:
    """Where all channels repeat one sample while the force moves on: the link or the converter stood still; shape (n,).

    Notes
    -----
    Four and more equal samples, after which the force jumps by more than six standard deviations of its noise, 0.5 %
    of itself and eight steps of the converter. A quiet stance on a coarse converter repeats samples too, but goes on by
    one step.
    """
    flags = np.zeros(force_n.size, dtype=bool)
    same = np.zeros(force_n.size, dtype=bool)
    same[1:] = channels[1:, 0] == channels[:-1, 0]
    for j in range(1, channels.shape[1]):
        if np.count_nonzero(same) < FROZEN_LEAST:
            return flags
        same[1:] &= channels[1:, j] == channels[:-1, j]
    long = [(a, b) for a, b in runs(same) if b - a >= FROZEN_LEAST and b < force_n.size]
    step = converter_step(force_n) if long else 0.0
    for a, b in long:
        jump = abs(float(force_n[b] - force_n[a]))
        if jump > max(6.0 * noise_n, 0.005 * abs(float(force_n[b])), 8.0 * step) and force_n[a] > PRESSURE_FLOOR_N:
            flags[a:b] = True
    return flags


def check_usable(stream: Stream, level_n: float, rate_hz: float) -> None:
    """Raise an InputError if a plate's whole recording cannot be used: rate, no finite numbers, dead cell, unit, sign.

    `level_n` is the usual force while somebody stands on it, see `forcekit.mechanics.zero.loaded_level`.
    """
    _check_channels(rate_hz, stream)
    _check_unit_and_sign(level_n, stream)


def _check_unit_and_sign(level: float, stream: Stream) -> None:
    """Refuse a force that cannot be a person's: it hangs downward, or is a thousand times too large or small."""
    loaded = abs(level)
    where = f"{stream.source}"
    if not LIGHTEST_N <= loaded <= HEAVIEST_N:
        mass = loaded / 9.81
        raise InputError(
            f"{where}: the vertical force is about {loaded:.3g} N while loaded, as if {mass:.3g} kg stood on it; "
            "a lifter with bar is 30 to 1200 kg. Check unit and scale of the force channels in the device file."
        )
    if level < 0.0:
        raise InputError(
            f"{where}: the vertical force is negative ({decimal(-loaded, 0)} N) while the plate is loaded; it must be "
            "positive upward on the lifter. Turn the sign of the force channels in the device file (sign = -1)."
        )


def _check_channels(rate_hz: float, stream: Stream) -> None:
    """Refuse a rate that is too slow for a dip, and a load cell that never changes while others do."""
    if rate_hz < LEAST_RATE_HZ:
        raise InputError(
            f"{stream.source}: the plate samples at {rate_hz:.0f} Hz; at least 80 Hz are needed to see a dip. "
            "Export at a higher rate."
        )
    for name, values in stream.raw.items():
        finite = np.isfinite(values)
        if not finite.all():
            n = values.size - int(np.count_nonzero(finite))
            raise InputError(
                f'{stream.source}: {n} sample{"s" * (n != 1)} of channel "{name}" hold no finite number; leave '
                "such samples out of the recording, a gap is dealt with."
            )
    names = [cell.channel for plate in stream.device.plates if plate.kind == "cells" for cell in plate.cells]
    dead = [name for name in names if not (stream.raw[name] != stream.raw[name][0]).any()]
    for name in dead:
        if len(dead) < len(names):
            raise InputError(
                f'{stream.source}: load cell "{name}" never changes; it is dead or not connected, so neither weight '
                "nor pressure can be told. Check the cell and its column in the device file."
            )


def read_plate(stream: Stream) -> PlateSignals:
    """Force and pressure of a plate recording, zeroed where the plate was seen unloaded.

    Parameters
    ----------
    stream : Stream
        Of a device of kind ``"plate"``.

    Raises
    ------
    InputError
        Wrong sign or unit, or too few samples.
    """
    device: DeviceFile = stream.device
    timebase = uniform_timebase(stream.t_s, stream.source)
    parts = [plate_channels(stream, plate, timebase) for plate in device.plates]
    channels = np.stack([c for columns, _ in parts for c in columns]).T
    matrix = np.hstack([m for _, m in parts])
    owner = np.concatenate([np.full(len(columns), i) for i, (columns, _) in enumerate(parts)])
    force = channels @ matrix[FZ]
    level = loaded_level(force)
    check_usable(stream, level, timebase.rate_hz)
    noise = channel_noise(channels)
    still = frozen(channels, force, float(np.linalg.norm(matrix[FZ] * noise)))
    stated = float(np.linalg.norm([plate.zero_u_n for plate in device.plates]))
    report = find_unloaded(force, 1.0 / timebase.rate_hz, stated, loaded_n=level)
    ready = product_channels(device.plates)
    zeroed, report = apply_zero(channels, timebase.t_s, report, keep=ready)
    channels = _with_ready_pressure(channels, zeroed, owner, ready)
    notes = list(stream.notes)
    saturated = _saturated(stream, timebase)
    for flags, what in ((saturated, "a channel is at its limit"), (still, "all channels repeat one sample")):
        if flags.any():
            notes.append(f"{what} for {1e3 * int(flags.sum()) / timebase.rate_hz:.0f} ms in this recording")
    if timebase.jitters:
        notes.append(
            "the time stamps jitter by more than a third of a step; the samples were interpolated to an even clock"
        )
    return PlateSignals(
        t_s=timebase.t_s,
        rate_hz=timebase.rate_hz,
        missing=timebase.missing | still,
        saturated=saturated,
        channels=channels,
        matrix=matrix,
        owner=owner,
        noise=noise,
        zero=report,
        plates=device.plates,
        has_pressure=all(has_positions(plate) for plate in device.plates),
        has_forward=all(p.force_x is not None for p in device.plates),
        force_n=channels @ matrix[FZ],
        notes=tuple(notes),
    )


def _with_ready_pressure(
    before: FloatArray, zeroed: FloatArray, owner: np.ndarray[tuple[int, ...], np.dtype[np.int64]], ready: BoolArray
) -> FloatArray:
    """Multiply a ready pressure with the zeroed force instead of the force before; shape (n, k)."""
    if not ready.any():
        return zeroed
    out = zeroed.copy(order="K")
    for j in np.flatnonzero(ready):
        force = int(np.flatnonzero(owner == owner[j])[0])
        old, new = before[:, force], zeroed[:, force]
        ratio = np.divide(new, old, out=np.ones_like(new), where=np.abs(old) > 1.0)
        out[:, j] = before[:, j] * ratio
    return out
