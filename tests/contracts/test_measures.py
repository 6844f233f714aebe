"""Each row of the registry: answered in the JSON, explained in words, and true within its own interval."""

from __future__ import annotations

import json
import re
from typing import Any

import numpy as np
import pytest
from helpers import only_lift, simulated

from forcekit.analysis.pipeline import analyze
from forcekit.errors import Reason
from forcekit.model import AttemptCard, Movement
from forcekit.registry import GROUPS, MEASURES, shown
from forcekit.results import Analysis
from forcekit.show.as_json import analysis_dict
from forcekit.show.words import analysis_text, explanation, with_interval
from forcekit.simulate.faults import clean_plan, random_plan
from forcekit.simulate.lifter import stance_truth
from forcekit.simulate.sensors import PlateSensor

UNITS = {"", "s", "m", "m/s", "N", "kg", "N/s", "N s", "W", "rad"}
PROMISED = {
    "unweighting_time", "braking_time", "dip_time", "drive_time", "transition_time", "onset_at", "braking_start_at",
    "lowest_at", "drive_end_at", "takeoff_at", "dip_depth", "dip_depth_of_stature", "peak_dip_velocity",
    "peak_drive_velocity", "takeoff_velocity", "system_weight", "system_mass", "peak_force", "peak_force_of_weight",
    "lowest_force_of_weight", "force_at_lowest", "braking_rfd", "braking_impulse", "drive_impulse", "peak_power",
    "mean_drive_power", "stance_pressure", "pressure_at_lowest", "pressure_in_drive", "pressure_at_drive_end",
    "shift_in_dip", "shift_in_drive", "shift_total", "stance_pressure_of_foot", "pressure_at_lowest_of_foot",
    "pressure_in_drive_of_foot", "pressure_at_drive_end_of_foot", "shift_in_dip_of_foot", "shift_in_drive_of_foot",
    "shift_total_of_foot", "side_shift", "left_share", "forward_impulse_dip", "forward_impulse_drive",
    "forward_velocity_at_takeoff", "push_angle", "bar_dip_depth", "bar_peak_velocity", "bar_velocity_at_takeoff",
    "bar_forward_in_dip", "bar_forward_in_drive", "bar_separation", "bar_least_rack_load", "shaft_rotation_dip",
    "shaft_rotation_drive", "bar_lead",
}  # fmt: skip
"""The names that are promised to whoever reads JSON and tables."""
MOVEMENTS: tuple[Movement, ...] = ("jerk", "push press", "push jerk", "jump dip", "dip only")
PLATES = {
    "cells": PlateSensor(kind="cells"),
    "components": PlateSensor(kind="components", z_axis="down", acts_on="plate", turn_deg=3.0),
    "pressure": PlateSensor(kind="pressure"),
    "vertical": PlateSensor(kind="vertical"),
    "two of cells": PlateSensor(kind="cells", two_plates=True),
    "two of components": PlateSensor(kind="components", two_plates=True),
}


@pytest.fixture(scope="module")
def jerk() -> Analysis:
    """One clean jerk on four cells."""
    return analyze(simulated(clean_plan(), 1)[1])


def test_the_names_are_those_promised() -> None:
    """No promised measure is missing, and what came later says by its name that it is the bar's."""
    assert set(MEASURES) >= PROMISED
    assert [n for n in MEASURES if n not in PROMISED and not n.startswith("bar_")] == []


@pytest.mark.parametrize("name", MEASURES)
def test_a_row_is_complete(name: str) -> None:
    """Key, group, unit, words, definition and source are there; the number of digits is one a person can use."""
    info = MEASURES[name]
    assert info.name == name
    assert info.group in GROUPS
    assert info.unit in UNITS
    assert all((info.label, info.meaning, info.definition, info.source))
    assert info.meaning.endswith(".")
    assert info.definition.endswith(".")
    assert 0 <= info.digits <= 4
    assert info.factor > 0.0


@pytest.mark.parametrize("name", MEASURES)
def test_explain_says_definition_unit_and_source(name: str) -> None:
    """`forcekit explain` holds the whole definition and source, whatever the line breaks."""
    info = MEASURES[name]
    text = re.sub(r"\s+", " ", explanation(info))
    for part in (name, info.unit or "ratio", info.meaning, info.definition, info.source):
        assert re.sub(r"\s+", " ", part) in text


def test_shown_units_are_the_si_units_scaled() -> None:
    """Seconds are shown in ms times 1000, metres in cm times 100, radians in degrees, ratios in percent or plain."""
    factors = {"ms": 1e3, "cm": 1e2, "%": 1e2, "% of foot": 1e2, "°": 180.0 / np.pi, "kN/s": 1e-3}
    for info in MEASURES.values():
        assert info.factor == pytest.approx(factors.get(info.shown_unit, 1.0)), info.name
    assert shown("dip_depth", 0.1523) == "15.2 cm"


def test_json_holds_every_measure_as_number_or_reason(jerk: Analysis) -> None:
    """The JSON is the contract: value, low, high, unit in SI, or withheld with a sentence; and it is valid JSON."""
    whole: dict[str, Any] = json.loads(json.dumps(analysis_dict(jerk, "0"), allow_nan=False))
    assert set(whole) >= {"forcekit", "lifts"}
    (lift,) = whole["lifts"]
    assert set(lift) >= {"measures", "findings", "quality", "movement"}
    assert list(lift["measures"]) == list(MEASURES)
    for name, m in lift["measures"].items():
        if "withheld" in m:
            assert set(m) == {"withheld"}
            assert m["withheld"]
        else:
            assert set(m) == {"value", "low", "high", "unit"}
            assert m["unit"] == MEASURES[name].unit
            assert m["low"] <= m["value"] <= m["high"]


def test_tables_have_a_column_for_every_measure(jerk: Analysis) -> None:
    """One row per lift with value, low and high of every measure; one row per measure for a single lift."""
    table = jerk.to_frame()
    assert len(table) == 1
    for name in MEASURES:
        assert {name, f"{name}_low", f"{name}_high"} <= set(table.columns)
    assert list(jerk[0].to_frame().index) == list(MEASURES)


def test_the_terminal_shows_every_number_with_its_interval(jerk: Analysis) -> None:
    """Each measure that has a number stands in the summary as a person sees it; each reason stands there once."""
    text = re.sub(r"\s+", " ", analysis_text(jerk))
    for name, m in jerk[0].measures.items():
        if m.ok:
            assert f"{with_interval(m)} {name}" in text, name
        else:
            assert str(m.withheld) in text, name


def test_an_interval_is_printed_with_digits_it_deserves() -> None:
    """The printed half-width is never 0: the digits follow the first digit of the interval."""
    jerks = simulated(clean_plan(), 2)[1]
    for m in only_lift(jerks).measures.values():
        if m.value is None or m.low is None or m.high is None:
            continue
        told = with_interval(m)
        half = re.findall(r"[±/][ +]*([0-9.]+)", told)
        exact = MEASURES[m.name].factor * max(m.high - m.value, m.value - m.low)
        assert half, told
        assert float(half[0]) > 0.0 or exact < 0.01, told


@pytest.mark.parametrize("plate", PLATES)
@pytest.mark.parametrize("movement", MOVEMENTS)
def test_truth_lies_in_the_interval(plate: str, movement: Movement) -> None:
    """For each kind of plate and movement over three lifts: no more of the truths lie outside than chance has it.

    Some 40 measures of three lifts share their errors, so they are counted by lift: 95 % intervals that share one
    error may all miss together, but not in two of three lifts (probability below 1 %), and no truth may lie further
    from the value than three half-widths (six standard uncertainties).
    """
    bad_lifts = 0
    for seed in range(3):
        plan = random_plan(np.random.default_rng([seed, 31]), movement=movement)
        motion, recording = simulated(plan, seed, PLATES[plate])
        lift = only_lift(recording)
        truth = dict(motion.truths[0].measures)
        truth |= stance_truth(motion, lift.instants.stance_start_s, lift.instants.stance_end_s)
        outside, asked = 0, 0
        for name, m in lift.measures.items():
            if m.value is None or m.low is None or m.high is None:
                continue
            asked += 1
            away = truth[name] - m.value
            half = (m.high - m.value) if away > 0.0 else (m.value - m.low)
            outside += abs(away) > half
            assert abs(away) <= 3.0 * half, (name, seed, away, half)
        assert asked >= 18
        bad_lifts += outside > 0.3 * asked
    assert bad_lifts <= 1


REFUSALS = {
    "vertical": {
        "shift_in_dip": Reason.NO_PRESSURE, "stance_pressure_of_foot": Reason.NO_PRESSURE,
        "side_shift": Reason.NO_PRESSURE, "left_share": Reason.ONE_PLATE, "push_angle": Reason.NO_HORIZONTAL,
        "forward_impulse_dip": Reason.NO_HORIZONTAL, "bar_lead": Reason.NO_BAR,
    },
    "components": {"left_share": Reason.ONE_PLATE, "bar_dip_depth": Reason.NO_BAR},
    "two of cells": {"forward_velocity_at_takeoff": Reason.NO_HORIZONTAL},
}  # fmt: skip


@pytest.mark.parametrize("plate", REFUSALS)
def test_what_a_plate_cannot_give_has_its_reason(plate: str) -> None:
    """Each missing thing is named by its own sentence."""
    lift = only_lift(simulated(clean_plan(), 1, PLATES[plate])[1])
    assert {n: lift[n].withheld for n in REFUSALS[plate]} == {n: r.value for n, r in REFUSALS[plate].items()}


def test_what_is_not_known_of_the_lifter_has_its_reason() -> None:
    """Without stature, foot and heel line: the fractions are withheld, the shifts in metres are not."""
    import dataclasses

    import msgspec

    recording = simulated(clean_plan(), 1)[1]
    assert recording.plate is not None
    device = msgspec.structs.replace(recording.plate.device, stand=None)
    stream = dataclasses.replace(recording.plate, device=device)
    lift = only_lift(dataclasses.replace(recording, plate=stream, card=AttemptCard()))
    assert lift["dip_depth_of_stature"].withheld == Reason.NO_STATURE.value
    assert lift["stance_pressure"].withheld == Reason.NO_HEEL.value
    assert lift["shift_in_dip_of_foot"].withheld == Reason.NO_FOOT.value
    assert lift["shift_in_dip"].ok


def test_feet_that_stay_have_no_take_off() -> None:
    """Measures of take-off are withheld for feet that stay, and only those."""
    lift = only_lift(simulated(clean_plan(movement="push press"), 1, PLATES["components"])[1])
    without = {n for n, m in lift.measures.items() if m.withheld == Reason.NO_TAKEOFF.value}
    assert without == {"takeoff_at", "takeoff_velocity", "forward_velocity_at_takeoff"}
