"""Loads that stand still in a recording of a plate, and which of a plan of placements each of them is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forcekit.errors import InputError
from forcekit.mechanics.plate import channel_noise
from forcekit.mechanics.plate_calibration import Reading
from forcekit.mechanics.zero import runs
from forcekit.model import BoolArray, FloatArray

__all__ = ["DEAD_LOAD_FRAC", "Placement", "StillLoad", "grid_plan", "readings_of", "still_loads"]

BLOCK_S = 0.1
"""Samples are averaged over this long before they are judged, so that noise and mains hum do not count as movement."""

WINDOW_S = 1.0
"""Still: over this long the averages keep within what is allowed (our choice)."""

TRIM_S = 0.2
"""Left out at both ends of a still stretch, where a hand is still on the load (our choice)."""

EDGE_S = 0.5
"""How far a time of the plan may lie outside the trimmed stretch (our choice)."""

SHORTEST_S = 1.5
"""Shortest still stretch that counts, after trimming (our choice)."""

DEAD_LOAD_FRAC = 0.002
"""Allowed movement of a cell under a dead load, as a part of its span in the recording, on top of four times its noise
(our choice; a hand that rests on the load moves it more)."""

EMPTY_FRAC = 0.4
"""Less than this part of the least mass is an empty plate (our choice)."""

GRID_FRAC = 0.7
"""Places of the grid, as a part of the way from the middle to the cells (our choice)."""


@dataclass(frozen=True, slots=True)
class Placement:
    """A known mass put on the plate, its middle in metres from the plate's middle; `at_s` tells when it stood there."""

    mass_kg: float
    x_m: float
    y_m: float
    at_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class StillLoad:
    """One load that stands still.

    Attributes
    ----------
    parts : tuple of (int, int)
        Its stretches of samples, first and last+1.
    first_s, t_s, last_s : float, second
        Its begin, its mean time and its end, from the first sample of the recording.
    mean : array, shape (k,)
        Mean of each channel.
    """

    parts: tuple[tuple[int, int], ...]
    first_s: float
    t_s: float
    last_s: float
    mean: FloatArray

    @property
    def n(self) -> int:
        """Number of samples."""
        return sum(b - a for a, b in self.parts)


def still_loads(
    values: FloatArray, rate_hz: float, *, allowed: FloatArray | float, shortest_s: float = SHORTEST_S
) -> tuple[StillLoad, ...]:
    """Stretches in which no channel moves, in order.

    Parameters
    ----------
    values : array, shape (n, k)
        Channels in any unit, evenly sampled.
    rate_hz : float
    allowed : float or array, shape (k,)
        Standard deviation of 0.1 s averages within one second that is still no movement, on top of four times what
        the noise leaves of it.
    shortest_s : float, second

    Notes
    -----
    Neighbouring stretches at one level are one load that was knocked against in between.
    """
    n_block = max(1, round(BLOCK_S * rate_hz))
    n_blocks = values.shape[0] // n_block
    width = round(WINDOW_S / BLOCK_S)
    if n_blocks < width:
        return ()
    blocks = values[: n_blocks * n_block].reshape(n_blocks, n_block, -1).mean(axis=1)
    limit = 4.0 * channel_noise(values) / np.sqrt(n_block) + allowed
    spread = np.lib.stride_tricks.sliding_window_view(blocks, width, axis=0).std(axis=-1)
    quiet = np.flatnonzero(np.all(spread <= limit, axis=1))
    still = np.zeros(n_blocks, dtype=bool)
    for i in range(width):
        still[quiet + i] = True
    trim = round(TRIM_S / BLOCK_S)
    found: list[StillLoad] = []
    for a, b in runs(still):
        if (b - a - 2 * trim) * n_block < shortest_s * rate_hz:
            continue
        part = ((a + trim) * n_block, (b - trim) * n_block)
        load = _load((part,), values, rate_hz)
        if found and np.all(np.abs(found[-1].mean - load.mean) <= 2.0 * limit):
            found[-1] = _load((*found[-1].parts, part), values, rate_hz)
        else:
            found.append(load)
    return tuple(found)


def _load(parts: tuple[tuple[int, int], ...], values: FloatArray, rate_hz: float) -> StillLoad:
    used = np.concatenate([np.arange(a, b) for a, b in parts])
    begin, middle, end = (float(i) / rate_hz for i in (used[0], used.mean(), used[-1]))
    return StillLoad(parts, begin, middle, end, values[used].mean(axis=0))


def grid_plan(masses_kg: Sequence[float], cells_m: FloatArray) -> tuple[Placement, ...]:
    """Plan of placements on 3 by 3 places, at each of them up through the masses and down again.

    Parameters
    ----------
    masses_kg : sequence of float
    cells_m : array, shape (4, 2), metre
    """
    rising = sorted(masses_kg)
    reach = GRID_FRAC * np.abs(cells_m).min(axis=0)
    places = [(i * float(reach[0]), j * float(reach[1])) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    return tuple(Placement(m, round(x, 3), round(y, 3)) for x, y in places for m in (*rising, *rising[-2::-1]))


def readings_of(
    loads: Sequence[StillLoad], plan: Sequence[Placement], scale: FloatArray, source: str
) -> tuple[Reading, ...]:
    """Readings for `calibrate_plate`: each still load with the placement of the plan that it is.

    Parameters
    ----------
    loads : sequence of StillLoad
        The first is the empty plate.
    plan : sequence of Placement
        In the order they were taken; the empty plate need not be in it. With `at_s` in every placement, the load that
        stood then is taken and others are passed over.
    scale : array, shape (4,)
        About how much a number of each cell weighs, in any unit common to all.
    source : str

    Raises
    ------
    InputError
        If loads and plan cannot be brought together.
    """
    loaded_plan = [p for p in plan if p.mass_kg > 0.0]
    if not loaded_plan or not loads:
        raise InputError(
            f"{source}: {len(loads)} still loads were found and the plan has {len(loaded_plan)} placements of a mass; "
            "record the empty plate and each load for 3 s, and list the loads in the plan."
        )
    answer = np.array([float(np.abs(x.mean - loads[0].mean) @ np.abs(scale)) for x in loads])
    masses = [p.mass_kg for p in loaded_plan]
    is_empty = answer < EMPTY_FRAC * min(masses) / max(masses) * max(float(answer.max()), 1e-30)
    about_kg = answer * max(masses) / max(float(answer.max()), 1e-30)
    if not is_empty[-1]:
        raise InputError(f"{source}: it does not end with the empty plate; record that for 3 s at the end.")
    timed = _timed(loads, loaded_plan, is_empty, source)
    chosen = timed if timed is not None else np.flatnonzero(~is_empty).tolist()
    if len(chosen) != len(loaded_plan):
        raise InputError(_mismatch(loads, loaded_plan, is_empty, about_kg, source))
    placed = dict(zip(chosen, loaded_plan, strict=True))
    return _in_order(loads, placed, is_empty)


def _in_order(loads: Sequence[StillLoad], placed: dict[int, Placement], is_empty: BoolArray) -> tuple[Reading, ...]:
    readings = []
    most = 0.0
    for i, load in enumerate(loads):
        counts = tuple(load.mean.tolist())
        if is_empty[i]:
            most = 0.0
            readings.append(Reading(load.t_s, counts))
        elif i in placed:
            p = placed[i]
            readings.append(Reading(load.t_s, counts, p.mass_kg, p.x_m, p.y_m, falling=most > p.mass_kg))
            most = max(most, p.mass_kg)
    return tuple(readings)


def _timed(loads: Sequence[StillLoad], plan: Sequence[Placement], is_empty: BoolArray, source: str) -> list[int] | None:
    """Numbers of the loads that stood at the times of the plan; None when the plan has no times."""
    given = [p for p in plan if p.at_s is not None]
    if not given:
        return None
    if len(given) < len(plan):
        raise InputError(f"{source}: {len(given)} of {len(plan)} placements have at_s; give it to all or to none.")
    chosen: list[int] = []
    for p in plan:
        at_s = p.at_s or 0.0
        there = [i for i, x in enumerate(loads) if x.first_s - EDGE_S <= at_s <= x.last_s + EDGE_S and not is_empty[i]]
        if len(there) != 1 or (chosen and there[0] <= chosen[-1]):
            raise InputError(
                f"{source}: no load of its own stands still at {at_s:g} s ({p.mass_kg:g} kg); correct that at_s."
            )
        chosen += there
    return chosen


def _mismatch(
    loads: Sequence[StillLoad],
    plan: Sequence[Placement],
    is_empty: BoolArray,
    about_kg: FloatArray,
    source: str,
) -> str:
    seen = [f"{about_kg[i]:.0f} kg at {x.t_s:.0f} s" for i, x in enumerate(loads) if not is_empty[i]]
    for i, p in enumerate(plan):
        if i < len(seen):
            found = float(seen[i].split(" ")[0])
            if abs(found - p.mass_kg) > 0.25 * p.mass_kg:
                break
    else:
        i = min(len(plan), len(seen)) - 1
    around = ", ".join(seen[max(0, i - 2) : i + 3])
    return (
        f"{source}: {len(seen)} loads stand still in it, the plan has {len(plan)} placements; they part around number "
        f"{i + 1} (about {around}). Leave each load untouched for 3 s, or give every placement its time as at_s."
    )
