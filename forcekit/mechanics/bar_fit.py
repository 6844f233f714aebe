"""The strapdown solution of a lift fitted to its rests: what is believed beforehand, what of them, and the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forcekit.mechanics.bar_axis import ShaftAxis
from forcekit.mechanics.bar_solution import Path, Readings, corrected, navigate
from forcekit.mechanics.rest_basis import CONSTANTS, GYRO_BIAS, Basis, build_basis
from forcekit.mechanics.rest_smoother import (
    Posterior,
    Prior,
    Rest,
    Seen,
    SwayModel,
    prior_variance,
    rest_misfit,
    solve_rests,
    sway_of,
    what_is_seen,
)
from forcekit.model import BoolArray, FloatArray

__all__ = ["BarSettings", "Problem", "Solution", "believed", "solve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BarSettings:
    """What is believed of the sensor and of rests before the recording is seen, and how fine the solution is.

    The sensor figures are usual ones of small uncalibrated sensors (from memory; replace them by those of the
    calibration and of `allan.noise_figures`); the others are our choice.

    Attributes
    ----------
    accel_bias_u_mps2 : 5 mg; what points along gravity is seen in stance, the rest is told from tilt only by
        turning
    gyro_bias_u_radps : before stance is seen
    accel_scale_u, gyro_scale_u : relative
    accel_noise : m/s² per root hertz: a sample's standard deviation over the root of the rate (150 µg)
    gyro_noise : rad/s per root hertz (0.01 degree/s)
    tilt_u_rad : what stance leaves open at most, before the rests are used
    sway_mps : standard deviation of the bar's velocity (forward, left, up) while its lifter stands still; upward
        1.6 mm/s of the centre of mass (the largest in the open stance recordings, see `stance`) times 1.2 for the
        shoulders, and a chest that rises by 2.5 mm every four seconds (own estimate)
    sway_worth : how many degrees of freedom it is worth; what is seen in the rests counts by its own
    sway_memory_s : standard deviation of the sway's position over that of its velocity: 2.4 mm over 4 mm/s
    sway_turn_rad : change of the bar's attitude over a rest
    rest_step_s : rests count as zero velocity this often
    most_marks : at most this often per rest
    noise_step_s : length of the noise steps
    misfit_limit : a rest further off than this many standard uncertainties is not believed
    misfit_turn : in a rest that turns by more than this the bar stays in place but turns; only the first is
        used
    misfit_mps : nor is it dropped when its velocity is off by less than this
    wander_rad, wander_s : without a gyroscope: the attitude is taken to change by this much in this time
    turn_smooth_s : the rate of turn is smoothed over this long (a Gaussian's width) before it moves velocity and
        acceleration to the middle: the noise of a single reading, times the arm, is millimetres a second
    """

    accel_bias_u_mps2: float = 0.05
    gyro_bias_u_radps: float = 0.2
    accel_scale_u: float = 0.003
    gyro_scale_u: float = 0.005
    accel_noise: float = 1.5e-3
    gyro_noise: float = 1.75e-4
    tilt_u_rad: float = 0.1
    sway_mps: tuple[float, float, float] = (0.004, 0.003, 0.0024)
    sway_worth: float = 4.0
    sway_memory_s: float = 0.6
    sway_turn_rad: float = 0.003
    rest_step_s: float = 0.1
    most_marks: int = 40
    noise_step_s: float = 0.04
    misfit_limit: float = 5.0
    misfit_mps: float = 0.02
    misfit_turn: float = 2.5
    wander_rad: float = 0.1
    wander_s: float = 0.5
    turn_smooth_s: float = 0.012


def believed(s: BarSettings, axis: ShaftAxis | None, has_gyro: bool, gravity: float) -> Prior:
    """Prior standard deviations of the sources.

    Without a gyroscope its noise stands for the unknown change of attitude, and the part of gravity that an
    unnoticed tilt takes from the vertical, g·wander²/2, for white noise that moves as far in `wander_s`.
    """
    level = s.accel_noise
    vertical = level if has_gyro else float(np.hypot(level, gravity * s.wander_rad**2 / 2.0 * s.wander_s**0.5))
    return Prior(
        velocity_mps=1.0,
        tilt_rad=s.tilt_u_rad,
        heading_rad=axis.u_rad if axis is not None else s.tilt_u_rad,
        accel_bias_mps2=s.accel_bias_u_mps2,
        gyro_bias_radps=s.gyro_bias_u_radps if has_gyro else 0.0,
        accel_scale=s.accel_scale_u,
        gyro_scale=s.gyro_scale_u if has_gyro else 0.0,
        accel_noise=(level, level, vertical),
        gyro_noise=s.gyro_noise if has_gyro else s.wander_rad / s.wander_s**0.5,
        gyro_measured=has_gyro,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Readings, prior, arm from the middle to the sensor (in its axes), and settings."""

    readings: Readings
    prior: Prior
    lever_m: FloatArray
    settings: BarSettings

    def basis(self, path: Path) -> Basis:
        """Error model around a path."""
        r = self.readings
        return build_basis(
            path.attitude, path.force_mps2, path.gyro_radps, 1.0 / r.step_s,
            lever_m=self.lever_m, i_reference=r.reference, noise_step_s=self.settings.noise_step_s,
        )  # fmt: skip

    def rest(self, path: Path, rest: tuple[int, int], *, turns: bool = False) -> Rest:
        """One rest as the smoother wants it; `turns` leaves its gyroscope out."""
        (first, last), s, h = rest, self.settings, self.readings.step_s
        span = (last - 1 - first) * h
        n = int(np.clip(round(span / s.rest_step_s) + 1, 3, s.most_marks))
        place = np.round(np.linspace(first, last - 1, n)).astype(np.int64)
        arm = path.attitude[place] @ self.lever_m
        # A single reading's noise, times the arm, would pass for sway; the mean is as wide as the Gaussian.
        wide = round(3.0**0.5 * s.turn_smooth_s / h)
        near = np.clip(place[:, None] + np.arange(-wide, wide + 1), first, last - 1)
        turn = np.einsum("nij,nj->ni", path.attitude[place], path.gyro_radps[near].mean(axis=1))
        gyro: FloatArray | None = None
        if self.prior.gyro_measured and not turns:
            gyro = np.asarray(self.readings.gyro_radps[first:last].mean(axis=0), dtype=np.float64)
        gyro_u = self.prior.gyro_noise / max(span, 0.1) ** 0.5
        velocity: FloatArray = np.asarray(path.velocity_mps[place] - np.cross(turn, arm), dtype=np.float64)
        return Rest(np.asarray(place * h, dtype=np.float64), velocity, gyro, gyro_u)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The corrected path of the sensor, its error model, and the rests that were used and left out."""

    path: Path
    basis: Basis
    posterior: Posterior
    used: tuple[tuple[int, int], ...]
    rejected: tuple[tuple[int, int], ...]
    sway: SwayModel


def solve(problem: Problem, stance: tuple[int, int], others: tuple[tuple[int, int], ...]) -> Solution:
    """Solve, re-linearise around the solution, solve again."""
    readings = problem.readings
    constants = np.zeros(CONSTANTS)
    if problem.prior.gyro_measured:
        constants[GYRO_BIAS] = readings.gyro_radps[stance[0] : stance[1]].mean(axis=0)
    path = navigate(readings, constants)
    # Longest first: a movement at a steady speed passes for rest for half a second, not for long.
    order = (stance, *sorted(others, key=lambda r: r[0] - r[1]))
    rests = tuple(problem.rest(path, r) for r in order)
    sway = _sway(problem, rests)
    basis = problem.basis(path)
    seen = what_is_seen(basis, rests, prior_variance(basis, problem.prior), constants, sway)
    used = _believable(seen, len(rests), problem.settings)
    constants = solve_rests(seen, used).estimate[:CONSTANTS]
    path = navigate(readings, constants)
    basis = problem.basis(path)
    kept = [k for k in range(len(order)) if used[seen.rest == k].any()]
    rests = tuple(problem.rest(path, order[k], turns=not used[seen.rest == k].all()) for k in kept)
    seen = what_is_seen(basis, rests, prior_variance(basis, problem.prior), constants, sway)
    posterior = solve_rests(seen)
    path = navigate(readings, posterior.estimate[:CONSTANTS])
    path = corrected(path, basis, posterior.estimate, readings.step_s, readings.reference)
    rejected = tuple(r for k, r in enumerate(order) if k not in kept)
    return Solution(path, basis, posterior, tuple(sorted(order[k] for k in kept)), rejected, sway)


def _sway(problem: Problem, rests: tuple[Rest, ...]) -> SwayModel:
    """Sway as it usually is, moved by what is seen in these rests."""
    s = problem.settings
    noise = np.asarray(problem.prior.accel_noise)
    x, y, z = sway_of(rests, np.array(s.sway_mps), s.sway_worth, s.sway_memory_s, noise).tolist()
    return SwayModel((x, y, z), s.sway_memory_s, s.sway_turn_rad)


def _believable(seen: Seen, n_rests: int, s: BarSettings) -> BoolArray:
    """Which measurements to use: rests are taken in one by one, the first is stance.

    Left out are rests that contradict the ones before, and the gyroscope of those in which the bar turns steadily.
    """
    used = seen.rest == 0
    for k in range(1, n_rests):
        misfit = rest_misfit(seen, used, k)
        if misfit.speed <= s.misfit_limit or misfit.speed_mps <= s.misfit_mps:
            used |= (seen.rest == k) & (~seen.turn if misfit.turn > s.misfit_turn else True)
    return np.asarray(used)
