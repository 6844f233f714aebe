"""Alignment of a real accelerometer and the vertical force of the same steps (periodic: the ambiguity must show).

Data: Alcantara RS, Edwards WB, Millet GY, Grabowski AM (2022), PeerJ 10:e12752 (author list from memory), Apache
licence: running, accelerometer on the trunk, rows of 2480 samples whose rate was not stated. Times are in samples here,
taken as 1/500 s. True lag: 0 within two samples by the data's description.
"""

from __future__ import annotations

import numpy as np
import pytest
from helpers import open_data

from forcekit.errors import CannotMeasure, Reason
from forcekit.mechanics.align import Alignment, align_by_motion
from forcekit.model import FloatArray

G, RATE = 9.80665, 500.0
HALF_A_STEP_S = 0.06
"""A step takes about 160 samples."""


def rows(k: int) -> tuple[FloatArray, FloatArray]:
    """Vertical acceleration from the force (body weights) and from the sensor (scaled to the same size)."""
    folder = open_data("accel_force_pairs")
    force = np.loadtxt(folder / "force_rows.csv", delimiter=",")[k]
    accel = np.loadtxt(folder / "accelerometer_rows.csv", delimiter=",")[k, : force.size]
    return G * (force - force.mean()), G * (accel - accel.mean())


def align(force: FloatArray, accel: FloatArray, *, shift: int, largest_s: float | None) -> Alignment:
    """Shift the sensor's row by some samples and ask for the shift."""
    window = ((200 + 400) / RATE, (200 + 1400) / RATE)
    moved = accel[200 + shift : 200 + shift + 2000]
    return align_by_motion(
        force[200:2200], RATE, moved, RATE, windows_s=(window,), plate_start_s=200 / RATE, bar_start_s=200 / RATE,
        largest_offset_s=largest_s,
    )  # fmt: skip


@pytest.mark.parametrize("k", range(3))
def test_steps_are_ambiguous_when_any_offset_is_allowed(k: int) -> None:
    """One step looks like the next: refused, and the message names two offsets."""
    force, accel = rows(k)
    with pytest.raises(CannotMeasure, match="and at") as refused:
        align(force, accel, shift=0, largest_s=None)
    assert refused.value.reason is Reason.NOT_ALIGNED


@pytest.mark.parametrize("k", range(3))
@pytest.mark.parametrize("shift", [0, 7, -12, 20])
def test_a_known_shift_comes_back_within_half_a_step(k: int, shift: int) -> None:
    """With offsets limited to half a step the difference to the unshifted answer is the shift, to a tenth of a sample.

    The unshifted answer itself is within the two samples of the description plus the same again for the trunk, which
    feels the force a little later or earlier than the plate.
    """
    force, accel = rows(k)
    base = align(force, accel, shift=0, largest_s=HALF_A_STEP_S).clock.offset_s
    got = align(force, accel, shift=shift, largest_s=HALF_A_STEP_S).clock
    assert abs(base) * RATE < 4.0
    assert (base - got.offset_s) * RATE == pytest.approx(shift, abs=0.1)
    assert got.confidence > 0.95
