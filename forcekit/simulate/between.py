"""What lifters do between lifts, as chunks of motion: stepping on and off, the rack, walking out, fidgeting.

Every step is a function from an `Ask` (how things stand, what is wanted) to chunks and how things stand afterwards.
Each ends with everybody at rest. `STEPS` lists them by name with the state they need.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forcekit.model import FloatArray
from forcekit.simulate.motion import Chunk
from forcekit.simulate.path import lift_chunk, standing_heights
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.shapes import Piece, evaluate, hold, settle, smooth_step, through

__all__ = ["STEPS", "Ask", "Scene", "Step", "StepName"]

StepName = Literal[
    "empty", "step on", "unrack", "walk out", "stand", "regrip", "shrug", "aborted dip", "chat", "lift", "come back",
    "walk in", "rerack", "step off", "load", "spotter", "disc on plate",
]  # fmt: skip

_OFF_M = -0.75
_RACK_M = 0.36
_RACK_DIP_M = 0.05
_SPOTTER_N = 790.0
_DISC_N = 196.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a script.

    `seconds` stretches the step where that makes sense; `plan` belongs to a lift, `bar_kg` to loading.
    """

    name: StepName
    seconds: float = 2.0
    plan: LiftPlan | None = None
    bar_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """How things stand between two steps, everybody at rest."""

    plan: LiftPlan
    ahead_m: float
    """How far in front of the lifting place the lifter stands."""
    on: float
    """Part of the force that meets the plate."""
    held: bool
    """Whether the bar is on the shoulders; else it is in the rack."""


@dataclass(frozen=True, slots=True, eq=False)
class Ask:
    """What a step function gets."""

    scene: Scene
    step: Step
    rate_hz: float
    rng: np.random.Generator

    def times(self, seconds: float) -> FloatArray:
        """Times of a chunk of this length."""
        return np.arange(max(round(seconds * self.rate_hz), 1)) / self.rate_hz


Done = tuple[list[Chunk], Scene]


def at_rack_m(plan: LiftPlan) -> float:
    """How far in front of the lifting place the lifter stands when the racked bar lies on the shoulders."""
    own = 1.0 - plan.bar_mass_kg / plan.system_mass_kg
    return _RACK_M - plan.stance_pressure_of_foot * plan.foot_length_m - own * plan.bar_ahead_m


def off_m(plan: LiftPlan) -> float:
    """How far in front of the lifting place (behind it, that is) the lifter waits beside the plate."""
    part = plan.bar_mass_kg / plan.system_mass_kg
    return _OFF_M - plan.stance_pressure_of_foot * plan.foot_length_m + part * plan.bar_ahead_m


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Moves:
    """What moves on top of standing; all starts and ends at rest.

    `z` moves body and shoulders from `z0`, `gap` the bar against the shoulders (the body stays), `x` the whole lifter
    from `x0` (left out, where the lifter is). `cop` adds to the pressure, which is where the lifter is, or where the
    `feet` are while the body is still on its way.
    """

    z: Sequence[Piece] = ()
    z0: float = 0.0
    gap: Sequence[Piece] = ()
    x: Sequence[Piece] = ()
    x0: float | None = None
    shaft: Sequence[Piece] = ()
    left: Sequence[tuple[float, float, float]] = ()
    left0: float | None = None
    cop: Sequence[tuple[float, float, float]] = ()
    feet: float | None = None
    on: FloatArray | None = None
    support: FloatArray | None = None
    extra: FloatArray | None = None
    whip_m: float = 0.0
    whip_at_s: float = 0.0


_STILL = Moves()


def _stand(ask: Ask, seconds: float, moves: Moves = _STILL) -> Chunk:
    """Standing with pieces of motion on top; a racked bar stays where it is."""
    plan, held, t_s = ask.scene.plan, ask.scene.held, ask.times(seconds)
    n, zero = t_s.size, np.zeros(t_s.size)
    part = plan.bar_mass_kg / plan.system_mass_kg
    stance = plan.stance_pressure_of_foot * plan.foot_length_m
    weight = plan.bar_mass_kg * plan.gravity_mps2
    walk = evaluate(moves.x, t_s, start=ask.scene.ahead_m if moves.x0 is None else moves.x0)
    arms, body = evaluate(moves.gap, t_s), evaluate(moves.z, t_s, start=moves.z0)
    x_body = walk + _constant(stance - part * plan.bar_ahead_m)
    support = (zero if held else zero + weight) if moves.support is None else moves.support
    # What the rack carries of the bar takes the pressure back under the body's own centre of mass.
    under = stance - part * plan.bar_ahead_m * support / weight
    x_bar, z_bar = _bar_rows(plan, held, x_body, body, arms)
    return Chunk(
        z_body=body + _constant(standing_heights(plan)[0]),
        z_bar=z_bar,
        x_body=x_body,
        x_bar=x_bar,
        shaft=evaluate(moves.shaft, t_s),
        gap=arms[0] if held else zero,
        cop_x_m=(walk[0] if moves.feet is None else zero + moves.feet) + under + through(t_s, moves.cop, 0.0),
        left=through(t_s, moves.left, plan.left_share if moves.left0 is None else moves.left0),
        on_plate=np.full(n, ask.scene.on) if moves.on is None else moves.on,
        support_n=support,
        extra_n=zero if moves.extra is None else moves.extra,
        alive=np.ones(n),
        bar_kg=plan.bar_mass_kg,
        carried=held,
        whips=((moves.whip_at_s, moves.whip_m),) if moves.whip_m > 0.0 and held else (),
    )


def _bar_rows(
    plan: LiftPlan, held: bool, x_body: FloatArray, z_body: FloatArray, arms: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Forward and vertical motion of the bar on the shoulders, or still in the rack."""
    z_bar0, still = standing_heights(plan)[1], np.zeros_like(x_body)
    if held:
        return x_body + _constant(plan.bar_ahead_m), plan.shoulders_per_body * z_body + arms + _constant(z_bar0)
    return still + _constant(_RACK_M), still + _constant(z_bar0 - plan.shoulders_per_body * _RACK_DIP_M)


def _constant(value: float) -> FloatArray:
    return np.array([[value], [0.0], [0.0]])


def _with(ask: Ask, **changes: object) -> Ask:
    return dataclasses.replace(ask, scene=dataclasses.replace(ask.scene, **changes))  # type: ignore[arg-type]


# ---------------------------------------------------------------------------------------------- on and off


def _empty(ask: Ask) -> Done:
    return [_stand(ask, ask.step.seconds, Moves(x0=off_m(ask.scene.plan)))], ask.scene


def _step_on(ask: Ask) -> Done:
    """Left foot, then right foot, to the rack."""
    t_s = ask.times(2.0)
    target, start = at_rack_m(ask.scene.plan), off_m(ask.scene.plan)
    chunk = _stand(
        ask,
        2.0,
        Moves(
            z=[hold(0.0, 0.5), settle(0.012, 0.4), settle(-0.012, 0.45)],
            x=[settle(target - start, 1.6)],
            x0=start,
            left=[(0.8, 1.25, ask.scene.plan.left_share)],
            left0=1.0,
            feet=target,
            on=0.45 * smooth_step(t_s, 0.35, 0.65) + 0.55 * smooth_step(t_s, 0.75, 1.15),
        ),
    )
    return [chunk], dataclasses.replace(ask.scene, on=1.0, ahead_m=target)


def _step_off(ask: Ask) -> Done:
    t_s = ask.times(2.0)
    chunk = _stand(
        ask,
        2.0,
        Moves(
            z=[hold(0.0, 0.3), settle(0.01, 0.4), settle(-0.01, 0.45)],
            x=[settle(off_m(ask.scene.plan) - ask.scene.ahead_m, 1.6)],
            left=[(0.25, 0.7, 0.0)],
            feet=ask.scene.ahead_m,
            on=1.0 - 0.5 * smooth_step(t_s, 0.3, 0.7) - 0.5 * smooth_step(t_s, 0.75, 1.05),
        ),
    )
    return [chunk], dataclasses.replace(ask.scene, on=0.0)


def _come_back(ask: Ask) -> Done:
    """Step back onto the plate with the bar on the shoulders, after feet that landed off it."""
    t_s = ask.times(2.0)
    chunk = _stand(
        ask,
        2.0,
        Moves(
            z=[hold(0.0, 0.4), settle(0.01, 0.4), settle(-0.01, 0.45)],
            left=[(0.9, 1.4, ask.scene.plan.left_share)],
            left0=1.0,
            on=0.5 * smooth_step(t_s, 0.3, 0.7) + 0.5 * smooth_step(t_s, 0.9, 1.4),
        ),
    )
    return [chunk], dataclasses.replace(ask.scene, on=1.0)


# ------------------------------------------------------------------------------------------------ the rack


def _unrack(ask: Ask) -> Done:
    """Go under the bar, press against it until the rack carries nothing, stand up with it."""
    weight = ask.scene.plan.bar_mass_kg * ask.scene.plan.gravity_mps2
    taken = _with(ask, held=True)
    support = weight * (1.0 - smooth_step(ask.times(2.2), 0.1, 0.8))
    up = _stand(
        taken,
        2.2,
        Moves(
            z=[hold(0.0, 0.9), settle(_RACK_DIP_M, 0.8)], z0=-_RACK_DIP_M, support=support, whip_m=0.0015, whip_at_s=0.9
        ),
    )
    return [_stand(ask, 1.0, Moves(z=[settle(-_RACK_DIP_M, 0.8)])), up], taken.scene


def _rerack(ask: Ask) -> Done:
    """Put the bar into the rack and stand up without it."""
    weight = ask.scene.plan.bar_mass_kg * ask.scene.plan.gravity_mps2
    left_there = _with(ask, held=False)
    support = weight * smooth_step(ask.times(1.8), 1.0, 1.6)
    down = _stand(ask, 1.8, Moves(z=[settle(-_RACK_DIP_M, 0.9)], support=support))
    up = _stand(left_there, 1.2, Moves(z=[settle(_RACK_DIP_M, 0.8)], z0=-_RACK_DIP_M))
    return [down, up], left_there.scene


def _walk_out(ask: Ask) -> Done:
    return [_walk(ask, -ask.scene.ahead_m)], dataclasses.replace(ask.scene, ahead_m=0.0)


def _walk_in(ask: Ask) -> Done:
    distance = at_rack_m(ask.scene.plan) - ask.scene.ahead_m
    return [_walk(ask, distance)], dataclasses.replace(ask.scene, ahead_m=ask.scene.ahead_m + distance)


def _walk(ask: Ask, distance_m: float) -> Chunk:
    """Three short steps, the weight on one foot and then the other."""
    share = ask.scene.plan.left_share
    return _stand(
        ask,
        3.4,
        Moves(
            z=[hold(0.0, 0.3)] + 3 * [settle(0.012, 0.45), settle(-0.012, 0.45)],
            x=[hold(0.0, 0.3), settle(distance_m, 2.7)],
            left=[(0.2, 0.6, 1.0), (1.0, 1.4, 0.0), (1.9, 2.3, 1.0), (2.7, 3.1, share)],
            whip_m=0.001,
        ),
    )


# ----------------------------------------------------------------------------------------------- fidgeting


def _stand_still(ask: Ask) -> Done:
    return [_stand(ask, ask.step.seconds)], ask.scene


def _chat(ask: Ask) -> Done:
    """Shift the weight from foot to foot and along the feet."""
    seconds, rng = max(ask.step.seconds, 1.5), ask.rng
    left, cop, t = [], [], 0.1
    while t + 1.6 < seconds:
        pause = float(rng.uniform(0.5, 0.9))
        left.append((t, t + pause, float(rng.uniform(0.25, 0.75))))
        cop.append((t, t + pause, float(rng.uniform(-0.04, 0.05))))
        t += pause + float(rng.uniform(0.1, 1.0))
    last = seconds - 0.6
    left.append((last, last + 0.5, ask.scene.plan.left_share))
    cop.append((last, last + 0.5, 0.0))
    return [_stand(ask, seconds, Moves(left=left, cop=cop))], ask.scene


def _regrip(ask: Ask) -> Done:
    """Let the bar up a little with the hands and turn the elbows."""
    lift = float(ask.rng.uniform(0.008, 0.02))
    turn = float(ask.rng.uniform(0.1, 0.3))
    moves = [hold(0.0, 0.1), settle(lift, 0.3), settle(-lift, 0.28)]
    chunk = _stand(ask, 1.2, Moves(gap=moves, shaft=[settle(-turn, 0.35), settle(turn, 0.35)], whip_m=0.0006))
    return [chunk], ask.scene


def _shrug(ask: Ask) -> Done:
    """Shoulders up and down with the bar, the rest of the body still."""
    lift = float(ask.rng.uniform(0.02, 0.04))
    return [_stand(ask, 1.6, Moves(gap=[settle(lift, 0.5), settle(-lift, 0.55)], whip_m=0.0006))], ask.scene


def _aborted_dip(ask: Ask) -> Done:
    """Begin a dip, stop, and stand up again slowly."""
    depth = float(ask.rng.uniform(0.04, 0.10))
    down, wait, up = (float(ask.rng.uniform(*band)) for band in ((0.40, 0.7), (0.0, 0.8), (0.75, 1.4)))
    pieces = [hold(0.0, 0.2), settle(-depth, down), hold(0.0, wait), settle(depth, up)]
    return [_stand(ask, down + wait + up + 0.5, Moves(z=pieces))], ask.scene


# ------------------------------------------------------------------------------------------- lifts and loads


def _lift(ask: Ask) -> Done:
    """Take the stance of the plan, lift, and bring the bar back to the shoulders."""
    plan, now = ask.step.plan, ask.scene.plan
    if plan is None:
        raise ValueError("a lift needs a plan")
    if plan.bar_mass_kg != now.bar_mass_kg:
        raise ValueError(f"a lift is planned with {plan.bar_mass_kg} kg, but {now.bar_mass_kg} kg are on the bar")
    plan = dataclasses.replace(plan, lower_bar=True, bar_ahead_m=now.bar_ahead_m)
    lean = plan.stance_pressure_of_foot * plan.foot_length_m - now.stance_pressure_of_foot * now.foot_length_m
    ready = _stand(ask, 0.8, Moves(x=[settle(lean, 0.7)], left=[(0.0, 0.7, plan.left_share)]))
    chunk = lift_chunk(plan, rate_hz=ask.rate_hz)
    after = plan.landing if plan.feet_leave and plan.landing == 0.0 else 1.0
    # The rack stays as high as it was, whatever way of dipping the plan has.
    kept = dataclasses.replace(plan, shoulders_per_body=now.shoulders_per_body)
    return [ready, chunk], dataclasses.replace(ask.scene, plan=kept, on=after)


def _load(ask: Ask) -> Done:
    """Put other discs on the racked bar."""
    kg = ask.step.bar_kg if ask.step.bar_kg is not None else ask.scene.plan.bar_mass_kg
    loaded = _with(ask, plan=dataclasses.replace(ask.scene.plan, bar_mass_kg=kg))
    return [_stand(loaded, ask.step.seconds, Moves(x0=off_m(loaded.scene.plan)))], loaded.scene


def _spotter(ask: Ask) -> Done:
    """Somebody else walks over the plate."""
    seconds = max(ask.step.seconds, 2.0)
    t_s = ask.times(seconds)
    there = smooth_step(t_s, 0.3, 0.8) - smooth_step(t_s, seconds - 0.8, seconds - 0.3)
    wobble = 1.0 + 0.06 * np.sin(2.0 * np.pi * 1.9 * t_s) * there
    x0, feet = (off_m(ask.scene.plan), 0.0) if ask.scene.on == 0.0 else (None, None)
    return [_stand(ask, seconds, Moves(x0=x0, feet=feet, extra=_SPOTTER_N * there * wobble))], ask.scene


def _disc(ask: Ask) -> Done:
    """A disc is put down on the plate and taken away again."""
    seconds = max(ask.step.seconds, 1.5)
    t_s = ask.times(seconds)
    there = smooth_step(t_s, 0.2, 0.26) - smooth_step(t_s, seconds - 0.5, seconds - 0.3)
    knock = 1.5 * np.exp(-(((t_s - 0.26) / 0.02) ** 2))
    return [_stand(ask, seconds, Moves(x0=off_m(ask.scene.plan), feet=0.0, extra=_DISC_N * (there + knock)))], ask.scene


_ON_WITH, _ON_WITHOUT, _OFF_WITH, _OFF_WITHOUT = (True, True), (True, False), (False, True), (False, False)

STEPS: dict[StepName, tuple[tuple[tuple[bool, bool], ...], Callable[[Ask], Done]]] = {
    "empty": ((_OFF_WITHOUT,), _empty),
    "step on": ((_OFF_WITHOUT,), _step_on),
    "unrack": ((_ON_WITHOUT,), _unrack),
    "walk out": ((_ON_WITH,), _walk_out),
    "stand": ((_ON_WITH, _ON_WITHOUT), _stand_still),
    "regrip": ((_ON_WITH,), _regrip),
    "shrug": ((_ON_WITH,), _shrug),
    "aborted dip": ((_ON_WITH,), _aborted_dip),
    "chat": ((_ON_WITH, _ON_WITHOUT), _chat),
    "lift": ((_ON_WITH,), _lift),
    "come back": ((_OFF_WITH,), _come_back),
    "walk in": ((_ON_WITH,), _walk_in),
    "rerack": ((_ON_WITH,), _rerack),
    "step off": ((_ON_WITHOUT,), _step_off),
    "load": ((_OFF_WITHOUT,), _load),
    "spotter": ((_OFF_WITHOUT, _ON_WITHOUT), _spotter),
    "disc on plate": ((_OFF_WITHOUT,), _disc),
}
"""Step -> the states it can begin in (lifter on the plate, bar held) and its function."""
