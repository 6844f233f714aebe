"""Knocks of the bar's sensor on the plate: what both feel at the same instant, each in its own way."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.motion import Motion

__all__ = ["knock_plate"]

_CONTACT_S = 0.006
"""How long steel touches steel through a housing."""


def knock_plate(
    motion: Motion, at_s: Sequence[float], *, force_n: float = 60.0, acceleration_mps2: float = 60.0
) -> Motion:
    """Motion with knocks of the sensor on the plate, before it is clamped on the bar.

    Parameters
    ----------
    motion : Motion
    at_s : sequence of float, second
        When the sensor first touches the plate.
    force_n, acceleration_mps2 : float
        Height of the knock on the plate and at the sensor.

    Notes
    -----
    A half sine of 6 ms on both; then the plate rings at 90 Hz and the sensor in the hand at 40 Hz, both dying out.
    """
    force, acceleration = motion.force_up_n.copy(), motion.bar_acceleration_mps2.copy()
    for at in at_s:
        since = motion.t_s - at
        force += force_n * _knock(since, 90.0, 0.012)
        acceleration[:, 2] += acceleration_mps2 * _knock(since, 40.0, 0.020)
    return dataclasses.replace(motion, force_up_n=force, bar_acceleration_mps2=acceleration)


def _knock(since_s: FloatArray, hz: float, decay_s: float) -> FloatArray:
    hit = np.where((since_s >= 0.0) & (since_s < _CONTACT_S), np.sin(math.pi * since_s / _CONTACT_S), 0.0)
    after = np.maximum(since_s - _CONTACT_S, 0.0)
    ring = 0.3 * np.exp(-after / decay_s) * np.sin(2.0 * math.pi * hz * after)
    return np.asarray(hit + ring)
