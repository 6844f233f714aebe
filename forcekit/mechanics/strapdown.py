"""Orientation from angular rate with exact increments, and integrals of sampled curves with their end correction.

Rotations are passive matrices R of shape (n, 3, 3) that turn a vector in the sensor's axes into the level
frame.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np

from forcekit.model import FloatArray

__all__ = [
    "align_to_gravity",
    "integral",
    "orientation",
    "rotation_vectors",
    "skew",
    "total_turn",
    "turn_matrices",
]

_Complex: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.complex128]]
_Pair: TypeAlias = tuple[_Complex, _Complex]


def integral(rate: FloatArray, step_s: float) -> FloatArray:
    """Running integral of a sampled curve from its first sample, shape as given.

    Parameters
    ----------
    rate : array, shape (n,) or (n, k)
    step_s : float, second

    Notes
    -----
    Trapezoid rule with the first Euler-Maclaurin term, -h²/12 (y'(t) - y'(0)), from central differences. For
    a dip sampled at 200 Hz the plain rule loses up to 0.1 mm of travel; this one stays below a micrometre.
    White noise passes as through the plain rule, but for a twelfth of a step.
    """
    total = np.zeros_like(rate)
    np.cumsum(0.5 * step_s * (rate[1:] + rate[:-1]), axis=0, out=total[1:])
    slope = np.gradient(rate, axis=0, edge_order=2)
    return np.asarray(total - step_s / 12.0 * (slope - slope[0]))


def rotation_vectors(gyro_radps: FloatArray, step_s: float) -> FloatArray:
    """Rotation from each sample to the next as a rotation vector in the sensor's axes, shape (n-1, 3).

    Parameters
    ----------
    gyro_radps : array, shape (n, 3)
        Point samples of the angular rate.
    step_s : float, second

    Notes
    -----
    Integral of the rate plus the leading term for a turning axis, h²/12 ω_k × ω_{k+1} (Magnus series; the
    textbook "coning" term of strapdown inertial navigation). Exact for a fixed axis.
    """
    before, after = gyro_radps[:-1], gyro_radps[1:]
    slope = np.gradient(gyro_radps, axis=0, edge_order=2)
    turn = 0.5 * step_s * (after + before) - step_s / 12.0 * (slope[1:] - slope[:-1])
    (ax, ay, az), (bx, by, bz) = before.T, after.T
    turn += step_s**2 / 12.0 * np.column_stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
    return np.asarray(turn)


def orientation(start: FloatArray, increments_rad: FloatArray, reference: int = 0) -> FloatArray:
    """Chain rotation vectors to attitudes; gives one rotation matrix a sample, shape (n, 3, 3).

    Parameters
    ----------
    start : array, shape (3, 3)
        Rotation matrix of the reference sample.
    increments_rad : array, shape (n-1, 3)
        From each sample to the next.
    reference : int

    Notes
    -----
    Running product of unit quaternions q, written as pairs of complex numbers (w + iz, y + ix): products of
    neighbours first, their running product by the same rule, then the places in between. Each attitude is a product
    of few factors only, so rounding stays at 1e-15 however long the chain is.
    """
    turns = _running(_quaternions(increments_rad))
    a, b = (np.concatenate(([first], part)) for first, part in zip((1.0, 0.0), turns, strict=True))
    # Turned back to the reference, which is given only afterwards: exact, and no conversion from a matrix.
    back = np.conj(a[reference]), -b[reference]
    return _matrices(*_product(_product(_quaternion(start), back), (a, b)))


def total_turn(increments_rad: FloatArray) -> FloatArray:
    """Rotation matrix of a whole chain of rotation vectors (n, 3), shape (3, 3); the last of `orientation`."""
    q = _quaternions(increments_rad)
    while q[0].size > 1:
        odd = q[0].size % 2
        a, b = _product((q[0][: -1 if odd else None : 2], q[1][: -1 if odd else None : 2]), (q[0][1::2], q[1][1::2]))
        q = (np.append(a, q[0][-1]), np.append(b, q[1][-1])) if odd else (a, b)
    return _matrices(*q)[0] if q[0].size else np.eye(3)


def turn_matrices(vectors_rad: FloatArray) -> FloatArray:
    """Rotation matrices of rotation vectors (n, 3) or one (3,), shape (n, 3, 3) or (3, 3)."""
    found = _matrices(*_quaternions(np.atleast_2d(vectors_rad)))
    return found if vectors_rad.ndim == 2 else found[0]


def _quaternions(vectors_rad: FloatArray) -> _Pair:
    """Unit quaternions of rotation vectors, shape (n, 3), as pairs (w + iz, y + ix)."""
    x, y, z = np.ascontiguousarray(vectors_rad.T)
    half = 0.5 * np.sqrt(x * x + y * y + z * z)
    # sin(h)/2h, a half at zero.
    over = np.divide(np.sin(half), 2.0 * half, out=np.full(half.shape, 0.5), where=half > 0.0)
    a, b = np.empty(half.shape, dtype=np.complex128), np.empty(half.shape, dtype=np.complex128)
    a.real, a.imag, b.real, b.imag = np.cos(half), over * z, over * y, over * x
    return a, b


def _quaternion(matrix: FloatArray) -> _Pair:
    """Unit quaternion of one rotation matrix, shape (3, 3); from its largest component, to divide by no small one."""
    m = np.trace(matrix)
    # Row k is the quaternion (x, y, z, w) times four times its own component k.
    rows = matrix + matrix.T + (1.0 - m) * np.eye(3)
    skewed = np.array([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]])
    table = np.block([[rows, skewed[:, None]], [skewed[None, :], np.array([[1.0 + m]])]])
    row = table[int(np.argmax(np.diag(table)))]
    x, y, z, w = (row / np.sqrt(row @ row)).tolist()
    return np.asarray(complex(w, z)), np.asarray(complex(y, x))


def _product(p: _Pair, q: _Pair) -> _Pair:
    """Quaternion products, first p then q in the axes that p has turned."""
    return p[0] * q[0] - np.conj(p[1]) * q[1], np.conj(p[0]) * q[1] + p[1] * q[0]


def _running(q: _Pair) -> _Pair:
    """Running product of quaternions."""
    a, b = q
    n = a.size
    if n < 2:
        return q
    pairs = _running(_product((a[: n - 1 : 2], b[: n - 1 : 2]), (a[1::2], b[1::2])))
    out = np.empty(n, dtype=np.complex128), np.empty(n, dtype=np.complex128)
    between = _product((pairs[0][: (n - 1) // 2], pairs[1][: (n - 1) // 2]), (a[2::2], b[2::2]))
    for whole, first, even, odd in zip(out, (a[0], b[0]), between, pairs, strict=True):
        whole[0], whole[2::2], whole[1::2] = first, even, odd
    return out


def _matrices(a: _Complex, b: _Complex) -> FloatArray:
    """Rotation matrices of quaternions (w + iz, y + ix), whose size is taken out, shape (n, 3, 3)."""
    w, z, y, x = (np.ascontiguousarray(part) for part in (a.real, a.imag, b.real, b.imag))
    scale = np.sqrt(2.0 / (w * w + x * x + y * y + z * z))
    w, x, y, z = scale * w, scale * x, scale * y, scale * z
    xx, yy, zz, xy, xz, yz, wx, wy, wz = x * x, y * y, z * z, x * y, x * z, y * z, w * x, w * y, w * z
    rows = (1.0 - yy - zz, xy - wz, xz + wy, xy + wz, 1.0 - xx - zz, yz - wx, xz - wy, yz + wx, 1.0 - xx - yy)
    # In memory the samples of one component lie side by side: everything is done to all samples at once.
    return np.stack(rows).reshape(3, 3, -1).transpose(2, 0, 1)


def align_to_gravity(force_mps2: FloatArray, left: FloatArray) -> FloatArray:
    """Attitude of a sensor at rest: up along the force it feels, y along the horizontal part of its left axis.

    Parameters
    ----------
    force_mps2 : array, shape (3,)
        Mean specific force at rest, in the sensor's axes.
    left : array, shape (3,)
        Direction in the sensor's axes that points to the lifter's left.

    Returns
    -------
    array, shape (3, 3)
        R so that R @ force is straight up and R @ left lies in the plane of y and z with a positive y.
    """
    up = force_mps2 / math.sqrt(float(force_mps2 @ force_mps2))
    level_left = left - up * float(left @ up)
    level_left = level_left / math.sqrt(float(level_left @ level_left))
    return np.array([np.cross(level_left, up), level_left, up])


def skew(vectors: FloatArray) -> FloatArray:
    """Matrices [v x] with [v x] w = v x w, shape (n, 3, 3)."""
    out = np.zeros((*vectors.shape[:-1], 3, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    out[..., 0, 1], out[..., 0, 2] = -z, y
    out[..., 1, 0], out[..., 1, 2] = z, -x
    out[..., 2, 0], out[..., 2, 1] = -y, x
    return out
