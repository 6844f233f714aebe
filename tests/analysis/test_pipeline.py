"""From recording to lifts: what must not change a result, what must turn it over, and what is refused."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from helpers import HalfSines, altered, only_lift, simulated, values, vertical_recording

from forcekit.analysis.pipeline import Settings, analyze
from forcekit.errors import InputError
from forcekit.model import AttemptCard, FloatArray, Recording
from forcekit.registry import MEASURES
from forcekit.results import Lift
from forcekit.simulate.faults import clean_plan, random_plan
from forcekit.simulate.sensors import PlateSensor

SCALES_WITH_FORCE = (
    "system_weight", "system_mass", "peak_force", "force_at_lowest", "braking_rfd", "braking_impulse",
    "drive_impulse", "peak_power", "mean_drive_power", "forward_impulse_dip", "forward_impulse_drive",
)  # fmt: skip
INSTANTS = ("onset_at", "braking_start_at", "lowest_at", "drive_end_at", "takeoff_at")
PLAN = clean_plan(shift_in_dip_of_foot=0.05, side_shift_m=0.01, left_share=0.53, forward_velocity_mps=0.05)


@cache
def lift_on(kind: str) -> Recording:
    """One and the same lift on a plate of each kind; "two" has a plate under each foot.

    The plate is never empty in it (the feet stay), so that no zero is taken.
    """
    plan = dataclasses.replace(PLAN, movement="push press")
    sensor = PlateSensor(kind="cells" if kind == "two" else kind, two_plates=kind == "two")  # type: ignore[arg-type]
    return simulated(plan, 3, sensor)[1]


@pytest.mark.parametrize("kind", ["vertical", "cells", "components", "two"])
def test_gain_of_all_channels_changes_nothing_but_forces(kind: str) -> None:
    """All forces and moments times 1.03: motion, times and pressure stay to 1e-9, forces are times 1.03."""
    recording = lift_on(kind)
    one, other = values(only_lift(recording)), values(only_lift(altered(recording, lambda n, v: 1.03 * v)))
    assert set(one) == set(other)
    assert len(one) >= 20
    for name, value in one.items():
        factor = 1.03 if name in SCALES_WITH_FORCE else 1.0
        assert other[name] == pytest.approx(factor * value, rel=1e-9, abs=1e-12), name


def test_time_shift_moves_the_instants_alone() -> None:
    """A recording that starts 512 s later has the same lift 512 s later."""
    recording = lift_on("components")
    assert recording.plate is not None
    later = dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, t_s=recording.plate.t_s + 512.0))
    one, other = values(only_lift(recording)), values(only_lift(later))
    for name, value in one.items():
        # Stamps of 500 s carry 6e-14 s of rounding; their step is found to about 1e-15 of a second.
        expected = value + (512.0 if name in INSTANTS else 0.0)
        assert other[name] == pytest.approx(expected, rel=1e-8, abs=1e-9), name


def test_standing_still_longer_beforehand_changes_nothing() -> None:
    """Two recordings that differ by what was before the last 3 s of stance have the same lift."""
    dip = HalfSines()
    one, other = (only_lift(dip.recording(1000.0, stance_s=s)) for s in (4.0, 6.0))
    for name in ("dip_depth", "peak_drive_velocity", "lowest_at", "system_weight"):
        later = 2.0 if name == "lowest_at" else 0.0
        assert other[name].value == pytest.approx((one[name].value or 0.0) + later, rel=1e-5), name


def mirrored(recording: Recording) -> Recording:
    """Left and right exchanged: cells across the middle line, the two plates, the sideways components."""
    stream = recording.plate
    assert stream is not None
    names = list(stream.raw)
    exchange = {"cell_1": "cell_4", "cell_2": "cell_3", "cell_3": "cell_2", "cell_4": "cell_1"}
    raw = {}
    for name in names:
        side, _, rest = name.partition("_") if name.startswith(("left", "right")) else ("", "", name)
        partner = {"left": "right_", "right": "left_", "": ""}[side] + exchange.get(rest, rest)
        raw[name] = stream.raw[partner] * (-1.0 if rest in ("fy", "mx", "mz", "pressure_y") else 1.0)
    return dataclasses.replace(recording, plate=dataclasses.replace(stream, raw=raw))


@pytest.mark.parametrize("kind", ["cells", "components", "pressure", "two"])
def test_mirror_turns_the_side_over_and_nothing_else(kind: str) -> None:
    """Left for right: the side shift changes sign, the left share becomes the right one, all else stays."""
    recording = lift_on(kind)
    one, other = values(only_lift(recording)), values(only_lift(mirrored(recording)))
    assert abs(one["side_shift"]) > 0.005
    for name, value in one.items():
        expected = {"side_shift": -value, "left_share": 1.0 - value}.get(name, value)
        assert other[name] == pytest.approx(expected, rel=1e-9, abs=1e-12), name


def test_left_share_is_above_a_half_on_the_left() -> None:
    """A lifter with more on the left has it on the left plate, by the true share within its interval."""
    plan = dataclasses.replace(PLAN, movement="push press")
    motion, recording = simulated(plan, 3, PlateSensor(two_plates=True))
    m, true = only_lift(recording)["left_share"], motion.truths[0].measures["left_share"]
    assert true > 0.53
    assert (m.low or 1.0) <= true <= (m.high or 0.0)


def test_order_of_the_two_plates_does_not_matter() -> None:
    """The plate further to the left is the left one, whichever stands first in the device file."""
    import msgspec

    recording = lift_on("two")
    assert recording.plate is not None
    device = msgspec.structs.replace(recording.plate.device, plates=recording.plate.device.plates[::-1])
    turned = dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, device=device))
    one, other = values(only_lift(recording)), values(only_lift(turned))
    assert other == pytest.approx(one, rel=1e-9, abs=1e-12)


def test_same_samples_same_numbers() -> None:
    """Analysing twice gives the same numbers to the last digit."""
    recording = lift_on("components")
    assert values(only_lift(recording)) == values(only_lift(recording))


def test_the_foot_only_scales_the_pressure() -> None:
    """With another foot length the fractions of the foot scale, with their intervals in metres unchanged."""
    import msgspec

    recording = lift_on("cells")
    short, long = (
        only_lift(dataclasses.replace(recording, card=msgspec.structs.replace(recording.card, foot_length_m=length)))
        for length in (0.24, 0.30)
    )
    assert short["shift_in_dip"] == long["shift_in_dip"]
    ratio = (short["shift_in_dip_of_foot"].value or 0.0) / (long["shift_in_dip_of_foot"].value or 1.0)
    assert ratio == pytest.approx(0.30 / 0.24)


def test_every_registered_measure_is_answered() -> None:
    """Each measure has either a number inside its own interval or a reason, in the order of the registry."""
    for kind in ("vertical", "cells", "components", "pressure", "two"):
        lift: Lift = only_lift(lift_on(kind))
        assert list(lift.measures) == list(MEASURES)
        for m in lift.measures.values():
            if m.value is None or m.low is None or m.high is None:
                assert m.withheld, m.name
                assert (m.value, m.low, m.high) == (None, None, None)
            else:
                assert m.withheld is None
                assert m.low <= m.value <= m.high, m.name


def test_standing_still_is_no_lift_and_says_so() -> None:
    """Ten seconds of standing give an empty result with its reason."""
    force = 1500.0 + np.random.default_rng(1).standard_normal(5000)
    found = analyze(vertical_recording(np.arange(5000) / 500.0, force))
    assert (len(found), found.reason) == (0, "The lifter stands still, but no dip and drive follows.")


def test_never_standing_still_says_so() -> None:
    """A lifter who sways by 8 % all the time cannot be weighed."""
    t = np.arange(5000) / 500.0
    force = 1500.0 + 120.0 * np.sin(2.0 * np.pi * 1.1 * t) + np.random.default_rng(1).standard_normal(5000)
    found = analyze(vertical_recording(t, force))
    assert len(found) == 0
    assert "never stands still" in (found.reason or "")


def test_standing_too_shortly_says_how_long() -> None:
    """Half a second of stillness between walking is named with its length."""
    t = np.arange(5000) / 500.0
    walking = (t < 5.0) | (t > 5.6)
    force = 1500.0 + np.where(walking, 300.0 * np.sin(2.0 * np.pi * 1.8 * t), 0.0)
    found = analyze(vertical_recording(t, force + np.random.default_rng(1).standard_normal(5000)))
    assert len(found) == 0
    assert "a lift needs 0.8 s of standing still" in (found.reason or "")


def test_a_recording_without_a_plate_is_refused() -> None:
    """There is nothing to weigh on."""
    with pytest.raises(InputError, match="neither a plate nor a bar"):
        analyze(Recording())


@pytest.mark.parametrize("factor", [1e-3, 1e3])
def test_a_unit_wrong_by_a_thousand_is_refused(factor: float) -> None:
    """Kilonewtons read as newtons, and the other way round, on every kind of plate."""
    for kind in ("vertical", "cells", "components", "two"):
        with pytest.raises(InputError, match="Check unit and scale"):
            analyze(altered(lift_on(kind), lambda n, v: factor * v))


def test_a_turned_sign_is_refused() -> None:
    """A plate that pulls is refused."""
    for kind in ("vertical", "cells", "components", "two"):
        with pytest.raises(InputError, match="sign = -1"):
            analyze(altered(lift_on(kind), lambda n, v: -v))


def test_a_short_stance_can_be_accepted() -> None:
    """Half a second of stance withholds the motion; a scientist who accepts 0.3 s gets it, with its wider interval."""
    recording = HalfSines().recording(1000.0, stance_s=0.5, noise_n=1.0)
    strict, kind = only_lift(recording), only_lift(recording, Settings(shortest_stance_s=0.3))
    assert "at least 0.8 s of stillness" in (strict["dip_depth"].withheld or "")
    assert kind["dip_depth"].value == pytest.approx(HalfSines().depth, abs=0.01)


def test_the_movement_of_the_card_is_kept() -> None:
    """What the card says goes before what is seen; without it the feet tell."""
    assert only_lift(HalfSines().recording(500.0)).movement == "dip and drive, feet stayed"
    card = AttemptCard(movement="push press")
    assert only_lift(HalfSines().recording(500.0, card=card)).movement == "push press"
    jerk = only_lift(dataclasses.replace(simulated(clean_plan(), 1)[1], card=AttemptCard()))
    assert jerk.movement == "dip and drive, feet left the plate"


def test_local_gravity_is_used() -> None:
    """The same forces at the equator mean 0.28 % more mass than at 9.80665, and slower motion."""
    recording = HalfSines().recording(1000.0)
    assert recording.plate is not None
    t, force = recording.plate.t_s, recording.plate.raw["fz"]
    here, there = (only_lift(vertical_recording(t, force, latitude_deg=x)) for x in (None, 0.0))
    ratio = 9.7803253359 / 9.80665
    assert (there["system_mass"].value or 0.0) == pytest.approx((here["system_mass"].value or 0.0) / ratio)
    assert (there["dip_depth"].value or 0.0) == pytest.approx((here["dip_depth"].value or 0.0) * ratio, rel=1e-9)


def test_a_known_site_narrows_the_mass() -> None:
    """Without a site the mass is uncertain by the spread of gravity over the Earth (0.15 %), with it hardly."""
    recording = HalfSines().recording(1000.0)
    assert recording.plate is not None
    t, force = recording.plate.t_s, recording.plate.raw["fz"]
    unknown, known = (only_lift(vertical_recording(t, force, latitude_deg=x))["system_mass"] for x in (None, 45.0))
    assert unknown.high is not None
    assert known.high is not None
    assert unknown.value is not None
    assert known.value is not None
    assert (unknown.high - unknown.value) ** 2 - (known.high - known.value) ** 2 == pytest.approx(
        (1.96 * 0.0015 * 120.0) ** 2, rel=0.02
    )


def test_curves_and_instants_belong_together() -> None:
    """At the stated instants the shown curves have what defines them: speed 0 when lowest, force W at braking."""
    lift = only_lift(lift_on("cells"))
    c, at = lift.curves, lift.instants
    assert np.interp(at.lowest_s, c.t_s, c.velocity_mps) == pytest.approx(0.0, abs=1e-3)
    weight = lift["system_weight"].value or 0.0
    assert np.interp(at.braking_start_s, c.t_s, c.force_n) == pytest.approx(weight, abs=15.0)
    assert float(np.min(c.velocity_mps)) == pytest.approx(-(lift["peak_dip_velocity"].value or 0.0), abs=1e-4)
    assert at.stance_start_s < at.stance_end_s <= at.onset_s < at.braking_start_s < at.lowest_s < at.drive_end_s


@pytest.mark.parametrize("seed", [34, 102, 113])
def test_feet_that_leave_slowly_are_a_drive_that_falls_short(seed: int) -> None:
    """A drive after which the feet leave with 0.1 m/s is measured and named, not passed over."""
    motion, recording = simulated(random_plan(np.random.default_rng(seed), "falls_short"), seed)
    lift = only_lift(recording)
    assert motion.truths[0].measures["takeoff_velocity"] < 0.12
    assert "falls_short" in [f.pattern for f in lift.findings if f.strength == "clear"]


def test_a_sample_that_is_no_number_is_named() -> None:
    """Not its unit is in doubt but that sample of that channel."""
    recording = lift_on("cells")
    assert recording.plate is not None
    name = next(iter(recording.plate.raw))

    def spoilt(n: str, values: FloatArray) -> FloatArray:
        out = values.copy()
        out[500] = np.nan if n == name else out[500]
        return out

    with pytest.raises(InputError, match=f'1 sample of channel "{name}" hold no finite number'):
        analyze(altered(recording, spoilt))


def test_the_stance_a_person_allows_is_the_one_that_is_told() -> None:
    """Who accepts 0.3 s is not told that 0.8 s are needed."""
    t = np.arange(5000) / 500.0
    walking = (t < 5.0) | (t > 5.6)
    force = 1500.0 + np.where(walking, 300.0 * np.sin(2.0 * np.pi * 1.8 * t), 0.0)
    force += np.random.default_rng(1).standard_normal(5000)
    found = analyze(vertical_recording(t, force), Settings(shortest_stance_s=0.3))

    assert "0.8 s" not in (found.reason or "")


def test_an_empty_recording_can_be_shown() -> None:
    """A stream without samples has a representation."""
    recording = lift_on("vertical")
    assert recording.plate is not None
    nothing = dataclasses.replace(recording.plate, t_s=np.zeros(0), raw={n: np.zeros(0) for n in recording.plate.raw})

    assert "0.0 s at 0 Hz" in repr(Recording(nothing))
