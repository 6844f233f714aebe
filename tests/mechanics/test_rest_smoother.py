"""The error model against brute force, and the least-squares solution against a Kalman smoother written out here."""

from __future__ import annotations

import numpy as np
import pytest
from bar_worlds import World, readings, span

from forcekit.mechanics.bar_solution import aligned, navigate, to_middle
from forcekit.mechanics.rest_basis import CONSTANTS, Basis, Quantity, build_basis
from forcekit.mechanics.rest_smoother import (
    Prior,
    Rest,
    SwayModel,
    prior_variance,
    solve_rests,
    sway_kernel,
    sway_of,
    what_is_seen,
)
from forcekit.model import FloatArray
from forcekit.simulate.bar_sensor import SimulatedBarSensor

LEVER = np.array([0.02, 0.3, 0.01])
WORLD = World(yaw=((0.05, 2.3, 2.9),), roll=((0.03, 2.2, 2.7),))
NAMES = ("velocity", "attitude", "accel bias", "gyro bias", "accel scale", "gyro scale")


def solution(constants: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, Basis]:
    """Attitude, velocity and travel of the bar's middle with given constants taken out, and the error model."""
    accel, gyro, _ = readings(WORLD, SimulatedBarSensor(rate_hz=500.0, offset_m=(0.02, 0.3, 0.01)))
    assert gyro is not None
    got = aligned(accel, gyro, 0.002, stance=span(500, 0.5, 1.9), left=np.array([0.0, 1.0, 0.0]), gravity_mps2=9.80665)
    path = navigate(got, constants)
    _, velocity, travel, _, _ = to_middle(path, LEVER, 0.002, 1e-4)  # hardly smoothed, as in the model
    basis = build_basis(
        path.attitude, path.force_mps2, path.gyro_radps, 500.0, lever_m=LEVER, i_reference=got.reference,
        noise_step_s=0.05,
    )  # fmt: skip
    return path.attitude, velocity, travel - travel[got.reference], basis


@pytest.mark.parametrize("source", range(CONSTANTS))
def test_each_constant_moves_the_solution_as_the_model_says(source: int) -> None:
    """Taking out a small constant error changes velocity and travel by its column of the model."""
    h = 1e-5
    up, down = np.zeros(CONSTANTS), np.zeros(CONSTANTS)
    up[source], down[source] = h, -h
    _, _, _, basis = solution(np.zeros(CONSTANTS))
    _, v1, p1, _ = solution(up)
    _, v2, p2, _ = solution(down)
    t = np.array([0.4, 1.7, 2.5, 2.8, 3.3, 5.0, 6.0])
    i = np.round(t * 500).astype(int)
    velocity = (v1 - v2)[i] / (2 * h)
    travel = (p1 - p2)[i] / (2 * h)
    # `solution` counts travel from the reference instant.
    ref = {"velocity": 0.0, "travel": basis.rows("travel", np.array([basis.reference_s]))[:, :, source]}
    for quantity, brute in (("velocity", velocity), ("travel", travel)):
        rows = basis.rows(quantity, t)[:, :, source] - ref[quantity]  # type: ignore[arg-type]
        # The model uses the plain trapezoid rule: a few parts in ten thousand of its largest value.
        scale = max(1e-3, float(np.abs(rows).max()))
        np.testing.assert_allclose(brute, rows, atol=2e-3 * scale, err_msg=f"{NAMES[source // 3]}, {quantity}")


@pytest.mark.parametrize("quantity", ["attitude", "velocity", "travel"])
def test_a_noise_step_is_a_bias_that_lasts_its_step(quantity: Quantity) -> None:
    """All steps of an axis together, at a constant value in level axes, are a constant bias of a sensor kept level."""
    still = World(forward=(), left=(), up=(), shaft=())
    accel, gyro, _ = readings(still, SimulatedBarSensor(rate_hz=500.0))
    assert gyro is not None
    path = navigate(
        aligned(accel, gyro, 0.002, stance=span(500, 0.5, 1.9), left=np.array([0.0, 1.0, 0.0]), gravity_mps2=9.80665),
        np.zeros(CONSTANTS),
    )
    basis = build_basis(
        path.attitude, path.force_mps2, path.gyro_radps, 500.0, lever_m=np.zeros(3), i_reference=600, noise_step_s=0.05
    )
    t = np.array([0.3, 2.01, 4.4])
    rows = basis.rows(quantity, t)
    k = basis.n_steps
    accel_steps = rows[:, :, CONSTANTS : CONSTANTS + 3 * k].reshape(3, 3, k, 3).sum(axis=2)
    gyro_steps = rows[:, :, CONSTANTS + 3 * k :].reshape(3, 3, k, 3).sum(axis=2)
    # The model is interpolated linearly between its grid points, which loses h²/8 of the travel's curvature. A bias
    # is subtracted from the reading, a step is added to the truth: opposite signs. A step of the gyroscope acts in
    # its middle: a hundredth of the largest value is allowed.
    np.testing.assert_allclose(accel_steps, -rows[:, :, 6:9], atol=1e-5)
    np.testing.assert_allclose(gyro_steps, -rows[:, :, 9:12], atol=0.01 * max(1.0, np.abs(rows[:, :, 9:12]).max()))


def test_solution_equals_a_kalman_smoother() -> None:
    """One axis with white acceleration noise and zero velocity at both ends: a Rauch-Tung-Striebel smoother agrees."""
    n, h, q, r = 121, 0.025, 0.02, 0.01
    still = np.tile([0.0, 0.0, 9.80665], (n, 1))
    basis = build_basis(
        np.tile(np.eye(3), (n, 1, 1)), still, np.zeros((n, 3)), 40.0, lever_m=np.zeros(3), i_reference=0, noise_step_s=h
    )
    assert basis.n_steps == n - 1
    prior = Prior(
        velocity_mps=1.0, tilt_rad=1e-9, heading_rad=1e-9, accel_bias_mps2=1e-9, gyro_bias_radps=0.0, accel_scale=0.0,
        gyro_scale=0.0, accel_noise=(q, q, q), gyro_noise=0.0, gyro_measured=False,
    )  # fmt: skip
    ends = (0, n - 1)
    seen = {0: 0.03, n - 1: -0.05}
    rests = tuple(Rest(np.array([i * h]), np.array([[0.0, 0.0, -seen[i]]]), None, 0.0) for i in ends)
    found = solve_rests(
        what_is_seen(basis, rests, prior_variance(basis, prior), np.zeros(CONSTANTS), SwayModel((r, r, r), 0.6, 0.0))
    )
    mean, covariance = rts(n, h, q, r, seen)
    t = h * np.arange(n)
    velocity, travel = basis.rows("velocity", t)[:, 2], basis.rows("travel", t)[:, 2]
    np.testing.assert_allclose(velocity @ found.estimate, mean[:, 0], atol=1e-9)
    np.testing.assert_allclose(travel @ found.estimate, mean[:, 1], atol=1e-9)
    np.testing.assert_allclose((found.parts(velocity) ** 2).sum(axis=1), covariance[:, 0, 0], rtol=1e-6)
    np.testing.assert_allclose((found.parts(travel) ** 2).sum(axis=1)[1:], covariance[1:, 1, 1], rtol=1e-6)


def rts(n: int, h: float, q: float, r: float, seen: dict[int, float]) -> tuple[FloatArray, FloatArray]:
    """Velocity and position with white acceleration noise; velocity seen at some samples."""
    f = np.array([[1.0, 0.0], [h, 1.0]])
    noise = q**2 * np.array([[h, h**2 / 2], [h**2 / 2, h**3 / 4 + 0 * h]])
    # Acceleration is constant over each step here, so position moves by half of what velocity does times the step.
    x, p = np.zeros(2), np.diag([1.0, 0.0])
    xs, ps, xp, pp = [], [], [], []
    for i in range(n):
        if i:
            x, p = f @ x, f @ p @ f.T + noise
        xp.append(x)
        pp.append(p)
        if i in seen:
            gain = p[:, 0] / (p[0, 0] + r**2)
            x, p = x + gain * (seen[i] - x[0]), p - np.outer(gain, p[0])
        xs.append(x)
        ps.append(p)
    mean, covariance = np.array(xs), np.array(ps)
    for i in range(n - 2, -1, -1):
        g = ps[i] @ f.T @ np.linalg.pinv(pp[i + 1])
        mean[i] = xs[i] + g @ (mean[i + 1] - xp[i + 1])
        covariance[i] = ps[i] + g @ (covariance[i + 1] - pp[i + 1]) @ g.T
    return mean, covariance


def test_sway_is_found_from_rests_that_sway() -> None:
    """With little weight on the usual value, the sway drawn from its own model comes back."""
    rng = np.random.default_rng(5)
    t = 0.1 * np.arange(30)
    root = np.linalg.cholesky(sway_kernel(np.abs(t[:, None] - t[None, :]), 0.6) + 1e-9 * np.eye(30))
    rests = tuple(
        Rest(t, root @ rng.standard_normal((30, 3)) * [0.004, 0.002, 0.001] + 0.01 * t[:, None], None, 0.0)
        for _ in range(40)
    )
    seen = sway_of(rests, np.full(3, 0.003), 1e-6, 0.6, np.zeros(3))
    # 40 rests of 3 s hold about 300 degrees of freedom: 4 %; three of those.
    np.testing.assert_allclose(seen, [0.004, 0.002, 0.001], rtol=0.12)


def test_without_marks_the_usual_sway_is_used() -> None:
    """Rests too short to judge leave the usual value."""
    rest = Rest(np.array([0.0, 0.1]), np.zeros((2, 3)), None, 0.0)
    np.testing.assert_array_equal(sway_of((rest,), np.array([3.0, 2.0, 1.0]), 4.0, 0.6, np.zeros(3)), [3.0, 2.0, 1.0])
