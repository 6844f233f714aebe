"""Where the foot is on the plate: heel line and foot length, from the best source there is."""

from __future__ import annotations

from forcekit.model import AttemptCard, DeviceFile
from forcekit.results import FootFrame

__all__ = ["foot_frame"]

FOOT_OF_STATURE = 0.152
"""Foot length over stature (Drillis & Contini 1966, as tabulated by Winter; from memory). Measured groups have
0.147 to 0.155 (see the sources in the documentation of `foot_frame`), hence the 4 % below."""
FOOT_OF_STATURE_U_FRAC = 0.04
SHOE_STEP_U_M = 0.004
"""Half sizes and the choice of a shoe: the foot is within about 8 mm of its Mondopoint size (our estimate)."""


def foot_frame(card: AttemptCard, device: DeviceFile) -> FootFrame:
    """Heel line and foot length with their standard uncertainties.

    Parameters
    ----------
    card : AttemptCard
        A heel line or foot length on the card goes before the device file's mark on the plate.
    device : DeviceFile

    Notes
    -----
    Foot length is the measured one; else the Mondopoint shoe size, which is the foot length in millimetres
    (ISO 9407; from memory); else 0.152 of stature with a standard uncertainty of 4 %.

    References
    ----------
    Ratios measured: 0.147 (men and women of one Indian district), 0.155 (Nigerian men; Egypt. J. Forensic Sci.
    2018, 10.1186/s41935-018-0094-2): abstracts seen.
    """
    heel: float | None = card.heel_line_m
    heel_u = card.heel_line_u_m
    if heel is None and device.stand is not None:
        heel, heel_u = device.stand.heel_line_m, device.stand.heel_line_u_m
    if card.foot_length_m is not None:
        return FootFrame(heel, heel_u, card.foot_length_m, card.foot_length_u_m, "measured")
    if card.shoe_size_mm is not None:
        return FootFrame(heel, heel_u, 1e-3 * card.shoe_size_mm, SHOE_STEP_U_M, "shoe size")
    if card.stature_m is not None:
        length = FOOT_OF_STATURE * card.stature_m
        return FootFrame(heel, heel_u, length, FOOT_OF_STATURE_U_FRAC * length, "stature")
    return FootFrame(heel, heel_u, None, 0.0, "unknown")
