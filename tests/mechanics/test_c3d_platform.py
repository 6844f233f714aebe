"""Geometry of C3D force platforms, without any file."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.errors import InputError
from forcekit.mechanics.c3d_platform import Wrench, flip_origin, free_moment, plate_axes, pressure_point, wrench
from forcekit.model import FloatArray


def loads(seed: int, n: int = 50) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Make forces, points on the surface (from its middle) and free moments."""
    rng = np.random.default_rng(seed)
    force = np.column_stack([rng.normal(0, 50, n), rng.normal(0, 50, n), rng.uniform(200, 2000, n)])
    return force, rng.uniform(-0.2, 0.2, (n, 2)), rng.normal(0, 5, n)


def about(force: FloatArray, point: FloatArray, twist: FloatArray, origin: FloatArray) -> FloatArray:
    """Compute the moment about the plate's origin of a force at a point of the surface."""
    arm = origin + np.column_stack([point, np.zeros(len(point))])
    moment = np.cross(arm, force)
    moment[:, 2] += twist
    return moment


def test_worked_numbers() -> None:
    """The example of a type 2 plate in newton and millimetre comes back: 55, -120 mm and 2500 N mm."""
    channels = np.array([[30.0, -45.0, 900.0, -105.669, -47.196, 3.6625]])

    w = wrench(2, channels, np.array([-3.9e-3, 4.6e-3, -40.2e-3]))

    point = pressure_point(w, least_n=20.0)
    assert point[0] == pytest.approx([0.055, -0.120], abs=1e-12)
    assert free_moment(w, point)[0] == pytest.approx(2.5, abs=1e-12)


@pytest.mark.parametrize("kind", [1, 2, 3, 4])
def test_every_type_gives_the_load_back(kind: int) -> None:
    """Loads turned into the channels of each type come back as force, point and free moment."""
    force, point, twist = loads(kind)
    origin = np.array([-0.004, 0.002, -0.04])
    moment = about(force, point, twist, origin)
    six = np.hstack([force, moment])
    cal = np.eye(6) + 0.05 * np.random.default_rng(7).normal(size=(6, 6))
    if kind == 1:
        channels = np.column_stack([force, point, twist])
    elif kind == 3:
        origin = np.array([0.12, 0.2, -0.04])
        channels = eight(force, about(force, point, twist, np.array([0.0, 0.0, -0.04])), *origin[:2])
    else:
        channels = six if kind == 2 else np.linalg.solve(cal, six.T).T

    w = wrench(kind, channels, origin, cal)

    got = pressure_point(w, least_n=20.0)
    assert np.allclose(force, w.force_n, atol=1e-9)
    assert np.allclose(point, got, atol=1e-12)
    assert np.allclose(twist, free_moment(w, got), atol=1e-9)


def eight(force: FloatArray, moment: FloatArray, a: float, b: float) -> FloatArray:
    """Share a load among four three-component sensors at (a,b), (-a,b), (-a,-b), (a,-b), one way of many."""
    fx, fy, fz = force.T
    mx, my, mz = moment.T
    # Vertical: f_i = fz/4 + c_x·mx/(4b) + c_y·my/(4a) with signs of the corners.
    vertical = [fz / 4 + s * mx / (4 * b) + t * my / (4 * a) for s, t in ((1, -1), (1, 1), (-1, 1), (-1, -1))]
    fx12, fx34 = fx / 2 - mz / (4 * b), fx / 2 + mz / (4 * b)
    fy14, fy23 = fy / 2 + mz / (4 * a), fy / 2 - mz / (4 * a)
    return np.column_stack([fx12, fx34, fy14, fy23, *vertical])


def test_turning_a_plate_turns_its_load() -> None:
    """A plate turned in the laboratory gives the same load, turned: no number depends on how it lies."""
    corners = np.array([[0.3, 0.2, 0.0], [-0.3, 0.2, 0.0], [-0.3, -0.2, 0.0], [0.3, -0.2, 0.0]])
    q, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
    q *= np.sign(np.linalg.det(q))

    centre, axes = plate_axes(corners @ q.T + 1.0)

    force, point, twist = loads(9)
    origin = np.array([0.0, 0.0, -0.03])
    w = wrench(2, np.hstack([force, about(force, point, twist, origin)]), origin)
    assert np.allclose(q, axes, atol=1e-12)
    assert np.allclose(1.0, centre, atol=1e-12)
    assert np.allclose(force @ q.T, w.turned(axes).force_n)
    assert np.allclose(np.linalg.norm(w.moment_nm, axis=1), np.linalg.norm(w.turned(axes).moment_nm, axis=1))


def test_no_pressure_without_load() -> None:
    """Below the least force there is no pressure instead of a wild one."""
    w = Wrench(np.array([[0.0, 0.0, 19.0], [0.0, 0.0, 21.0]]), np.array([[1.0, 1.0, 0.0]] * 2))

    got = pressure_point(w, least_n=20.0)

    assert np.all(np.isnan(got[0]))
    assert got[1] == pytest.approx([-1.0 / 21.0, 1.0 / 21.0])


def test_origin_is_turned_whole() -> None:
    """An origin that points down is turned with all three numbers; a right one is left alone."""
    turned, changed = flip_origin(np.array([3.9, -4.6, 40.2]))

    assert (turned.tolist(), changed) == ([-3.9, 4.6, -40.2], True)
    assert flip_origin(turned)[1] is False


def test_refusals() -> None:
    """Unknown types, a missing matrix and corners in one line are refused in words."""
    six = np.zeros((1, 6))
    with pytest.raises(InputError, match="type 5 are not known; types 1, 2, 3 and 4 are"):
        wrench(5, six, np.zeros(3))
    with pytest.raises(InputError, match="type 4 needs its 6 x 6 matrix"):
        wrench(4, six, np.zeros(3))
    with pytest.raises(InputError, match="span no rectangle"):
        plate_axes(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [3, 0, 0]]))
