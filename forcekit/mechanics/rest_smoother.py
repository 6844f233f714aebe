"""What the rests say: the bar stands still there, so velocity is zero, for all of them in one linear problem.

The sources of error (see `rest_basis`) have a prior covariance P. Each rest gives velocity zero but for sway,
at instants a tenth of a second apart, and a mean rate of turn zero but for the drift of attitude. With the
rows H of those measurements, their residuals z and their covariance C, the best estimate and its covariance
are::

    S = H P H' + C          u = P H' S^-1 z          P_after = P - P H' S^-1 H P

This equals a Kalman smoother over the whole window. Because the columns stay available, any combination of
quantities at any instants has its covariance, for instance the travel from the onset to the lowest point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.rest_basis import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ATTITUDE,
    CONSTANTS,
    GYRO_BIAS,
    GYRO_SCALE,
    VELOCITY,
    Basis,
)
from forcekit.model import BoolArray, FloatArray

__all__ = [
    "Misfit",
    "Posterior",
    "Prior",
    "Rest",
    "Seen",
    "SwayModel",
    "prior_variance",
    "rest_misfit",
    "solve_rests",
    "sway_of",
    "what_is_seen",
]


@dataclass(frozen=True, slots=True)
class SwayModel:
    """How a bar moves that is called still: a stationary process with exponential autocorrelation.

    Attributes
    ----------
    speed_mps : standard deviation of velocity forward, to the left and up
    memory_s : its correlation time
    turn_rad : standard deviation of the change of attitude over a rest
    """

    speed_mps: tuple[float, float, float]
    memory_s: float
    turn_rad: float


@dataclass(frozen=True, slots=True, eq=False)
class Rest:
    """One rest: its instants, the bar's strapdown velocity there, and the mean reading of the gyroscope.

    `gyro_radps` None leaves the gyroscope out: there is none, or the bar stays in place but turns.
    """

    t_s: FloatArray
    velocity_mps: FloatArray
    gyro_radps: FloatArray | None
    gyro_u_radps: float


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What some rests show of the sources, worked out once; any choice of its m rows can be solved.

    Attributes
    ----------
    scaled : array, shape (m, n_sources)
        H, each column times the prior standard deviation of its source.
    residual : array, shape (m,)
    noise_root, covariance : array, shape (m, m)
        Cholesky factor of C; S.
    rest : array of int, shape (m,)
        Number of the rest a row belongs to.
    turn : array of bool, shape (m,)
        True for the rows of the gyroscope.
    prior_sd : array, shape (n_sources,)
    sway : SwayModel
    """

    scaled: FloatArray
    residual: FloatArray
    noise_root: FloatArray
    covariance: FloatArray
    rest: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    turn: BoolArray
    prior_sd: FloatArray
    sway: SwayModel


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Estimate of all sources and their covariance in factored form.

    Attributes
    ----------
    estimate : array, shape (n_sources,)
    prior_sd : array, shape (n_sources,)
    scaled : array, shape (m, n_sources)
        H, the rows of the m measurements, each column times the prior standard deviation of its source.
    root : array, shape (m, m)
        Lower Cholesky factor of S.
    noise_root : array, shape (m, m)
        Cholesky factor of their covariance C.
    """

    estimate: FloatArray
    prior_sd: FloatArray
    scaled: FloatArray
    root: FloatArray
    noise_root: FloatArray

    def parts(self, rows: FloatArray) -> FloatArray:
        """Change of each row's quantity per standard uncertainty of each independent source, last axis n_sources + m.

        Notes
        -----
        The sources that remain independent are those of the prior and the errors of the measurements:
        P_after = (I - KH) P (I - KH)' + K C K' (Joseph's form, positive by construction). Products of parts are
        covariances, also between rows of different calls. The gain K = P H' S^-1 itself is never made: only its
        product with the few rows that are asked for.
        """
        scaled = (rows * self.prior_sd).reshape(-1, self.prior_sd.size)
        through = _solved(self.root, self.scaled @ scaled.T).T
        parts = np.concatenate([scaled - through @ self.scaled, through @ self.noise_root], axis=1)
        return np.asarray(parts.reshape(*rows.shape[:-1], -1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Standard deviations of the sources before the rests are seen, in SI; noises are per root hertz, level frame.

    `gyro_measured` False means that there is no gyroscope: its noise stands for unseen turning.
    """

    velocity_mps: float
    tilt_rad: float
    heading_rad: float
    accel_bias_mps2: float
    gyro_bias_radps: float
    accel_scale: float
    gyro_scale: float
    accel_noise: tuple[float, float, float]
    gyro_noise: float
    gyro_measured: bool


def sway_kernel(lag_s: FloatArray, memory_s: float) -> FloatArray:
    """Autocorrelation of the velocity of sway: (1 - s) exp(-s) with s = lag/memory.

    Notes
    -----
    This is the velocity of a position with the Matern autocorrelation (1 + s) exp(-s): a body that sways stays in its
    place, so what it moves now it takes back soon, and its mean velocity over a long rest is closer to zero than that
    of a process without this memory. The standard deviation of the position is memory times that of velocity.
    """
    s = lag_s / memory_s
    return np.asarray((1.0 - s) * np.exp(-s), dtype=np.float64)


def prior_variance(basis: Basis, prior: Prior) -> FloatArray:
    """Prior variances of all sources of a basis, shape (n_sources,)."""
    out = np.zeros(basis.n_sources)
    out[VELOCITY] = prior.velocity_mps**2
    out[ATTITUDE] = np.array([prior.tilt_rad, prior.tilt_rad, prior.heading_rad]) ** 2
    out[ACCEL_BIAS] = prior.accel_bias_mps2**2
    out[GYRO_BIAS] = prior.gyro_bias_radps**2
    out[ACCEL_SCALE] = prior.accel_scale**2
    out[GYRO_SCALE] = prior.gyro_scale**2
    k = basis.n_steps
    width = np.diff(basis.edges_s)
    out[CONSTANTS : CONSTANTS + 3 * k] = (np.asarray(prior.accel_noise)[None, :] ** 2 / width[:, None]).ravel()
    out[CONSTANTS + 3 * k :] = np.repeat(prior.gyro_noise**2 / width, 3)
    return out


def _lower(matrix: FloatArray) -> FloatArray:
    """Lower Cholesky factor."""
    return np.asarray(np.linalg.cholesky(matrix), dtype=np.float64)


def _solved(root: FloatArray, right: FloatArray) -> FloatArray:
    """S^-1 times the columns of `right`, by the lower Cholesky factor of S."""
    from scipy.linalg import cho_solve

    return np.asarray(cho_solve((root, True), right, check_finite=False))


def what_is_seen(
    basis: Basis, rests: tuple[Rest, ...], variance: FloatArray, constants: FloatArray, sway: SwayModel
) -> Seen:
    """Rows, residuals and covariances of all measurements of some rests.

    Parameters
    ----------
    basis : Basis
    rests : tuple of Rest
    variance : array, shape (n_sources,)
        Prior variances; the prior mean is zero.
    constants : array, shape (18,)
        What the strapdown solution behind `basis` already contains of the constant sources.
    sway : SwayModel
    """
    rows: list[FloatArray] = []
    residuals: list[FloatArray] = []
    blocks: list[FloatArray] = []
    sd2 = np.array(sway.speed_mps) ** 2
    for rest in rests:
        h = basis.rows("velocity", rest.t_s)
        # Residuals are written for the total sources, of which the solution at hand already contains
        # `constants`.
        z = -rest.velocity_mps + h[:, :, :CONSTANTS] @ constants
        lag = np.abs(rest.t_s[:, None] - rest.t_s[None, :])
        rows.append(np.asarray(h.reshape(-1, basis.n_sources)))
        residuals.append(z.ravel())
        blocks.append(np.asarray(np.kron(sway_kernel(lag, sway.memory_s), np.diag(sd2)), dtype=np.float64))
        if rest.gyro_radps is not None:
            g = np.zeros((3, basis.n_sources))
            g[:, GYRO_BIAS] = np.eye(3)
            rows.append(g)
            residuals.append(rest.gyro_radps)
            blocks.append(np.eye(3) * _turn_variance(rest, sway))
    sizes = [b.shape[0] for b in blocks]
    of_rest = [k for k, rest in enumerate(rests) for _ in range(1 if rest.gyro_radps is None else 2)]
    is_turn = [turns for rest in rests for turns in ((False,) if rest.gyro_radps is None else (False, True))]
    sd = np.sqrt(variance)
    scaled = np.concatenate(rows)
    scaled *= sd
    covariance = scaled @ scaled.T
    noise_root = np.zeros_like(covariance)
    i = 0
    for block, size in zip(blocks, sizes, strict=True):
        here = slice(i, i + size)
        block[np.diag_indices(size)] += 1e-12
        covariance[here, here] += block
        noise_root[here, here] = _lower(block)
        i += size
    return Seen(
        scaled, np.concatenate(residuals), noise_root, covariance, np.repeat(of_rest, sizes), np.repeat(is_turn, sizes),
        sd, sway,
    )  # fmt: skip


def solve_rests(seen: Seen, used: BoolArray | None = None) -> Posterior:
    """Estimate all sources of error from the rests.

    Parameters
    ----------
    seen : Seen
    used : array of bool, shape (m,), optional
        Measurements that count; whole rests, with or without their gyroscope. All if left out.
    """
    i = np.arange(seen.rest.size) if used is None else np.flatnonzero(used)
    root = _lower(seen.covariance[np.ix_(i, i)])
    scaled = seen.scaled[i]
    estimate = seen.prior_sd * (_solved(root, seen.residual[i]) @ scaled)
    return Posterior(estimate, seen.prior_sd, scaled, root, seen.noise_root[np.ix_(i, i)])


@dataclass(frozen=True, slots=True)
class Misfit:
    """How far a rest is from what the other rests predict.

    `speed` and `turn` count standard uncertainties of the prediction (root mean square over the axes);
    `speed_mps` is the mean velocity itself. Much more than 3 means that the bar moved or turned steadily, or
    that the readings in between are wrong.
    """

    speed: float
    speed_mps: float
    turn: float


def rest_misfit(seen: Seen, used: BoolArray, k: int) -> Misfit:
    """Compare the mean velocity and the mean turn of rest number k with what the measurements `used` predict."""
    i, u = np.flatnonzero(seen.rest == k), np.flatnonzero(used)
    n = int(np.count_nonzero(~seen.turn[i]))
    # Velocities come first, three a mark; then, where there is a gyroscope, three rates of turn.
    average = np.zeros((3 if n == i.size else 6, i.size))
    average[:3, :n] = np.tile(np.eye(3), n // 3) / (n // 3)
    average[3:, n:] = np.eye(i.size - n)
    noise_root = seen.noise_root[np.ix_(i, i)]
    noise = np.concatenate([np.array(seen.sway.speed_mps), np.diag(noise_root)[n:]]) ** 2
    cross = average @ seen.covariance[np.ix_(i, u)]
    root = _lower(seen.covariance[np.ix_(u, u)])
    told = _solved(root, np.column_stack([cross.T, seen.residual[u]]))
    off = average @ seen.residual[i] - cross @ told[:, -1]
    left = average @ (seen.covariance[np.ix_(i, i)] - noise_root @ noise_root.T) @ average.T - cross @ told[:, :-1]
    left += np.diag(noise)

    def beyond(part: slice) -> float:
        return float(np.sqrt(off[part] @ np.linalg.solve(left[part, part], off[part]) / 3.0)) if off[part].size else 0.0

    return Misfit(beyond(slice(3)), float(np.linalg.norm(off[:3])), beyond(slice(3, 6)))


def _turn_variance(rest: Rest, sway: SwayModel) -> float:
    span = max(float(rest.t_s[-1] - rest.t_s[0]), 0.1)
    return float(rest.gyro_u_radps**2 + (sway.turn_rad / span) ** 2)


def sway_of(
    rests: tuple[Rest, ...], usual_mps: FloatArray, usual_worth: float, memory_s: float, noise: FloatArray
) -> FloatArray:
    """Give the standard deviation of the sway velocity, each axis, shape (3,): the usual one, moved by what is seen.

    Parameters
    ----------
    rests : tuple of Rest
    usual_mps : array, shape (3,)
    usual_worth : float
        How many degrees of freedom the usual sway is worth.
    memory_s : float, second
    noise : array, shape (3,)
        Of the accelerometer, m/s² per root hertz.

    Notes
    -----
    A straight line is removed from the strapdown velocity of each rest, because its level and slope are errors of
    the solution. What remains is sway and integrated sensor noise; the latter's expected share is subtracted and
    the former's share that the line took with it is put back, both from their covariances. The variances are
    averaged with their degrees of freedom (Satterthwaite's for what is seen; the conjugate prior of a variance).
    """
    top, bottom, squares = np.zeros(3), 0.0, 0.0
    for rest in rests:
        n = rest.t_s.size
        if n < 5:
            continue
        x = rest.t_s - rest.t_s.mean()
        design = np.column_stack([np.ones(n), x])
        project = np.eye(n) - design @ np.linalg.pinv(design)
        since = rest.t_s - rest.t_s[0]
        walk = np.minimum(since[:, None], since[None, :])
        left = project @ rest.velocity_mps
        sway = project @ sway_kernel(np.abs(x[:, None] - x[None, :]), memory_s)
        top += (left**2).sum(axis=0) - noise**2 * np.trace(project @ walk)
        bottom += float(np.trace(sway))
        squares += float(np.trace(sway @ sway))
    if bottom == 0.0:
        return np.asarray(usual_mps, dtype=np.float64)
    seen = np.clip(top / bottom, 0.0, None)
    freedom = bottom**2 / squares
    return np.asarray(np.sqrt((usual_worth * np.asarray(usual_mps) ** 2 + freedom * seen) / (usual_worth + freedom)))
