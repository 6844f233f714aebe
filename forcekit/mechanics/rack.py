"""What plate and bar show together and neither alone: the body's own motion, the rack load, the bar's lead.

The force on the plate moves two bodies, F = m_body (a_body + g) + m_bar (a_bar + g), so that with the system's own
motion a_sys = g (F/W - 1), m = m_body + m_bar::

    a_body = (m a_sys - m_bar a_bar) / m_body
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.pair_surroundings import Surroundings
from forcekit.mechanics.uncertain import Uncertain
from forcekit.model import FloatArray

__all__ = [
    "Agreement",
    "agreement",
    "bar_lead",
    "body_share",
    "own_motion",
    "rack_load",
]


def rack_load(bar_acceleration_mps2: FloatArray, gravity_mps2: float) -> FloatArray:
    """Force the bar exerts on the lifter over the bar's weight, shape (n,): 1 at rest, 0 when it flies.

    Parameters
    ----------
    bar_acceleration_mps2 : array, shape (n,)
        Vertical acceleration of the bar's middle.
    gravity_mps2 : float

    Notes
    -----
    (a_bar + g)/g, with the bar as one rigid body. A bar bends: its ends lag behind its middle by tens of
    milliseconds, so what the shoulders feel is smoother than this.
    """
    return np.asarray(bar_acceleration_mps2 / gravity_mps2 + 1.0)


def body_share(system_mass_kg: float, bar_mass_kg: float) -> float:
    """Part of the system's mass that is the lifter's own.

    Raises
    ------
    CannotMeasure
        `Reason.NO_LOAD` when the bar is said to weigh nothing or more than nine tenths of the system.
    """
    if not 0.0 < bar_mass_kg < 0.9 * system_mass_kg:
        raise CannotMeasure(
            Reason.NO_LOAD,
            f"a bar of {bar_mass_kg:g} kg does not fit a system of {system_mass_kg:.1f} kg; give the load",
        )
    return 1.0 - bar_mass_kg / system_mass_kg


def own_motion(system: Uncertain, bar: Uncertain, share: float) -> Uncertain:
    """Acceleration, velocity or travel of the body's own centre of mass from those of the system and the bar.

    Parameters
    ----------
    system, bar : Uncertain
        Of the same kind, at the same instant, both counted from stance. Their sources must not be the same ones: give
        `joined` numbers.
    share : float
        See `body_share`.
    """
    return (system - bar * (1.0 - share)) / share


def joined(plate: Uncertain, bar: Uncertain, n_plate: int) -> tuple[Uncertain, Uncertain]:
    """Put the sources of a plate's number before those of a bar's, so that both can be combined.

    Parameters
    ----------
    plate, bar : Uncertain
    n_plate : int
        Room for the plate's sources; the same in every call whose results are combined.
    """
    first = np.pad(plate.parts, (0, n_plate - plate.parts.size))
    return (
        Uncertain(plate.value, np.concatenate([first, np.zeros(bar.parts.size)])),
        Uncertain(bar.value, np.concatenate([np.zeros(n_plate), bar.parts])),
    )


def bar_lead(bar_peak_s: float, bar_u_s: float, system_peak_s: float, system_u_s: float, clock_u_s: float) -> Uncertain:
    """Time of the bar's peak upward velocity minus that of the system's, in seconds.

    Notes
    -----
    Positive when the bar peaks later. Three independent sources: the two instants and the alignment of the clocks.
    """
    return Uncertain(bar_peak_s - system_peak_s, np.array([bar_u_s, system_u_s, clock_u_s]))


@dataclass(frozen=True, slots=True)
class Agreement:
    """How well plate and bar tell the same story.

    Attributes
    ----------
    gain : float
        Bar's over system's acceleration, by least squares through the mean.
    gain_u : float
    correlation : float
    misfit_frac : float
        Root mean square of the difference over that of the system's acceleration. In simulated lifts at most 0.1 for
        the right file and a rigid bar, half of all wrong ones have more than 0.5; a bar that floats or arms that push
        early raise it.
    depth_difference : Uncertain
        Bar's dip depth less the system's, m.
    left_frac : float
        What of the movement remains unexplained when bar and body may be soft, see `pair_fit`.
    around : Surroundings or None
        Outside the dip, see `pair_surroundings`; None where nothing moves there.
    """

    gain: float
    gain_u: float
    correlation: float
    misfit_frac: float
    depth_difference: Uncertain
    left_frac: float
    around: Surroundings | None = None

    @property
    def depth_z(self) -> float:
        """Depth difference in standard uncertainties, with 1 cm allowed for the body's own change of shape."""
        return self.depth_difference.value / math.hypot(self.depth_difference.u, SHAPE_U_M)


SHAPE_U_M = 0.01
"""In a dip of 15 cm the centre of mass of a person with a bar sinks 1 to 2 cm less than the bar, because shanks and
feet sink less (own estimate from segment masses; a standard uncertainty of 1 cm)."""


def agreement(
    system_mps2: FloatArray,
    bar_mps2: FloatArray,
    depth_system: Uncertain,
    depth_bar: Uncertain,
    *,
    left_frac: float = 0.0,
    around: Surroundings | None = None,
) -> Agreement:
    """Compare system and bar from stance to the lowest point.

    Parameters
    ----------
    system_mps2, bar_mps2 : array, shape (n,)
        Vertical accelerations on one clock and one rate, smoothed alike.
    depth_system, depth_bar : Uncertain
        Dip depths, `joined`.
    left_frac, around
        See `Agreement`.
    """
    x, y = system_mps2 - system_mps2.mean(), bar_mps2 - bar_mps2.mean()
    xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
    gain = xy / xx
    left = y - gain * x
    # Residuals are smooth: a tenth of the samples is taken as independent.
    u = math.sqrt(float(left @ left) / xx / max(1.0, 0.1 * x.size))
    difference = depth_bar - depth_system
    correlation, misfit = xy / math.sqrt(xx * yy), math.sqrt(float((y - x) @ (y - x)) / xx)
    return Agreement(gain, u, correlation, misfit, difference, left_frac, around)
