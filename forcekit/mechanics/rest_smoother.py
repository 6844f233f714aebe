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
from forcekit.model import FloatArray

__all__ = [
    "Misfit",
    "Posterior",
    "Prior",
    "Rest",
    "SwayModel",
    "prior_variance",
    "rest_misfit",
    "solve_rests",
    "sway_of",
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
class Posterior:
    """Estimate of all sources and their covariance in factored form.

    Attributes
    ----------
    estimate : array, shape (n_sources,)
    prior_sd : array, shape (n_sources,)
    gain : array, shape (n_sources, m)
        K = P H' S^-1.
    seen : array, shape (m, n_sources)
        H, the rows of the m measurements.
    noise_root : array, shape (m, m)
        Cholesky factor of their covariance C.
    """

    estimate: FloatArray
    prior_sd: FloatArray
    gain: FloatArray
    seen: FloatArray
    noise_root: FloatArray

    def parts(self, rows: FloatArray) -> FloatArray:
        """Change of each row's quantity per standard uncertainty of each independent source, last axis n_sources + m.

        Notes
        -----
        The sources that remain independent are those of the prior and the errors of the measurements:
        P_after = (I - KH) P (I - KH)' + K C K' (Joseph's form, positive by construction). Products of parts are
        covariances, also between rows of different calls.
        """
        through = rows @ self.gain
        return np.concatenate([(rows - through @ self.seen) * self.prior_sd, through @ self.noise_root], axis=-1)


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


def _system(
    basis: Basis, rests: tuple[Rest, ...], constants: FloatArray, sway: SwayModel
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rows, residuals and covariance of all measurements of the rests."""
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
    size = sum(b.shape[0] for b in blocks)
    covariance = np.zeros((size, size))
    i = 0
    for b in blocks:
        covariance[i : i + b.shape[0], i : i + b.shape[0]] = b
        i += b.shape[0]
    return np.concatenate(rows), np.concatenate(residuals), covariance


def solve_rests(
    basis: Basis, rests: tuple[Rest, ...], variance: FloatArray, constants: FloatArray, sway: SwayModel
) -> Posterior:
    """Estimate all sources of error from the rests.

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
    from scipy.linalg import cho_factor, cho_solve

    h, z, covariance = _system(basis, rests, constants, sway)
    sd = np.sqrt(variance)
    scaled = h * sd
    covariance[np.diag_indices_from(covariance)] += 1e-12
    factor = cho_factor(scaled @ scaled.T + covariance, lower=True)
    gain = (cho_solve(factor, scaled) * sd).T
    root = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    return Posterior(gain @ z, sd, gain, h, root)


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


def rest_misfit(basis: Basis, rest: Rest, after: Posterior, constants: FloatArray, sway: SwayModel) -> Misfit:
    """Compare a rest with the estimate from other rests."""
    h = basis.rows("velocity", rest.t_s)
    z = -rest.velocity_mps + h[:, :, :CONSTANTS] @ constants - h @ after.estimate
    parts = after.parts(h.mean(axis=0))
    covariance = parts @ parts.T + np.diag(np.array(sway.speed_mps) ** 2)
    mean = z.mean(axis=0)
    speed = float(np.sqrt(mean @ np.linalg.solve(covariance, mean) / 3.0))
    turn = 0.0
    if rest.gyro_radps is not None:
        g = np.zeros((3, basis.n_sources))
        g[:, GYRO_BIAS] = np.eye(3)
        parts = after.parts(g)
        off = rest.gyro_radps - after.estimate[GYRO_BIAS]
        turn = float(
            np.sqrt(off @ np.linalg.solve(parts @ parts.T + np.eye(3) * _turn_variance(rest, sway), off) / 3.0)
        )
    return Misfit(speed, float(np.linalg.norm(mean)), turn)


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
