"""Channels to force and pressure: the worked type-2 case, four cells, two plates, turned and upside-down axes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from helpers import HalfSines, vertical_recording
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import InputError
from forcekit.mechanics.plate import PlateSignals, channel_noise, read_plate
from forcekit.mechanics.plate_matrix import FX, FY, FZ, MX, MY, pressure
from forcekit.model import Cell, Channel, DeviceFile, FloatArray, Plate, Stream, TimeAxis

N = 60
ORIGIN_M = (-0.0039, 0.0046, -0.0402)
FORCE_N = (30.0, -45.0, 900.0)
MOMENT_NM = (-105.669, -47.196, 3.6625)
"""The type-2 case of the method notes, 4.1 (own derivation): applied 55, -120 mm from the middle of the surface."""


def stream_of(plates: tuple[Plate, ...], raw: dict[str, Any], units: dict[str, str] | None = None) -> Stream:
    """Stream of plates; a single number stands for a constant channel."""
    columns = {name: np.full(N, v) if np.isscalar(v) else np.asarray(v) for name, v in raw.items()}
    n = next(iter(columns.values())).size
    device = DeviceFile(
        name="plates",
        kind="plate",
        time=TimeAxis(column="time"),
        channels=tuple(Channel(name=name, unit=(units or {}).get(name, "N")) for name in columns),
        plates=plates,
    )
    return Stream(t_s=np.arange(n) / 1000.0, raw=columns, device=device, source="plates.csv", clock="stamps")


def components(values: FloatArray, prefix: str = "", **geometry: Any) -> tuple[Plate, dict[str, Any], dict[str, str]]:
    """Six components of one plate, its channels and their units."""
    names = [prefix + n for n in ("fx", "fy", "fz", "mx", "my", "mz")]
    keys = ("force_x", "force_y", "force_z", "moment_x", "moment_y", "moment_z")
    plate = Plate(kind="components", **dict(zip(keys, names, strict=True)), **geometry)
    return plate, dict(zip(names, values, strict=True)), dict.fromkeys(names[3:], "N m")


def place(signals: PlateSignals) -> tuple[float, float]:
    """Pressure of the first sample."""
    x, y = pressure(signals.resultant(0, 1), 100.0)
    return float(x[0]), float(y[0])


def in_plate_axes(force: FloatArray, moment: FloatArray, turn_deg: float, flip: bool) -> FloatArray:
    """Force and moment of the lifter's axes as a plate turned to the left, and perhaps upside down, has them."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    if flip:
        turn = np.diag([1.0, -1.0, -1.0]) @ turn
    return np.concatenate((turn @ force, turn @ moment))


def test_the_type_2_case_is_exact() -> None:
    """Origin, force and moment of the method notes give 55 and -120 mm to 1e-9 m, and the force unchanged."""
    plate, raw, units = components(np.array(FORCE_N + MOMENT_NM), surface_from_origin_m=ORIGIN_M)
    signals = read_plate(stream_of((plate,), raw, units))
    assert place(signals) == pytest.approx((0.055, -0.120), abs=1e-9)
    assert signals.resultant(0, 1)[0, [FX, FY, FZ]] == pytest.approx(FORCE_N, abs=1e-9)


def test_the_moments_of_the_case_follow_from_the_place() -> None:
    """The case itself: r x F plus the free moment of 2.5 N m about the origin gives the stated moments."""
    r = np.array([0.055, -0.120, 0.0]) + ORIGIN_M
    assert np.cross(r, FORCE_N) + np.array([0.0, 0.0, 2.5]) == pytest.approx(MOMENT_NM, abs=1e-9)


@given(
    x=st.floats(-0.25, 0.25),
    y=st.floats(-0.35, 0.35),
    forward=st.floats(-150.0, 150.0),
    left=st.floats(-150.0, 150.0),
    free=st.floats(-20.0, 20.0),
    turn_deg=st.floats(-180.0, 180.0),
    depth=st.floats(-0.08, 0.08),
    flip=st.booleans(),
    on_plate=st.booleans(),
    centre=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_the_way_a_plate_is_mounted_does_not_matter(
    x: float,
    y: float,
    forward: float,
    left: float,
    free: float,
    turn_deg: float,
    depth: float,
    flip: bool,
    on_plate: bool,
    centre: tuple[float, float],
) -> None:
    """Turned, moved, upside down, force on the plate or on the lifter, origin above or below: the same result."""
    force = np.array([forward, left, 1400.0])
    moment = np.cross(np.array([x - centre[0], y - centre[1], 0.0]), force) + np.array([0.0, 0.0, free])
    values = in_plate_axes(force, moment, turn_deg, flip)
    origin = np.array([0.003, -0.002, depth])
    values[3:] += np.cross(origin, values[:3])
    plate, raw, units = components(
        -values if on_plate else values,
        surface_from_origin_m=tuple(origin),
        turn_deg=turn_deg,
        z_axis="down" if flip else "up",
        acts_on="plate" if on_plate else "lifter",
        centre_m=centre,
    )
    signals = read_plate(stream_of((plate,), raw, units))
    assert place(signals) == pytest.approx((x, y), abs=1e-9)
    assert signals.resultant(0, 1)[0, [FX, FY, FZ]] == pytest.approx(force, abs=1e-9)


def test_upside_down_twice_is_the_right_way_up() -> None:
    """Turning z over changes the sign of y and z of the numbers; doing it to the numbers too changes nothing."""
    values = np.array(FORCE_N + MOMENT_NM)
    up, raw_up, units = components(values, surface_from_origin_m=ORIGIN_M)
    turned = values * np.array([1, -1, -1, 1, -1, -1])
    origin = (ORIGIN_M[0], -ORIGIN_M[1], -ORIGIN_M[2])
    down, raw_down, _ = components(turned, surface_from_origin_m=origin, z_axis="down")
    one, other = (read_plate(stream_of((p,), raw, units)) for p, raw in ((up, raw_up), (down, raw_down)))
    assert other.resultant(0, 1) == pytest.approx(one.resultant(0, 1), abs=1e-9)


def cells(prefix: str = "", **geometry: Any) -> tuple[Plate, list[str], FloatArray]:
    """Four cells in the corners: the plate, their channels and their places (4, 2)."""
    places = np.array([[0.25, 0.20], [-0.25, 0.20], [-0.25, -0.20], [0.25, -0.20]])
    names = [f"{prefix}c{i}" for i in range(4)]
    made = tuple(Cell(channel=n, x_m=float(x), y_m=float(y)) for n, (x, y) in zip(names, places, strict=True))
    return Plate(kind="cells", cells=made, **geometry), names, places


@given(x=st.floats(-0.2, 0.2), y=st.floats(-0.15, 0.15), weight=st.floats(320.0, 5000.0))
def test_four_cells_give_force_and_place(x: float, y: float, weight: float) -> None:
    """Loads shared as a rigid plate shares them give back the force and its place."""
    plate, names, places = cells()
    shares = np.linalg.pinv(np.vstack((np.ones(4), places.T))) @ np.array([1.0, x, y])
    signals = read_plate(stream_of((plate,), dict(zip(names, weight * shares, strict=True))))
    assert signals.force_n[0] == pytest.approx(weight)
    assert place(signals) == pytest.approx((x, y), abs=1e-12)


@given(left=st.floats(200.0, 1500.0), right=st.floats(200.0, 1500.0), x=st.floats(-0.2, 0.2))
def test_two_plates_are_one(left: float, right: float, x: float) -> None:
    """Two plates give the force-weighted mean of their pressures, and each its own force."""
    channels: dict[str, Any] = {}
    plates = []
    for prefix, centre_y, weight, at in (("l", 0.25, left, (x, 0.03)), ("r", -0.25, right, (0.04, -0.02))):
        plate, names, places = cells(prefix, centre_m=(0.0, centre_y))
        shares = np.linalg.pinv(np.vstack((np.ones(4), places.T))) @ np.array([1.0, *at])
        channels |= dict(zip(names, weight * shares, strict=True))
        plates.append(plate)
    signals = read_plate(stream_of(tuple(plates), channels))
    whole = left + right
    expected = ((left * x + right * 0.04) / whole, (left * 0.28 - right * 0.27) / whole)
    assert place(signals) == pytest.approx(expected, abs=1e-12)
    assert signals.left_plate == 0
    assert signals.plate_force(0, 0, 1)[0] == pytest.approx(left)
    assert signals.plate_force(1, 0, 1)[0] == pytest.approx(right)


@pytest.mark.parametrize("force_n", [100.0, 500.0, 1500.0])
@pytest.mark.parametrize("x", [0.0, 0.2])
def test_noise_of_the_pressure_is_that_of_the_formula(force_n: float, x: float) -> None:
    """Cells with 1 N of noise: u(p) = (l 2 sigma/F) sqrt(1 + (p/l)²) (method notes 4.3).

    20 000 samples know an SD to 0.5 %; four of those, and the curvature of 1/F, (2 sigma/F)² = 0.04 %, are allowed.
    """
    plate, names, places = cells()
    rng = np.random.default_rng(3)
    shares = force_n * (np.linalg.pinv(np.vstack((np.ones(4), places.T))) @ np.array([1.0, x, 0.0]))
    raw = {n: s + rng.standard_normal(20_000) for n, s in zip(names, shares, strict=True)}
    # A lifter of 720 N comes after it, so that neither is the force refused nor 100 N taken for an empty plate.
    signals = read_plate(stream_of((plate,), {n: np.append(v, np.full(3000, 180.0)) for n, v in raw.items()}))
    along, _ = pressure(signals.resultant(0, 20_000), 50.0)
    formula = 0.25 * 2.0 / force_n * np.sqrt(1.0 + (x / 0.25) ** 2)
    assert np.std(along) == pytest.approx(formula, rel=0.021)


def test_channel_noise_finds_white_noise_under_movement() -> None:
    """The noise of each channel comes out within 3 % under a dip and drive of 1000 N, per channel."""
    motion = HalfSines().recording(1000.0).plate
    assert motion is not None
    rng = np.random.default_rng(8)
    force = motion.raw["fz"][:, None] * np.array([0.4, 0.6])
    found = channel_noise(force + rng.standard_normal(force.shape) * np.array([0.5, 2.0]))
    assert found == pytest.approx([0.5, 2.0], rel=0.03)


def test_no_pressure_below_the_floor() -> None:
    """Under the floor the place is NaN, at the floor it is given."""
    resultant = np.zeros((2, 5))
    resultant[:, FZ], resultant[:, MX], resultant[:, MY] = (99.9, 100.0), 10.0, -20.0
    x, y = pressure(resultant, 100.0)
    assert np.isnan([x[0], y[0]]).all()
    assert (x[1], y[1]) == (0.2, 0.1)


def test_a_ready_pressure_is_left_where_it_is() -> None:
    """An offset of the force, removed with the unloaded stretch, does not move a ready pressure."""
    load = np.concatenate((np.zeros(500), np.full(1500, 1400.0)))
    noise = 0.5 * np.random.default_rng(2).standard_normal(load.size)
    plate = Plate(kind="pressure", force_z="f", pressure_x="x", pressure_y="y")
    raw = {"f": load + 6.0 + noise, "x": np.where(load > 0, 0.07, 0.0), "y": np.where(load > 0, -0.02, 0.0)}
    signals = read_plate(stream_of((plate,), raw, {"x": "m", "y": "m"}))
    x, y = pressure(signals.resultant(600, 2000), 100.0)
    assert (np.max(np.abs(x - 0.07)), np.max(np.abs(y + 0.02))) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert np.mean(signals.force_n[600:]) == pytest.approx(1400.0, abs=0.1)


def test_units_scale_sign_and_offset_are_applied_in_that_order() -> None:
    """SI = sign · scale · (number - offset) · unit factor."""
    stream = vertical_recording(np.arange(N) / 1000.0, np.full(N, 2000.0)).plate
    assert stream is not None
    channel = Channel(name="fz", unit="kgf", scale=0.1, offset=3500.0, sign=-1)
    device = DeviceFile(name="p", kind="plate", channels=(channel,), plates=stream.device.plates)
    signals = read_plate(Stream(t_s=stream.t_s, raw=stream.raw, device=device, source="p", clock="stamps"))
    assert signals.force_n[0] == pytest.approx(150.0 * 9.80665)


@pytest.mark.parametrize("factor", [1e-3, 1e3])
def test_a_unit_wrong_by_a_thousand_is_refused(factor: float) -> None:
    """Newtons taken for kilonewtons and the other way round are refused by name."""
    recording = HalfSines().recording(500.0, factor=factor)
    assert recording.plate is not None
    with pytest.raises(InputError, match="Check unit and scale"):
        read_plate(recording.plate)


def test_a_turned_sign_is_refused() -> None:
    """A force that hangs downward is refused, with what to do."""
    recording = HalfSines().recording(500.0, factor=-1.0)
    assert recording.plate is not None
    with pytest.raises(InputError, match=r"negative .*\(sign = -1\)"):
        read_plate(recording.plate)


def test_a_lift_in_a_long_empty_recording_is_accepted() -> None:
    """A plate that stands empty for two minutes around one lift is not refused for its unit."""
    lift = HalfSines().recording(100.0, noise_n=1.0).plate
    assert lift is not None
    rng = np.random.default_rng(1)
    force = np.concatenate((rng.standard_normal(12_000), lift.raw["fz"], rng.standard_normal(100)))
    recording = vertical_recording(np.arange(force.size) / 100.0, force)
    assert recording.plate is not None
    assert float(np.max(read_plate(recording.plate).force_n)) > 2000.0


def test_saturation_is_seen_without_being_declared() -> None:
    """A top that stays flat for four samples and more is marked, and only that."""
    stream = HalfSines().recording(1000.0, noise_n=1.0).plate
    assert stream is not None
    clipped = np.minimum(stream.raw["fz"], 2300.0)
    recording = vertical_recording(stream.t_s, clipped)
    assert recording.plate is not None
    signals = read_plate(recording.plate)
    flat = clipped == 2300.0
    assert np.count_nonzero(signals.saturated) > 0.9 * np.count_nonzero(flat) > 50
    assert not np.any(signals.saturated & ~flat)
