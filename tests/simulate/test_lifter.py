"""Physics of the simulated lift: Newton, momentum, energy, free fall, and a foot that holds the pressure."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.model import FloatArray, Movement
from forcekit.simulate.faults import PATTERNS, clean_plan, faulty_plan, random_plan
from forcekit.simulate.lifter import LiftPlan, Motion, simulate_lift

MOVEMENTS: tuple[Movement, ...] = ("jerk", "push press", "push jerk", "jump dip", "dip only")
PLANS = [clean_plan(movement=m) for m in MOVEMENTS] + [faulty_plan(p) for p in PATTERNS]
NAMES = [*MOVEMENTS, *PATTERNS]
MOTIONS = [simulate_lift(plan, i) for i, plan in enumerate(PLANS)]


def system(motion: Motion) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Position, velocity and acceleration of the common centre of mass, from body and bar."""
    m, m_bar = motion.plan.body_mass_kg, motion.plan.bar_mass_kg
    rows = [
        (m * body + m_bar * bar) / (m + m_bar)
        for body, bar in (
            (motion.body_position_m, motion.bar_position_m),
            (motion.body_velocity_mps, motion.bar_velocity_mps),
            (motion.body_acceleration_mps2, motion.bar_acceleration_mps2),
        )
    ]
    return rows[0], rows[1], rows[2]


@pytest.mark.parametrize("motion", MOTIONS, ids=NAMES)
def test_force_is_mass_times_acceleration_plus_weight(motion: Motion) -> None:
    """Vertical, forward and left force follow from the two masses wherever the plate carries all."""
    g = motion.gravity_mps2
    m, m_bar = motion.plan.body_mass_kg, motion.plan.bar_mass_kg
    a, b = motion.body_acceleration_mps2, motion.bar_acceleration_mps2
    on = motion.on_plate == 1.0
    force = np.stack([motion.force_forward_n, motion.force_left_n, motion.force_up_n], axis=1)
    up = np.array([0.0, 0.0, g])
    expected = m * (a + up) + m_bar * (b + up)
    assert np.max(np.abs(force - expected)[on]) < 1e-9


@pytest.mark.parametrize("motion", MOTIONS, ids=NAMES)
def test_force_never_pulls(motion: Motion) -> None:
    """A plate cannot hold the feet down."""
    assert float(np.min(motion.force_up_n)) >= 0.0


@pytest.mark.parametrize("motion", MOTIONS, ids=NAMES)
def test_motion_agrees_with_its_own_derivatives(motion: Motion) -> None:
    """Steps of position and velocity are the trapezoid (with end correction) of the row below, bar and body."""
    h = 1.0 / motion.rate_hz
    for name in ("body", "bar"):
        x, v, a = (getattr(motion, f"{name}_{k}") for k in ("position_m", "velocity_mps", "acceleration_mps2"))
        step = h / 2.0 * (v[1:] + v[:-1]) - h**2 / 12.0 * (a[1:] - a[:-1])
        assert np.max(np.abs(np.diff(x, axis=0) - step)) < 1e-10
        # Trapezoid: h³/12 times the second derivative of acceleration (below 2e5), or h²/8 times a kink (below 1e3).
        assert np.max(np.abs(np.diff(v, axis=0) - h / 2.0 * (a[1:] + a[:-1]))) < h**2 / 8.0 * 1e3
    turn = h / 2.0 * (motion.shaft_rate_radps[1:] + motion.shaft_rate_radps[:-1])
    assert np.max(np.abs(np.diff(motion.shaft_angle_rad) - turn)) < h**3 / 12.0 * 1e4


@pytest.mark.parametrize("motion", MOTIONS, ids=NAMES)
def test_impulse_is_change_of_momentum(motion: Motion) -> None:
    """The integral of force less weight from the start to any instant before landing is mass times velocity."""
    _, v, _ = system(motion)
    mass = motion.plan.system_mass_kg
    weight = mass * motion.gravity_mps2
    h = 1.0 / motion.rate_hz
    i_end = int(np.searchsorted(motion.t_s, motion.marks[0].drive_end_s))
    net = motion.force_up_n[:i_end] - weight
    momentum = np.concatenate(([0.0], np.cumsum((net[1:] + net[:-1]) * h / 2.0)))
    assert np.max(np.abs(momentum - mass * (v[:i_end, 2] - v[0, 2]))) < 0.01


@pytest.mark.parametrize("motion", MOTIONS, ids=NAMES)
def test_work_is_change_of_energy(motion: Motion) -> None:
    """The force's work on the common centre of mass is the change of its kinetic and potential energy."""
    x, v, _ = system(motion)
    mass, g = motion.plan.system_mass_kg, motion.gravity_mps2
    i_end = int(np.searchsorted(motion.t_s, motion.marks[0].drive_end_s))
    power = motion.force_up_n[:i_end] * v[:i_end, 2]
    work = float(np.trapezoid(power, dx=1.0 / motion.rate_hz))
    z = x[:, 2]
    energy = 0.5 * mass * (v[i_end - 1, 2] ** 2 - v[0, 2] ** 2) + mass * g * (z[i_end - 1] - z[0])
    assert work == pytest.approx(energy, abs=0.01)


@pytest.mark.parametrize("motion", [m for m in MOTIONS if m.plan.feet_leave][:6])
def test_flight_is_free_fall(motion: Motion) -> None:
    """With the feet off, lifter and bar together fall freely on a parabola and nothing is on the plate."""
    x, v, a = system(motion)
    takeoff = motion.marks[0].takeoff_s
    assert takeoff is not None
    flying = (motion.t_s >= takeoff) & (motion.on_plate == 0.0)
    t = motion.t_s[flying] - motion.t_s[flying][0]
    g = motion.gravity_mps2
    parabola = x[flying][0, 2] + v[flying][0, 2] * t - 0.5 * g * t**2
    assert t[-1] > 0.08
    assert np.max(np.abs(motion.force_up_n[flying])) == 0.0
    assert np.max(np.abs(a[flying] - [0.0, 0.0, -g])) < 1e-9
    assert np.max(np.abs(x[flying][:, 2] - parabola)) < 1e-12


@pytest.mark.parametrize("seed", range(12))
def test_pressure_stays_inside_the_foot_until_the_drive_ends(seed: int) -> None:
    """Whatever is drawn, the pressure lies between heel and toes while the feet are on their place."""
    rng = np.random.default_rng(seed)
    pattern = PATTERNS[seed] if seed < len(PATTERNS) else None
    motion = simulate_lift(random_plan(rng, pattern), seed)
    before = motion.t_s < motion.marks[0].drive_end_s
    part = motion.cop_x_m[before] / motion.plan.foot_length_m
    assert float(part.min()) > 0.05
    assert float(part.max()) < 0.97


def test_pressure_goes_to_the_toes_only_after_most_of_the_drive() -> None:
    """The heels rise when 80 % of the drive's impulse is delivered: forward at the end, not in the drive."""
    truth = simulate_lift(clean_plan(), 2).truths[0].measures
    assert truth["pressure_at_drive_end_of_foot"] - truth["stance_pressure_of_foot"] > 0.25
    assert abs(truth["shift_total_of_foot"]) < 0.03


@pytest.mark.parametrize("seed", range(6))
def test_quiet_stance_is_as_restless_as_people_are(seed: int) -> None:
    """Sway of the pressure 1 to 7 mm, vertical speed under 5 mm/s, force ripple 0.05 to 0.8 % of the weight.

    The bands are our reading of quiet standing (methods: pressure sway 2 to 5 mm); a bar still swings at the start.
    """
    motion = simulate_lift(LiftPlan(stance_s=12.0), seed)
    still = (motion.t_s > 2.0) & (motion.t_s < 12.0)
    weight = motion.plan.system_mass_kg * motion.gravity_mps2
    assert 0.001 < float(np.std(motion.cop_x_m[still])) < 0.007
    assert float(np.max(np.abs(motion.body_velocity_mps[still, 2]))) < 0.005
    assert 0.0005 < float(np.std(motion.force_up_n[still])) / weight < 0.008


def test_sway_leads_the_mass_as_an_inverted_pendulum() -> None:
    """In quiet stance pressure less centre of mass is −height/g times the mass's acceleration."""
    motion = simulate_lift(LiftPlan(stance_s=8.0), 3)
    x, _, a = system(motion)
    still = slice(1000, 35000)
    lead = motion.cop_x_m[still] - x[still, 0]
    expected = -x[still, 2] / motion.gravity_mps2 * a[still, 0]
    assert np.max(np.abs(lead - expected)) < 1e-9


@pytest.mark.parametrize("movement", MOVEMENTS)
def test_lifter_stands_still_at_the_end(movement: Movement) -> None:
    """The last second is quiet: nothing but sway is left, so zero velocity can be used there."""
    motion = simulate_lift(clean_plan(movement=movement, hold_s=1.2), 4)
    last = motion.t_s > motion.t_s[-1] - 1.0
    assert float(np.max(np.abs(motion.body_velocity_mps[last, 2]))) < 0.006
    assert float(np.max(np.abs(motion.bar_velocity_mps[last, 2]))) < 0.006


def test_bar_ends_overhead_and_comes_back() -> None:
    """The bar rises by the length of the arms and returns to the shoulders when it is lowered."""
    plan = clean_plan(lower_bar=True)
    motion = simulate_lift(plan, 5)
    up = plan.overhead_of_stature * plan.stature_m
    rise = motion.bar_position_m[:, 2] - motion.bar_position_m[0, 2]
    # Sway and the bar's swing move it by a few millimetres.
    assert float(rise.max()) == pytest.approx(up, abs=0.01)
    assert float(rise[-1]) == pytest.approx(0.0, abs=0.005)


def test_loose_bar_flies_only_where_nothing_holds_it() -> None:
    """A bar off the shoulders in the dip falls freely, never faster, within what smoothing of its contact costs."""
    motion = simulate_lift(faulty_plan("bar_floats"), 6)
    lift = motion.t_s < motion.marks[0].lowest_s
    load = motion.bar_acceleration_mps2[lift, 2] / motion.gravity_mps2 + 1.0
    off = motion.bar_gap_m[lift] > 0.012
    assert float(load.min()) > -0.03
    assert float(np.max(np.abs(load[off]))) < 0.05


@pytest.mark.parametrize("landing", [0.0, 0.4])
def test_feet_may_land_beside_the_plate(landing: float) -> None:
    """After a landing off or partly on the plate, the plate feels that part of the force only."""
    motion = simulate_lift(clean_plan(landing=landing), 7)
    takeoff = motion.marks[0].takeoff_s
    assert takeoff is not None
    caught = (motion.t_s > takeoff + 0.35) & (motion.t_s < takeoff + 0.7)
    _, _, a = system(motion)
    whole = motion.plan.system_mass_kg * (a[caught, 2] + motion.gravity_mps2)
    assert np.max(np.abs(motion.force_up_n[caught] - landing * whole)) < 1e-8


def test_same_seed_same_motion() -> None:
    """A seed fixes every number; another seed gives other sway."""
    one, again, other = (simulate_lift(clean_plan(), seed) for seed in (11, 11, 12))
    assert np.array_equal(one.force_up_n, again.force_up_n)
    assert one.truths[0].measures == again.truths[0].measures
    assert not np.array_equal(one.force_up_n, other.force_up_n)


def test_gravity_of_the_site_is_used() -> None:
    """At the equator the same lifter weighs less, in the ratio of normal gravity."""
    pole, equator = (
        simulate_lift(clean_plan(latitude_deg=lat), 1).truths[0].measures["system_weight"] for lat in (90.0, 0.0)
    )
    # Normal gravity WGS 84: 9.8321849378 and 9.7803253359 m/s².
    assert pole / equator == pytest.approx(9.8321849378 / 9.7803253359, rel=1e-9)
