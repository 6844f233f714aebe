"""Each quality check turns bad or doubtful on its own fault, and withholds what depends on it and nothing else."""

from __future__ import annotations

import dataclasses
from typing import Any

import msgspec
import numpy as np
import pytest
from helpers import HalfSines, altered, only_lift, simulated, values, verdicts, vertical_recording

from forcekit.analysis.pipeline import Settings, analyze
from forcekit.errors import InputError
from forcekit.model import Recording
from forcekit.registry import MEASURES
from forcekit.results import Lift, QualityCheck
from forcekit.simulate.faults import clean_plan, random_plan
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.session import Step, simulate_session

MOTION = ("dip_depth", "peak_dip_velocity", "peak_drive_velocity", "lowest_at", "braking_time")
NAMES = ("stance", "weighed mass", "plate zero", "sampling rate", "gaps", "saturation")


def check(lift: Lift, name: str) -> QualityCheck:
    """One check of a lift by its name."""
    return next(c for c in lift.quality if c.name == name)


def good_recording(**sensor: Any) -> Recording:
    """A clean jerk inside a visit to the plate, so that the zero is known too."""
    plan = clean_plan(bar_mass_kg=70.0)
    steps = [Step(name="empty"), Step(name="step on"), Step(name="unrack"), Step(name="walk out")]
    steps += [Step(name="stand", seconds=2.0), Step(name="lift", plan=plan)]
    steps += [Step(name="walk in"), Step(name="rerack"), Step(name="step off"), Step(name="empty")]
    motion = simulate_session(steps, plan, 1)
    return record_plate(motion, PlateSensor(**sensor), 1)


def test_a_good_recording_is_good_throughout() -> None:
    """Nothing is withheld by a check, and every check that can be made is good."""
    lift = only_lift(good_recording())
    found = verdicts(lift)
    assert set(NAMES) <= set(found)
    assert set(found.values()) == {"good"}
    assert [c.withholds for c in lift.quality] == [()] * len(lift.quality)


def test_a_good_check_withholds_nothing_and_names_are_measures() -> None:
    """Whatever is withheld by a check is a registered measure, and only checks that are not good withhold."""
    for recording in (good_recording(), good_recording(rate_hz=80.0), good_recording(saturation_n=700.0)):
        for c in only_lift(recording).quality:
            assert set(c.withholds) <= set(MEASURES)
            assert c.verdict != "good" or c.withholds == ()
            assert c.sentence.endswith(".")


def test_a_short_stance_is_bad_and_withholds_what_is_weighed() -> None:
    """Half a second of stance: motion and weight are withheld by name, the end of the drive is not."""
    lift = only_lift(HalfSines().recording(1000.0, stance_s=0.5, noise_n=1.0))
    assert verdicts(lift)["stance"] == "bad"
    for name in (*MOTION, "system_weight", "peak_force_of_weight"):
        assert (lift[name].withheld or "").startswith("stance: "), name
    assert not lift["pressure_at_lowest"].ok


def test_a_stance_under_a_second_is_doubtful() -> None:
    """0.95 s is enough to be weighed and less than wanted."""
    lift = only_lift(HalfSines().recording(1000.0, stance_s=0.98, noise_n=1.0))
    assert verdicts(lift)["stance"] == "doubtful"
    assert lift["dip_depth"].ok


def test_the_limit_of_the_stance_is_the_persons_to_set() -> None:
    """A stance accepted by the settings is not bad any more."""
    recording = HalfSines().recording(1000.0, stance_s=0.5, noise_n=1.0)
    assert verdicts(only_lift(recording, Settings(shortest_stance_s=0.3)))["stance"] == "doubtful"


def test_a_restless_stance_is_doubtful() -> None:
    """A ripple of 0.6 % of the weight (SD) is more than wanted."""
    stream = HalfSines().recording(1000.0, stance_s=3.0, noise_n=1.0).plate
    assert stream is not None
    ripple = 0.006 * np.sqrt(2.0) * 1177.0 * np.sin(2.0 * np.pi * 4.0 * stream.t_s) * (stream.t_s < 2.9)
    lift = only_lift(vertical_recording(stream.t_s, stream.raw["fz"] + ripple))
    assert verdicts(lift)["stance"] == "doubtful"


@pytest.mark.parametrize(("off", "verdict"), [(0.0, "good"), (0.03, "doubtful"), (0.10, "bad"), (-0.10, "bad")])
def test_a_wrong_load_is_seen(off: float, verdict: str) -> None:
    """Weighed mass against body and bar: 3 % apart is doubtful, 10 % bad, and then newtons are withheld, ratios not."""
    recording = good_recording()
    mass = (recording.card.body_mass_kg or 0.0) + (recording.card.load_kg or 0.0)
    card = msgspec.structs.replace(recording.card, load_kg=(recording.card.load_kg or 0.0) + off * mass)
    lift = only_lift(dataclasses.replace(recording, card=card))
    assert verdicts(lift)["weighed mass"] == verdict
    assert lift["peak_force"].ok == (verdict != "bad")
    assert lift["peak_force_of_weight"].ok
    assert lift["dip_depth"].ok


def test_a_clipped_zero_is_named() -> None:
    """An exporter that set forces under 30 N to zero: the zero cannot be checked, and the limit is told."""
    stream = good_recording(kind="vertical").plate
    assert stream is not None
    force = stream.raw["force"]
    lift = only_lift(vertical_recording(stream.t_s, np.where(force < 30.0, 0.0, force)))
    assert verdicts(lift)["plate zero"] == "doubtful"
    assert "under 30 N" in check(lift, "plate zero").sentence


def test_a_zero_never_seen_is_doubtful() -> None:
    """A plate that was loaded all the time has only its stated zero."""
    lift = only_lift(HalfSines().recording(1000.0, noise_n=1.0))
    assert verdicts(lift)["plate zero"] == "doubtful"
    assert "never seen unloaded" in check(lift, "plate zero").sentence


def test_a_large_offset_is_doubtful_and_removed() -> None:
    """60 N of offset is more than 2 % of the weight: removed, and the coach is told to zero the plate."""
    recording = good_recording(kind="vertical", zero_u_n=0.1)
    plain, shifted = only_lift(recording), only_lift(altered(recording, lambda n, v: v + 60.0))
    assert verdicts(shifted)["plate zero"] == "doubtful"
    # Which samples count as empty moves by a few at the edges of the stretches: 0.8 N of noise over 2000 samples.
    assert shifted["system_weight"].value == pytest.approx(plain["system_weight"].value, abs=0.02)


@pytest.mark.parametrize("drag_n", [30.0, 80.0])
def test_a_foot_that_drags_in_flight_is_not_the_zero(drag_n: float) -> None:
    """A foot that keeps 30 or 80 N on the plate in flight must not move the depth beyond its interval in silence."""
    _, recording = simulated(clean_plan(), 1, PlateSensor(kind="vertical", zero_u_n=0.1))
    assert recording.plate is not None
    t, force = recording.plate.t_s, recording.plate.raw["force"]
    true = only_lift(vertical_recording(t, force))["dip_depth"].value
    lift = only_lift(vertical_recording(t, np.maximum(force, drag_n + 5.0 * np.sin(2.0 * np.pi * 9.0 * t))))
    m = lift["dip_depth"]
    assert m.withheld or (m.low or 1.0) <= (true or 0.0) <= (m.high or 0.0), (m, check(lift, "plate zero").sentence)


@pytest.mark.parametrize("rate_hz", [80.0, 150.0, 240.0, 500.0])
def test_a_low_rate_withholds_exactly_what_it_cannot_support(rate_hz: float) -> None:
    """Each measure is withheld for its rate just when the registry asks for more."""
    lift = only_lift(good_recording(rate_hz=rate_hz))
    assert verdicts(lift)["sampling rate"] == ("good" if rate_hz >= 495.0 else "doubtful")
    too_slow = {n for n, m in lift.measures.items() if "sampling rate is too low" in (m.withheld or "")}
    asked = {n for n, info in MEASURES.items() if info.least_rate_hz > rate_hz and info.group != "bar"}
    given = {n for n in asked if lift[n].ok}
    assert given == set()
    assert too_slow <= asked


def instant(name: str) -> float:
    """True time of an instant in the good recording."""
    plan_time = only_lift(good_recording()).measures[name].value
    assert plan_time is not None
    return plan_time


def test_a_gap_in_the_dip_withholds_the_motion() -> None:
    """50 ms without samples between onset and lowest point: motion is withheld, the weight is not."""
    at = instant("braking_start_at")
    lift = only_lift(good_recording(gap=(at - 0.02, at + 0.03)))
    assert verdicts(lift)["gaps"] == "bad"
    assert "50 ms" in check(lift, "gaps").sentence
    assert [n for n in (*MOTION, "peak_force", "shift_in_dip") if lift[n].ok] == []
    assert lift["system_weight"].ok


def test_a_gap_after_the_drive_is_no_matter() -> None:
    """Samples lost after landing concern nobody."""
    at = instant("drive_end_at")
    lift = only_lift(good_recording(gap=(at + 0.5, at + 0.6)))
    assert verdicts(lift)["gaps"] == "good"
    assert lift["dip_depth"].ok


def test_single_lost_samples_are_bridged() -> None:
    """One sample in 300 lost at random changes the depth by less than its interval, and it is said."""
    whole, lost = only_lift(good_recording()), only_lift(good_recording(drop_probability=1 / 300))
    assert verdicts(lost)["gaps"] == "good"
    assert "missing" in check(lost, "gaps").sentence
    m = whole["dip_depth"]
    assert (m.low or 1.0) <= (lost["dip_depth"].value or 0.0) <= (m.high or 0.0)


def test_saturation_in_the_drive_withholds_what_comes_after() -> None:
    """A channel at its declared limit in the drive: peak force and depth are withheld, weight and dip speed are not."""
    lift = only_lift(good_recording(saturation_n=700.0))
    assert verdicts(lift)["saturation"] == "bad"
    for name in ("peak_force", "dip_depth", "peak_drive_velocity", "drive_end_at", "shift_in_drive"):
        assert (lift[name].withheld or "").startswith("saturation: "), name
    assert lift["system_weight"].ok


def test_saturation_of_the_landing_is_no_matter() -> None:
    """The landing may hit the limit."""
    recording = good_recording(kind="vertical")
    assert recording.plate is not None
    force = recording.plate.raw["force"]
    lift = only_lift(recording)
    top = 1.02 * (lift["peak_force"].value or 0.0)
    assert float(force.max()) > 1.05 * top
    clipped = only_lift(altered(recording, lambda n, v: np.minimum(v, top)))
    assert verdicts(clipped)["saturation"] == "good"
    assert values(clipped)["dip_depth"] == pytest.approx(values(lift)["dip_depth"], rel=1e-3)


@pytest.mark.parametrize("kind", ["cells", "vertical"])
@pytest.mark.parametrize("seed", range(4))
def test_a_coarse_converter_is_neither_frozen_nor_saturated(kind: Any, seed: int) -> None:
    """Counts of 2 N repeat samples in a quiet stance and at a round peak; that is no fault."""
    plan = random_plan(np.random.default_rng(seed), movement="jerk")
    found = verdicts(only_lift(simulated(plan, seed, PlateSensor(kind=kind, step_n=2.0, noise_n=0.3))[1]))
    assert (found["gaps"], found["saturation"]) == ("good", "good")


def test_a_frozen_link_is_a_gap() -> None:
    """A plate that repeats its last sample for 40 ms in the dip has no samples there."""
    recording = good_recording(kind="vertical")
    assert recording.plate is not None
    i = int(np.searchsorted(recording.plate.t_s, instant("braking_start_at")))

    def stuck(_: str, v: np.ndarray) -> np.ndarray:
        out = v.copy()
        out[i : i + 40] = v[i]
        return out

    lift = only_lift(altered(recording, stuck))
    assert verdicts(lift)["gaps"] == "bad"
    assert not lift["dip_depth"].ok


def test_pressure_outside_the_foot_withholds_places_but_not_shifts() -> None:
    """A heel line wrong by 30 cm: where on the foot is withheld, how far it moved is not."""
    recording = good_recording()
    card = msgspec.structs.replace(recording.card, heel_line_m=0.30)
    lift = only_lift(dataclasses.replace(recording, card=card))
    assert verdicts(lift)["pressure inside the foot"] == "bad"
    assert not lift["stance_pressure_of_foot"].ok
    assert not lift["pressure_at_lowest"].ok
    assert lift["shift_in_dip"].ok
    assert lift["shift_in_dip_of_foot"].ok


def test_closure_after_a_landing_on_the_plate_is_good() -> None:
    """Standing still after the lift the speed closes to zero."""
    assert verdicts(only_lift(good_recording()))["closure"] == "good"


def test_closure_sees_a_landing_beside_the_plate() -> None:
    """With half of the landing off the plate the speed does not close, and it is said."""
    plan = dataclasses.replace(clean_plan(), landing=0.5)
    lift = only_lift(simulated(plan, 1)[1])
    assert verdicts(lift).get("closure", "doubtful") == "doubtful"


def test_without_body_mass_nothing_is_compared() -> None:
    """The check says that it could not be made."""
    recording = good_recording()
    card = msgspec.structs.replace(recording.card, body_mass_kg=None)
    lift = only_lift(dataclasses.replace(recording, card=card))
    assert "not both given" in check(lift, "weighed mass").sentence


def test_a_recording_that_ends_in_the_drive_is_named() -> None:
    """Cut before the speed's peak, the lift is passed over with the reason; nothing breaks."""
    recording = good_recording()
    assert recording.plate is not None
    end = instant("lowest_at") + 0.12
    keep = recording.plate.t_s < end
    raw = {n: v[keep] for n, v in recording.plate.raw.items()}
    plate = dataclasses.replace(recording.plate, t_s=recording.plate.t_s[keep], raw=raw)
    found = analyze(dataclasses.replace(recording, plate=plate))
    assert len(found) == 0
    assert any("the recording ends before the drive does" in p.why for p in found.passed_over)


def test_a_dead_cell_is_refused() -> None:
    """A load cell that never changes while the others do is named and nothing is measured."""
    recording = good_recording()
    assert recording.plate is not None
    name = recording.plate.device.plates[0].cells[3].channel
    raw = {n: np.full_like(v, 12.0) if n == name else v for n, v in recording.plate.raw.items()}
    with pytest.raises(InputError, match=f'load cell "{name}" never changes'):
        analyze(dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, raw=raw)))


def test_a_flat_top_below_the_declared_limit_is_a_limit() -> None:
    """An amplifier that stops before the converter does: saturation is bad and the speeds are withheld."""
    recording = good_recording()
    assert recording.plate is not None
    top = {n: 0.8 * float(v.max()) for n, v in recording.plate.raw.items() if n != "time"}
    raw = {n: np.minimum(v, top[n]) if n in top else v for n, v in recording.plate.raw.items()}
    lift = only_lift(dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, raw=raw)))
    assert verdicts(lift)["saturation"] == "bad"
    assert not lift["peak_drive_velocity"].ok


def test_a_body_heavier_than_the_weighing_is_bad() -> None:
    """A body mass above all that stands on the plate cannot be right, whether or not the load is given."""
    recording = good_recording()
    card = msgspec.structs.replace(recording.card, body_mass_kg=300.0, load_kg=None)
    assert verdicts(only_lift(dataclasses.replace(recording, card=card)))["weighed mass"] == "bad"
