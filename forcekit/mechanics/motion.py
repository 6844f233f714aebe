"""From force to the motion of the common centre of mass: speed and travel, and their values between samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.model import FloatArray

__all__ = ["Motion", "integrate", "running_integral"]


def running_integral(y: FloatArray, step_s: float, out: FloatArray | None = None) -> FloatArray:
    """Trapezoid rule from the first sample on, along the last axis, into `out` if given; the first value is 0."""
    out = np.empty(y.shape) if out is None else out
    out[..., :1] = 0.0
    areas = out[..., 1:]
    np.add(y[..., 1:], y[..., :-1], out=areas)
    areas *= 0.5 * step_s
    np.cumsum(areas, axis=-1, out=areas)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Acceleration, speed and travel of the centre of mass on a uniform clock, all upward positive.

    The methods take a place in samples and stay consistent with the trapezoid rule: acceleration is linear between
    samples, so speed is quadratic and travel cubic.
    """

    rate_hz: float
    acceleration_mps2: FloatArray
    velocity_mps: FloatArray
    travel_m: FloatArray

    def _between(self, place: float) -> tuple[int, float]:
        i = int(min(max(place, 0.0), self.velocity_mps.size - 2))
        return i, (place - i) / self.rate_hz

    def acceleration_at(self, place: float) -> float:
        """Acceleration (m/s²) at a place between samples."""
        i, tau = self._between(place)
        a = self.acceleration_mps2
        return float(a[i] + (a[i + 1] - a[i]) * self.rate_hz * tau)

    def velocity_at(self, place: float) -> float:
        """Speed (m/s) at a place between samples."""
        i, tau = self._between(place)
        a = self.acceleration_mps2
        jerk = (a[i + 1] - a[i]) * self.rate_hz
        return float(self.velocity_mps[i] + a[i] * tau + 0.5 * jerk * tau**2)

    def travel_at(self, place: float) -> float:
        """Travel (m) at a place between samples."""
        i, tau = self._between(place)
        v, a = self.velocity_mps, self.acceleration_mps2
        step = 1.0 / self.rate_hz
        # The trapezoid step of travel is (v0+v1)/2·step; the cubic is scaled to end there.
        jerk = (a[i + 1] - a[i]) * self.rate_hz
        cubic = v[i] * tau + 0.5 * a[i] * tau**2 + jerk * tau**3 / 6.0
        whole = v[i] * step + 0.5 * a[i] * step**2 + jerk * step**3 / 6.0
        trapezoid = 0.5 * (v[i] + v[i + 1]) * step
        return float(self.travel_m[i] + cubic + (trapezoid - whole) * tau / step)

    def velocity_crossing(self, i: int, level_mps: float) -> float:
        """Place between samples i and i+1 at which the speed passes a level (known to pass it there)."""
        v = self.velocity_mps
        place = i + float((level_mps - v[i]) / (v[i + 1] - v[i]))
        for _ in range(3):
            slope = self.acceleration_at(place) / self.rate_hz
            if slope == 0.0:
                break
            place = min(max(place - (self.velocity_at(place) - level_mps) / slope, float(i)), i + 1.0)
        return place


def integrate(force_n: FloatArray, weight_n: float, rate_hz: float, gravity_mps2: float) -> Motion:
    """Motion of the system from its vertical force: a = g (F/W - 1), starting at rest.

    Parameters
    ----------
    force_n : array, shape (n,), newton
        From the start of stance on, unfiltered.
    weight_n : float, newton
        System weight from the same plate: a wrong gain of the plate cancels in F/W.
    rate_hz : float
    gravity_mps2 : float

    References
    ----------
    Owen et al. 2014, J. Strength Cond. Res. 28(6):1552-1558 (abstract seen): trapezoid and Simpson's rule serve
    equally at 1000 Hz.
    """
    acceleration = gravity_mps2 * (force_n / weight_n - 1.0)
    velocity = running_integral(acceleration, 1.0 / rate_hz)
    return Motion(rate_hz, acceleration, velocity, running_integral(velocity, 1.0 / rate_hz))
