"""Where the foot is: the best source wins, and its uncertainty goes with it."""

from __future__ import annotations

import msgspec
import pytest

from forcekit.mechanics.foot import foot_frame
from forcekit.model import AttemptCard, Channel, DeviceFile, Plate, Stand

DEVICE = DeviceFile(
    name="p", kind="plate", channels=(Channel(name="fz"),), plates=(Plate(kind="vertical", force_z="fz"),)
)
MARKED = msgspec.structs.replace(DEVICE, stand=Stand(heel_line_m=-0.11, heel_line_u_m=0.003))


def test_a_measured_foot_goes_before_all_others() -> None:
    """Measured length, its own uncertainty."""
    card = AttemptCard(foot_length_m=0.264, foot_length_u_m=0.001, shoe_size_mm=270.0, stature_m=1.8)
    foot = foot_frame(card, DEVICE)
    assert (foot.length_m, foot.length_u_m, foot.length_source) == (0.264, 0.001, "measured")


def test_shoe_size_is_the_foot_in_millimetres() -> None:
    """A Mondopoint size of 270 is 0.270 m, known to 4 mm."""
    foot = foot_frame(AttemptCard(shoe_size_mm=270.0, stature_m=1.8), DEVICE)
    assert (foot.length_m, foot.length_u_m, foot.length_source) == (pytest.approx(0.270), 0.004, "shoe size")


def test_stature_gives_a_rough_foot() -> None:
    """0.152 of the stature, with 4 % (published ratios of 0.147 to 0.155 lie inside)."""
    foot = foot_frame(AttemptCard(stature_m=1.75), DEVICE)
    assert foot.length_source == "stature"
    assert foot.length_m == pytest.approx(0.266)
    assert foot.length_u_m == pytest.approx(0.04 * 0.266)
    assert foot.length_m is not None
    assert abs(0.147 * 1.75 - foot.length_m) < foot.length_u_m
    assert abs(0.155 * 1.75 - foot.length_m) < foot.length_u_m


def test_nothing_known_is_said() -> None:
    """Without any source there is no length and no heel."""
    foot = foot_frame(AttemptCard(), DEVICE)
    assert (foot.heel_m, foot.length_m, foot.length_source) == (None, None, "unknown")


def test_the_card_goes_before_the_mark_on_the_plate() -> None:
    """The heel line of the card wins; without it the plate's mark is used, each with its own uncertainty."""
    own = foot_frame(AttemptCard(heel_line_m=-0.14, heel_line_u_m=0.002), MARKED)
    mark = foot_frame(AttemptCard(), MARKED)
    assert (own.heel_m, own.heel_u_m) == (-0.14, 0.002)
    assert (mark.heel_m, mark.heel_u_m) == (-0.11, 0.003)
