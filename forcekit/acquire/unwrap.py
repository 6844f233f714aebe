"""A counter that wraps becomes one that does not; repeats, late packets and restarts are told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forcekit.model import BoolArray, FloatArray

__all__ = ["Unwrapped", "unwrap"]

LATE_S = 1.0
"""A stamp up to this much before the newest one, and as soon after it, is a repeat or came late; otherwise a stamp
further back is a restart (our choice)."""

AHEAD_S = 60.0
"""A stamp this much further ahead than the laptop's clock has moved means that the clock restarted; less is a
backlog that the laptop or the radio held up (our choice)."""


@dataclass(frozen=True, slots=True)
class Unwrapped:
    """Newest stamp and where it stands.

    Attributes
    ----------
    last : float, tick
        Newest stamp, wraps taken out; None before the first.
    host_s : float, second
        Laptop's clock when it came.
    epoch : int
        Counts restarts of the device's clock.
    was_down : bool
        The link was down since, so that whole wraps may have been missed.
    """

    last: float | None = None
    host_s: float = 0.0
    epoch: int = 0
    was_down: bool = False


def unwrap(
    stamps: npt.ArrayLike, state: Unwrapped, *, modulus: float | None, tick_s: float, host_s: float
) -> tuple[FloatArray, npt.NDArray[np.int64], BoolArray, Unwrapped]:
    """Stamps without wraps, the epoch of each, which of them to keep, and the new state.

    Parameters
    ----------
    stamps : array, shape (n,), tick
        As sent, in the order of arrival, all from one arrival.
    modulus : float, tick
        Where the counter wraps to zero; None if it never does.
    tick_s : float, second
        Seconds per tick.
    host_s : float, second
        Laptop's clock at this arrival.

    Notes
    -----
    Repeats and late stamps are not kept, for their samples are there already or were passed over. A wrap
    that was missed whole is only considered if the link was down or the counter takes longer than a minute to
    wrap: otherwise a laptop that was busy would be taken for a loss.
    """
    raw = np.asarray(stamps, np.float64)
    ahead = raw[1:] - raw[:-1]
    if modulus is not None:
        ahead = np.mod(ahead, modulus)
    new = _place(float(raw[0]), state, modulus, tick_s, host_s)
    simple = raw.size == 1 or bool(np.all((ahead > 0.0) & (ahead * tick_s < LATE_S)))
    if new is not None and simple:
        assert new.last is not None
        ticks = np.full(raw.size, new.last)
        ticks[1:] += np.cumsum(ahead)
        epochs = np.full(raw.size, new.epoch, np.int64)
        after = Unwrapped(float(ticks[-1]), host_s, new.epoch)
        return ticks, epochs, np.ones(raw.size, np.bool_), after
    return _one_by_one(raw, state, modulus, tick_s, host_s)


def _one_by_one(
    raw: FloatArray, state: Unwrapped, modulus: float | None, tick_s: float, host_s: float
) -> tuple[FloatArray, npt.NDArray[np.int64], BoolArray, Unwrapped]:
    ticks, epochs = np.zeros(raw.size), np.zeros(raw.size, np.int64)
    keep = np.zeros(raw.size, np.bool_)
    for i, stamp in enumerate(raw.tolist()):
        new = _place(stamp, state, modulus, tick_s, host_s)
        if new is not None:
            assert new.last is not None
            state = new
            ticks[i], epochs[i], keep[i] = new.last, new.epoch, True
    return ticks, epochs, keep, state


def _place(stamp: float, state: Unwrapped, modulus: float | None, tick_s: float, host_s: float) -> Unwrapped | None:
    """State after one stamp; None when it repeats or comes late."""
    if state.last is None:
        return Unwrapped(stamp, host_s, state.epoch)
    step = stamp - state.last
    elapsed = (host_s - state.host_s) / tick_s
    if modulus is not None:
        step = step % modulus
        if state.was_down or modulus * tick_s > AHEAD_S:
            step += modulus * max(round((elapsed - step) / modulus), 0)
        back = modulus - step if step < modulus else np.inf
    else:
        back = -step if step <= 0.0 else np.inf
    # A short counter cannot tell "late" from "much later": then the shorter way is taken.
    late = back * tick_s <= LATE_S and (back < abs(step) or step < 0.0)
    if step == 0.0 or (late and elapsed * tick_s <= LATE_S and not state.was_down):
        return None
    if step < 0.0 or (step - elapsed) * tick_s > AHEAD_S:
        return Unwrapped(stamp, host_s, state.epoch + 1)
    return Unwrapped(state.last + step, host_s, state.epoch)
