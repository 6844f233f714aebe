"""From the readings of a sensor on the shaft to how the bar's middle moved, with the covariance of all of it.

One entry, `bar_motion`: readings, a stance, the rests, and what is known of the sensor go in; a `BarMotion`
comes out. `bar_readout` reads numbers with uncertainty from it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from forcekit.constants import STANDARD_GRAVITY_MPS2
from forcekit.errors import CannotMeasure, InputError, Reason
from forcekit.mechanics.bar_axis import ShaftAxis, declared_axis, find_shaft_axis
from forcekit.mechanics.bar_fit import BarSettings, Problem, Solution, believed, solve
from forcekit.mechanics.bar_solution import aligned, bar_angle, to_middle
from forcekit.mechanics.rest_basis import ACCEL_BIAS, GYRO_BIAS, Basis, Quantity
from forcekit.mechanics.rest_smoother import Posterior, SwayModel
from forcekit.model import BoolArray, FloatArray

__all__ = ["BarMotion", "BarSettings", "bar_motion"]

SHORTEST_STANCE_S = 0.3
"""Less stillness does not tell level and gyroscope bias (our choice)."""
GRAVITY_TOLERANCE = 0.2
"""A force at rest further from gravity than this part has the wrong unit or scale (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class BarMotion:
    """How the bar's middle moved, in the level frame (x forward, y left, z up).

    Attributes
    ----------
    t_s : array, shape (n,)
        Seconds from the window's first sample.
    rate_hz : float
    acceleration_mps2, velocity_mps, travel_m : array, shape (n, 3)
        Travel is counted from its mean over stance. Without a gyroscope only column 2 (up) means anything and
        the others are NaN.
    shaft_angle_rad : array, shape (n,), or None
        Rotation about the shaft from stance, positive when the elbows go up (right-handed about -y).
    stance : (int, int)
    rests, rejected : tuple of (int, int)
        Rests used, stance included, and those that contradict the others.
    axis : ShaftAxis or None
        Direction of the shaft; `axis.sign_known` False means forward/back and elbows up/down may be swapped.
    has_gyro : bool
    sway : SwayModel
        As used.
    accel_noise : float
        As used, m/s² per root hertz.
    arm_noise_mps2, arm_noise_mps : float
        Standard deviation of acceleration and velocity of the middle by the gyroscope's noise times the arm; it lasts
        for about as long as the rate of turn is smoothed, so that neighbouring samples share it.
    accel_bias_mps2, gyro_bias_radps : array, shape (3,)
        As estimated, in the sensor's axes.
    arm_m, turn_radps : array, shape (n, 3)
        From the bar's middle to the sensor, and the rate of turn, in the level frame.
    attitude : array, shape (n, 3, 3)
        Rotation from the sensor's axes to the level frame.
    basis, posterior : the error model and what the rests left of it; see `bar_readout`
    stance_rows : mapping of "travel" and "attitude" to array, shape (3, n_sources)
        Mean rows of the error model over stance, from which travel and angle are counted.
    notes : tuple of str
    known : dict
        Parts that were asked for before, by quantity and instant; the same few instants are asked for again and again.
    """

    t_s: FloatArray
    rate_hz: float
    acceleration_mps2: FloatArray
    velocity_mps: FloatArray
    travel_m: FloatArray
    shaft_angle_rad: FloatArray | None
    stance: tuple[int, int]
    rests: tuple[tuple[int, int], ...]
    rejected: tuple[tuple[int, int], ...]
    axis: ShaftAxis | None
    has_gyro: bool
    sway: SwayModel
    accel_noise: float
    arm_noise_mps2: float
    arm_noise_mps: float
    accel_bias_mps2: FloatArray
    gyro_bias_radps: FloatArray
    arm_m: FloatArray
    turn_radps: FloatArray
    attitude: FloatArray
    basis: Basis
    posterior: Posterior
    stance_rows: dict[Quantity, FloatArray]
    notes: tuple[str, ...] = ()
    known: dict[tuple[str, float], FloatArray] = field(default_factory=dict)

    @property
    def rests_after(self) -> bool:
        """True when the bar came to rest again after stance."""
        return any(a >= self.stance[1] for a, _ in self.rests)


def bar_motion(
    accel_mps2: FloatArray,
    gyro_radps: FloatArray | None,
    rate_hz: float,
    *,
    stance: tuple[int, int],
    rests: tuple[tuple[int, int], ...] = (),
    shaft_axis: str | ShaftAxis | None = None,
    from_middle_m: float = 0.0,
    lever_m: FloatArray | None = None,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
    unusable: BoolArray | None = None,
    settings: BarSettings | None = None,
) -> BarMotion:
    """How the bar's middle moved over one lift.

    Parameters
    ----------
    accel_mps2 : array, shape (n, 3)
        Specific force in the sensor's axes on a uniform clock: at rest it points up with the size of gravity.
    gyro_radps : array, shape (n, 3), or None
    rate_hz : float
    stance : (int, int)
        First and last+1 sample of the rest before the dip; heading and level are taken there.
    rests : tuple of (int, int)
        All other rests in the window (those that overlap stance are ignored), as from
        `bar_stillness.bar_rests`.
    shaft_axis : str or ShaftAxis, optional
        Sensor axis that points left along the shaft, or its direction in the sensor; found from the movement if left
        out.
    from_middle_m : float, metre
        Place of the sensor along the shaft, positive to the left.
    lever_m : array, shape (3,), optional
        From the bar's middle to the sensor in the sensor's axes; replaces `from_middle_m`.
    gravity_mps2 : float
    unusable : array of bool, shape (n,), optional
        Samples that were missing or saturated.
    settings : BarSettings, optional

    Notes
    -----
    Attitude from the gyroscope with exact increments, level and gyroscope bias from stance, acceleration
    turned into the level frame, integrated, moved to the middle of the bar; then corrected so that velocity
    is zero at every rest in the sense of one weighted least-squares problem over all sources of error
    (`rest_smoother`). The problem is solved twice, the second time around the corrected solution. A rest that
    contradicts stance is dropped with a note. Without a rest after the lift the covariance grows with time as
    it must, above all horizontally. Without a gyroscope the attitude is taken as constant, its possible
    change is added to the uncertainty, and only the vertical is given. Where the direction of the shaft is
    neither declared nor told by the movement (`axis` None and a note) only the vertical is given, too.

    Raises
    ------
    CannotMeasure
        `Reason.NO_STANCE` (shorter than 0.3 s), `Reason.GAP` (unusable samples between first and last rest).
    InputError
        If readings are not finite or the mean force in stance is not gravity within 20 %.
    """
    s = settings or BarSettings()
    _check(accel_mps2, gyro_radps, rate_hz, stance, gravity_mps2)
    others = tuple(r for r in sorted(rests) if r[1] <= stance[0] or r[0] >= stance[1])
    _check_usable(unusable, (stance, *others), rate_hz)
    axis, notes = _axis(accel_mps2, gyro_radps, rate_hz, stance, others, shaft_axis)
    if gyro_radps is None:
        others, dropped = _same_attitude(accel_mps2, stance, others, s.wander_rad)
        notes += dropped
    seed = np.eye(3)[int(np.argmin(np.abs(accel_mps2[stance[0] : stance[1]].mean(axis=0))))]
    turn = np.zeros_like(accel_mps2) if gyro_radps is None else gyro_radps
    readings = aligned(
        accel_mps2, turn, 1.0 / rate_hz, stance=stance, left=seed if axis is None else axis.left,
        gravity_mps2=gravity_mps2,
    )  # fmt: skip
    prior = believed(s, axis, gyro_radps is not None, gravity_mps2)
    lever = np.zeros(3) if axis is None else from_middle_m * axis.left
    if lever_m is not None:
        lever = np.asarray(lever_m, dtype=np.float64)
    problem = Problem(readings, prior, lever, s)
    solution = solve(problem, stance, others)
    return _assembled(solution, problem, stance, axis, notes)


def _check(accel: FloatArray, gyro: FloatArray | None, rate_hz: float, stance: tuple[int, int], gravity: float) -> None:
    for name, values in (("accelerometer", accel), ("gyroscope", gyro)):
        if values is None:
            continue
        if values.ndim != 2 or values.shape != (accel.shape[0], 3):
            raise ValueError(f"{name}: shape {values.shape}, wanted ({accel.shape[0]}, 3)")
        if not np.isfinite(values).all():
            raise InputError(f"the bar's {name} holds values that are not numbers; fill or cut the gaps first.")
    if (stance[1] - stance[0]) / rate_hz < SHORTEST_STANCE_S:
        raise CannotMeasure(
            Reason.NO_STANCE,
            f"the bar is still for {(stance[1] - stance[0]) / rate_hz:.2f} s, {SHORTEST_STANCE_S} s are needed",
        )
    size = float(np.linalg.norm(accel[stance[0] : stance[1]].mean(axis=0)))
    if abs(size / gravity - 1.0) > GRAVITY_TOLERANCE:
        raise InputError(
            f"the bar's accelerometer reads {size:.3g} m/s² at rest where gravity is {gravity:.2f} m/s²; "
            "check its unit (g or m/s²) and scale in the device file."
        )


def _check_usable(unusable: BoolArray | None, rests: tuple[tuple[int, int], ...], rate_hz: float) -> None:
    if unusable is None:
        return
    first, last = min(a for a, _ in rests), max(b for _, b in rests)
    last = last if len(rests) > 1 else unusable.size
    bad = np.flatnonzero(unusable[first:last])
    if bad.size:
        raise CannotMeasure(
            Reason.GAP,
            f"{bad.size} samples of the bar sensor are missing or at their limit, the first at "
            f"{(first + bad[0]) / rate_hz:.3f} s of the window; motion cannot be integrated across them",
        )


def _same_attitude(
    accel: FloatArray, stance: tuple[int, int], others: tuple[tuple[int, int], ...], limit_rad: float
) -> tuple[tuple[tuple[int, int], ...], tuple[str, ...]]:
    """Rests in which gravity points the same way in the sensor as in stance.

    A bar held overhead has usually rolled. When and how is not seen without a gyroscope, and to demand zero velocity
    there would bend the whole path: by centimetres already for a turn of 20 degrees.
    """
    up = accel[stance[0] : stance[1]].mean(axis=0)
    kept = []
    for first, last in others:
        force = accel[first:last].mean(axis=0)
        cosine = float(force @ up) / float(np.linalg.norm(force) * np.linalg.norm(up))
        if cosine > np.cos(limit_rad):
            kept.append((first, last))
    if len(kept) == len(others):
        return others, ()
    return tuple(kept), (
        "The bar had rolled before it came to rest again; without a gyroscope that rest cannot be used.",
    )


def _axis(
    accel: FloatArray,
    gyro: FloatArray | None,
    rate_hz: float,
    stance: tuple[int, int],
    others: tuple[tuple[int, int], ...],
    given: str | ShaftAxis | None,
) -> tuple[ShaftAxis | None, tuple[str, ...]]:
    """Direction of the shaft, or None and a note why not."""
    if isinstance(given, ShaftAxis):
        return given, ()
    if given is not None:
        return declared_axis(given), ()
    if gyro is None:
        return None, ()
    after = [a for a, _ in others if a >= stance[1]]
    moving = (stance[1], min(after) if after else accel.shape[0])
    try:
        axis = find_shaft_axis(accel, gyro, rate_hz, stance=stance, moving=moving)
    except CannotMeasure as reason:
        return None, (f"{str(reason)[0].upper()}{str(reason)[1:]}.",)
    return axis, (
        f"Shaft: {axis.how}. Forward and back, elbows up and down may be swapped; declare shaft_axis to be sure.",
    )


def _assembled(
    solution: Solution,
    problem: Problem,
    stance: tuple[int, int],
    axis: ShaftAxis | None,
    notes: tuple[str, ...],
) -> BarMotion:
    path, step_s, s = solution.path, problem.readings.step_s, problem.settings
    acceleration, velocity, travel, arm, turn = to_middle(path, problem.lever_m, step_s, s.turn_smooth_s)
    travel = travel - travel[stance[0] : stance[1]].mean(axis=0)
    has_gyro = problem.prior.gyro_measured
    angle = None
    if has_gyro and axis is not None:
        angle = bar_angle(path.attitude, axis.left, stance, problem.readings.reference)
    else:
        level_unknown = np.array([np.nan, np.nan, 0.0])
        acceleration, velocity, travel = (a + level_unknown for a in (acceleration, velocity, travel))
    notes += tuple(
        f"The bar looks at rest from {a * step_s:.2f} to {b * step_s:.2f} s of the window, but the rests before say "
        "that it moves; this rest was not used."
        for a, b in solution.rejected
    )
    # White noise through a Gaussian, and through its slope: the integrals of their squares.
    level = problem.prior.gyro_noise * float(np.linalg.norm(problem.lever_m)) if has_gyro else 0.0
    arm_noise = level / (2.0 * np.pi**0.5 * s.turn_smooth_s) ** 0.5
    # A dozen instants are enough: the error of a mean over a rest varies slowly.
    within = np.linspace(stance[0], stance[1] - 1, 12) * step_s
    counted: tuple[Quantity, ...] = ("travel", "attitude")
    stance_rows = {name: solution.basis.rows(name, within).mean(axis=0) for name in counted}
    return BarMotion(
        t_s=step_s * np.arange(travel.shape[0]),
        rate_hz=1.0 / step_s,
        acceleration_mps2=acceleration,
        velocity_mps=velocity,
        travel_m=travel,
        shaft_angle_rad=angle,
        stance=stance,
        rests=solution.used,
        rejected=solution.rejected,
        axis=axis,
        has_gyro=has_gyro,
        sway=solution.sway,
        accel_noise=s.accel_noise,
        arm_noise_mps2=arm_noise / (2.0**0.5 * s.turn_smooth_s),
        arm_noise_mps=arm_noise,
        accel_bias_mps2=solution.posterior.estimate[ACCEL_BIAS],
        gyro_bias_radps=solution.posterior.estimate[GYRO_BIAS],
        arm_m=arm,
        turn_radps=turn,
        attitude=path.attitude,
        basis=solution.basis,
        posterior=solution.posterior,
        stance_rows=stance_rows,
        notes=notes,
    )
