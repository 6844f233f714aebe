"""What follows the shoulders late: the discs of a bar that bends, and the soft parts of the body.

The plain simulator moves body and bar as two rigid masses. Here the plate feels masses on springs instead.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.motion import Motion

__all__ = ["bend_bar", "natural_hz", "soft_body"]

_SHAFT_KG = 6.3
"""Steel shaft of 28 mm and 1.31 m between the sleeves; it does not lag."""
_SAG_M_PER_N = 1.5e-5
"""How far a disc sinks against the shoulders per newton on its side: a beam of 28 mm steel (E I = 6.2 kN m²) on
supports 0.4 m apart with the load 0.5 m outside them, P L² (2 L + 3 s)/(6 E I)."""


def natural_hz(bar_mass_kg: float) -> float:
    """Natural frequency of the discs of a loaded bar on two shoulders."""
    return math.sqrt(1.0 / (_SAG_M_PER_N * 0.5 * (bar_mass_kg - _SHAFT_KG))) / (2.0 * math.pi)


def bend_bar(motion: Motion, *, hz: float | None = None, damping: float = 0.06) -> Motion:
    """Motion with the same body and the same middle of the bar, but with the forces of discs that lag behind it.

    Parameters
    ----------
    motion : Motion
        With a rigid bar.
    hz : float, optional
        Natural frequency of the discs; left out, that of a usual bar with this load.
    damping : float
        Over the critical one.

    Returns
    -------
    Motion
        Without truths: the common centre of mass no longer moves as it did.
    """
    mass = np.clip(motion.bar_mass_kg - _SHAFT_KG, 0.0, None)
    f = natural_hz(float(motion.bar_mass_kg.max())) if hz is None else hz
    return _late(motion, mass, motion.bar_acceleration_mps2[:, 2] * motion.carried, f, damping)


def soft_body(motion: Motion, *, part: float = 0.3, hz: float = 6.0, damping: float = 0.3) -> Motion:
    """Motion whose body is partly soft: a part of it hangs on the rest as on a damped spring.

    Parameters
    ----------
    motion : Motion
    part : float
        Of the body's mass.
    hz, damping : float
        Natural frequency and damping over the critical one: soft parts of leg and trunk swing with 4 to 12 Hz and
        strong damping (from memory).

    Returns
    -------
    Motion
        Without truths, as from `bend_bar`.
    """
    mass = np.full(motion.t_s.size, part * motion.plan.body_mass_kg)
    return _late(motion, mass, motion.body_acceleration_mps2[:, 2], hz, damping)


def _late(motion: Motion, mass_kg: FloatArray, base_mps2: FloatArray, hz: float, damping: float) -> Motion:
    """Let a mass follow its base on a damped spring.

    With s its height over its place at rest, s'' + 2ζω s' + ω² s = -a; the plate feels mass · s'' more.
    """
    from scipy.signal import bilinear, lfilter

    omega = 2.0 * math.pi * hz
    b, a = bilinear([1.0, 0.0, 0.0], [1.0, 2.0 * damping * omega, omega**2], motion.rate_hz)
    force = motion.force_up_n + motion.on_plate * mass_kg * lfilter(b, a, -base_mps2)
    return dataclasses.replace(motion, force_up_n=np.maximum(force, 0.0), truths=())
