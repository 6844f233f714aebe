"""Orientation and integrals: exact where they should be, and of the stated order elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from forcekit.mechanics.strapdown import (
    align_to_gravity,
    integral,
    orientation,
    rotation_vectors,
    skew,
    total_turn,
    turn_matrices,
)

components = st.floats(-3.0, 3.0)
vectors = st.tuples(components, components, components)


@given(a=st.floats(-5.0, 5.0), b=st.floats(-5.0, 5.0), c=st.floats(-5.0, 5.0))
def test_integral_of_a_parabola_is_exact(a: float, b: float, c: float) -> None:
    """The end correction makes the rule exact for parabolas, which the trapezoid rule is not."""
    t = np.arange(0.0, 1.001, 0.01)
    np.testing.assert_allclose(
        integral(a + b * t + c * t**2, 0.01), a * t + b * t**2 / 2 + c * t**3 / 3, atol=1e-13 * (1 + abs(a) + abs(b))
    )


def test_integral_of_a_dip_is_of_fourth_order() -> None:
    """For a 2 Hz sine at 200 Hz the error is of fourth order in the step: h⁴ω⁴/720 of the amplitude, not h²ω²/12."""
    t, w = np.arange(0.0, 0.5, 0.005), 4.0 * np.pi
    wrong = np.abs(integral(np.sin(w * t), 0.005) - (1.0 - np.cos(w * t)) / w).max()
    # The slopes add terms of the same order: h⁴ω⁴/72 from central differences inside, h⁴ω⁴/36 at the first sample.
    assert wrong < 1.1 * (2.0 / 720.0 + 1.0 / 72.0 + 1.0 / 36.0) * (0.005 * w) ** 4 / w


@given(axis=vectors, rate=st.floats(0.1, 30.0))
def test_a_turn_about_a_fixed_axis_is_exact(axis: tuple[float, float, float], rate: float) -> None:
    """Constant rate about any axis: Rodrigues' formula to rounding, at any step."""
    size = np.linalg.norm(axis)
    if size < 0.1:
        return
    unit = np.array(axis) / size
    gyro = np.tile(rate * unit, (51, 1))
    last = orientation(np.eye(3), rotation_vectors(gyro, 0.02))[-1]
    k = skew(unit)
    expected = np.eye(3) + np.sin(rate) * k + (1.0 - np.cos(rate)) * k @ k
    np.testing.assert_allclose(last, expected, atol=1e-12)


def test_coning_comes_back_to_the_start() -> None:
    """Classical coning: the axis draws a cone; after whole rounds the closed-form attitude is where it began.

    The attitude R = Rz(wt) Rx(theta) Rz(-wt) has the body rate worked out below and is the identity-like Rx(theta)
    after every round; without the term for the turning axis the error would grow with every round.
    """
    w, theta = 2.0 * np.pi * 2.0, 0.2
    t = np.arange(0.0, 5.0005, 0.005)
    # Body rate of Rz(wt) Rx(theta) Rz(-wt): w (Rz(wt) Rx(-theta) e_z - e_z) in the body's axes.
    gyro = w * np.column_stack(
        [-np.sin(theta) * np.sin(w * t), np.sin(theta) * np.cos(w * t), np.full(t.size, np.cos(theta) - 1.0)]
    )
    c, s = np.cos(theta), np.sin(theta)
    start = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    last = orientation(start, rotation_vectors(gyro, 0.005))[-1]
    # Without the cross term the drift is theta² w h²/12 · w² … = 1.6e-4 rad a round, 1.6e-3 in ten; with it the
    # remaining error is two orders of the step higher.
    np.testing.assert_allclose(last, start, atol=2e-5)


@given(force=vectors, left=vectors)
def test_level_means_force_up_and_left_end_to_the_left(
    force: tuple[float, float, float], left: tuple[float, float, float]
) -> None:
    """The attitude puts the force on z, keeps the left axis in the plane of y and z, and is a rotation."""
    f, a = np.array(force), np.array(left)
    if np.linalg.norm(np.cross(f, a)) < 0.05 * max(1e-9, np.linalg.norm(f) * np.linalg.norm(a)) or f @ f < 0.01:
        return
    r = align_to_gravity(f, a)
    np.testing.assert_allclose(r @ f, [0.0, 0.0, np.linalg.norm(f)], atol=1e-9)
    assert (r @ a)[0] == pytest.approx(0.0, abs=1e-9)
    assert (r @ a)[1] > 0.0
    np.testing.assert_allclose(r @ r.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(r) == pytest.approx(1.0)


@given(n=st.integers(1, 40), reference=st.integers(0, 40), start=vectors, seed=st.integers(0, 99))
def test_a_chain_is_the_product_of_its_turns(
    n: int, reference: int, start: tuple[float, float, float], seed: int
) -> None:
    """Attitudes equal the plain product of single rotations, from whichever sample they are counted."""
    reference = min(reference, n)
    vectors_rad = np.random.default_rng(seed).normal(size=(n, 3))
    single = Rotation.from_rotvec(vectors_rad).as_matrix()
    plain = [np.eye(3)]
    for turn in single:
        plain.append(plain[-1] @ turn)
    first = Rotation.from_rotvec(start).as_matrix()
    expected = first @ plain[reference].T @ np.array(plain)
    # Forty products of matrices, each good to a few times 1e-16.
    np.testing.assert_allclose(orientation(first, vectors_rad, reference), expected, atol=1e-13)
    np.testing.assert_allclose(total_turn(vectors_rad), plain[-1], atol=1e-13)
    np.testing.assert_allclose(turn_matrices(vectors_rad), single, atol=1e-14)


def test_a_long_chain_stays_a_rotation() -> None:
    """A minute at 1 kHz: the last attitude is a rotation to 1e-12, and the total turn is the same."""
    vectors_rad = 0.01 * np.random.default_rng(1).normal(size=(60_000, 3))
    last = orientation(np.eye(3), vectors_rad)[-1]
    np.testing.assert_allclose(last @ last.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(total_turn(vectors_rad), last, atol=1e-12)
