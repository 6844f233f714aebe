"""Guided calibration of a plate: it says what to put where, waits until it stands still, and takes the reading."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from forcekit.acquire.arrival import host_now
from forcekit.acquire.capture import Capture, Planned
from forcekit.acquire.named_devices import planned_of
from forcekit.acquire.placements import MassPlan
from forcekit.acquire.samples import Batch
from forcekit.errors import DeviceError, ForcekitError, InputError
from forcekit.mechanics.plate_calibration import Reading
from forcekit.mechanics.plate_check import cells_of
from forcekit.mechanics.still_loads import DEAD_LOAD_FRAC, Placement, still_loads
from forcekit.model import DeviceFile, FloatArray

__all__ = ["Listener", "guided_readings", "guided_session", "steps_of"]

FIRST_SAMPLE_S = 20.0
"""Longest wait for the device (our choice)."""

STILL_WAIT_S = 20.0
"""Longest wait until a load stands still before the person is asked again (our choice)."""

SETTLE_S = 1.0
"""Looked at besides the reading itself, half before and half after it."""

Ask = Callable[[str], None]


class Listener:
    """Keeps the samples of one device from a moment on."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._parts: list[FloatArray] = []

    def take(self, number: int, batch: Batch) -> None:
        """Take in what the device sent."""
        with self._lock:
            self._parts.append(batch.raw)

    def clear(self) -> None:
        """Forget what came until now."""
        with self._lock:
            self._parts = []

    def newest(self, n: int) -> FloatArray:
        """Newest n samples, or what there is, shape (m, k)."""
        with self._lock:
            parts = list(self._parts)
        return np.concatenate(parts)[-n:] if parts else np.zeros((0, 1))


def guided_session(
    word: str, masses: MassPlan | tuple[float, ...], output: Path, plate: int, hold_s: float
) -> tuple[DeviceFile, tuple[Reading, ...], MassPlan]:
    """Take the readings of a plan from a live device; all that it sends is kept as a recording beside the output.

    Parameters
    ----------
    word : str
        The device, as for `forcekit.acquire.named_devices.planned_of`.
    masses : MassPlan or tuple of float
        A plan, or masses for the grid.
    output : Path
        The device file to be; the recording is named after it.
    plate : int
    hold_s : float, second
        Length of a reading.

    Raises
    ------
    InputError
        If the device sends nothing, or the person breaks it off.
    """
    from forcekit.cli_calibrate import plan_of

    planned = planned_of(word)
    listener = Listener()
    path = output.with_name(output.name.removesuffix(".toml").removesuffix(".device") + ".calibration.forcelog")
    capture = Capture(path, [planned], on_batch=listener.take)
    try:
        capture.start()
        device, rate_hz = _first(capture, planned)
        plan = plan_of(masses, cells_of(device, plate))
        channels = [c.channel for c in device.plates[plate].cells]
        columns = [[c.name for c in device.channels].index(name) for name in channels]

        def level(seconds: float, span: FloatArray) -> FloatArray:
            return _level(listener, columns, seconds, rate_hz, span)

        readings = guided_readings(plan.placements, level, _ask, hold_s)
    except (ForcekitError, KeyboardInterrupt) as error:
        raise InputError(_ended_early(capture, error)) from None
    finally:
        capture.close()
    print(f"the recording of it is kept: {capture.finish()}")
    if capture.failure:
        print(f"it is not whole, but all readings were taken: {capture.failure}")
    return device, readings, plan


def _ended_early(capture: Capture, error: BaseException) -> str:
    """Say why there is no calibration and what is left; the journal of a device that sent nothing is removed."""
    why = "the guided calibration was broken off." if isinstance(error, KeyboardInterrupt) else str(error)
    capture.close()
    if not any(s.n_samples for s in capture.states()):
        capture.path.unlink(missing_ok=True)
        return f"{why} Nothing was written."
    return (
        f"{why} No device file was written; what the plate sent is kept in {capture.path}: delete it, or name another "
        "--output, before you begin anew."
    )


def steps_of(plan: Sequence[Placement]) -> tuple[Placement | None, ...]:
    """The plan with the empty plate (None) before, after, and wherever the place changes."""
    steps: list[Placement | None] = [None]
    for p in plan:
        last = steps[-1]
        if last is not None and (last.x_m, last.y_m) != (p.x_m, p.y_m):
            steps.append(None)
        steps.append(p)
    return (*steps, None)


def guided_readings(
    plan: Sequence[Placement], level: Callable[[float, FloatArray], FloatArray], ask: Ask, hold_s: float
) -> tuple[Reading, ...]:
    """Readings of a plan, one step after the other.

    Parameters
    ----------
    plan : sequence of Placement
    level : callable
        Waits for a still stretch of so many seconds, given each cell's span so far, and gives its mean.
    ask : callable
        Tells a person what to do and returns when it is done.
    hold_s : float, second
    """
    readings: list[Reading] = []
    steps = steps_of(plan)
    span = np.zeros(4)
    most = 0.0
    for i, step in enumerate(steps, 1):
        ask(f"{i} of {len(steps)}: {_say(step)}, step away and press Enter")
        while True:
            try:
                mean = level(hold_s, span)
            except InputError as error:
                ask(f"  {error} Press Enter to try again")
            else:
                break
        counts = tuple(mean.tolist())
        if step is None:
            most = 0.0
            readings.append(Reading(host_now(), counts))
        else:
            readings.append(Reading(host_now(), counts, step.mass_kg, step.x_m, step.y_m, falling=most > step.mass_kg))
            most = max(most, step.mass_kg)
        all_counts = np.array([r.counts for r in readings])
        span = all_counts.max(axis=0) - all_counts.min(axis=0)
    return tuple(readings)


def _say(step: Placement | None) -> str:
    if step is None:
        return "take everything off the plate"
    x, y = 100.0 * step.x_m, 100.0 * step.y_m
    along = f"{abs(x):.1f} cm {'before' if x > 0 else 'behind'}" if x else "on"
    across = f"{abs(y):.1f} cm {'left of' if y > 0 else 'right of'}" if y else "on"
    return f"put {step.mass_kg:g} kg with its middle {along} and {across} the plate's middle line"


def _ask(text: str) -> None:
    print(text, flush=True)
    try:
        input()
    except EOFError:
        raise InputError("the guided calibration needs somebody at the keyboard.") from None


def _first(capture: Capture, planned: Planned) -> tuple[DeviceFile, float]:
    """Wait until the device has said what it is and sends; its device file and rate."""
    import time

    until = host_now() + FIRST_SAMPLE_S
    while host_now() < until:
        state = capture.states()[0]
        if state.device is not None and state.n_samples > 0:
            rate = state.device.time.rate_hz
            if rate is not None:
                return state.device, rate
            if state.rate_hz > 0.0 and host_now() > until - FIRST_SAMPLE_S + 2.0:
                return state.device, state.rate_hz
        time.sleep(0.02)
    problem = capture.states()[0].problem or "it sends nothing"
    raise DeviceError(f"{planned.address}: no sample came within {FIRST_SAMPLE_S:g} s ({problem}); check the cable.")


def _level(listener: Listener, columns: Sequence[int], seconds: float, rate_hz: float, span: FloatArray) -> FloatArray:
    """Mean of a still stretch that begins after now."""
    import time

    listener.clear()
    n = round((seconds + SETTLE_S) * rate_hz)
    until = host_now() + seconds + SETTLE_S + STILL_WAIT_S
    while host_now() < until:
        time.sleep(0.05)
        values = listener.newest(n)
        if values.shape[0] < n:
            continue
        found = still_loads(values[:, columns], rate_hz, allowed=DEAD_LOAD_FRAC * span, shortest_s=0.9 * seconds)
        if found and found[-1].n >= 0.9 * seconds * rate_hz:
            return found[-1].mean
    raise InputError(f"the plate does not come to rest within {STILL_WAIT_S:g} s; let go of the load.")
