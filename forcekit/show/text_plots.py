"""Small plots made of text: where values lie against a usual range. Plain ASCII, so that any terminal shows them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from forcekit.history.timeline import Timeline, TimelineRow
from forcekit.history.wording import Wording, iso_day, load_text, number_text
from forcekit.model import FloatArray

__all__ = ["load_lines", "one_line", "ruler", "session_lines"]

WIDTH = 33
INSIDE = 0.5
"""Share of a ruler that the usual range takes."""


def one_line(text: str) -> str:
    r"""Give a text that somebody typed as one line of visible characters.

    Examples
    --------
    >>> one_line("chest tall\nand up")
    'chest tall and up'
    """
    return "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in text)


def ruler(values: Sequence[float], low: float, high: float, *, width: int = WIDTH) -> str:
    """Place values on a line on which the usual range stands between brackets.

    Parameters
    ----------
    values : sequence of float
        In the unit of the ends; several at one place are counted (``#`` for ten and more).
    low, high : float
        Ends of the usual range.

    Notes
    -----
    The range takes the middle half; a value farther out than the line is long stands at its end as ``<`` or ``>``.

    Examples
    --------
    >>> ruler([0.148], 0.118, 0.141)
    '........[...............]...*....'
    """
    left = round((1.0 - INSIDE) / 2.0 * (width - 1))
    right = width - 1 - left
    cells = ["."] * width
    counts: dict[int, int] = {}
    for value in values:
        if math.isfinite(value):
            share = (value - low) / (high - low) if high > low else 0.5
            place = left + share * (right - left)
            # A value inside never falls on a bracket, one outside never inside.
            cell = math.ceil(place) if place < left else math.floor(place) if place > right else round(place)
            cell = min(max(cell, left + 1), right - 1) if low <= value <= high else cell
            cell = cell - (cell == left) if value < low else cell + (cell == right) if value > high else cell
            counts[cell] = counts.get(cell, 0) + 1
    cells[left], cells[right] = "[", "]"
    for cell, n in counts.items():
        mark = "*" if n == 1 else str(n) if n < 10 else "#"
        if 0 <= cell < width:
            cells[cell] = mark
        else:
            cells[0 if cell < 0 else -1] = "<" if cell < 0 else ">"
    return "".join(cells)


def session_lines(timeline: Timeline, row: TimelineRow, *, most: int = 15) -> list[str]:
    """One line for each of the newest sessions: day, reps, loads, mean, and every rep against its usual range.

    Of a row with a control chart: the mean brought to the chart's load and every rep against the chart's limits, or the
    weighted mean up to the session against its limits.
    """
    value, low, high = row.value, row.usual_low, row.usual_high
    weighted = row.charted is not None and row.charted.chart.kind == "weighted"
    if row.charted is not None:
        value, low, high = row.charted.drawn, row.charted.limit_low, row.charted.limit_high
    sessions = list(dict.fromkeys(timeline.attempts.session.tolist()))
    out = []
    for number in sessions[-most:]:
        mine = [i for i, s in enumerate(timeline.attempts.session.tolist()) if s == number]
        have = [i for i in mine if math.isfinite(value[i])]
        day = iso_day(timeline.attempts.lifted_at[mine[0]])
        reps = f"{len(have)} rep{' ' if len(have) == 1 else 's'}"
        head = f"{day}  {reps:>7}  {_loads([timeline.attempts.load_kg[i] for i in have]):>12}"
        if not have:
            out.append(f"{head}  withheld")
            continue
        mean = sum(float(value[i]) for i in have) / len(have)
        shown = number_text(mean, row.words, _spread(low, high))
        told = have[-1:] if weighted else have
        out.append(f"{head}  {shown:>10}  {_against(value[told], low[told], high[told])}".rstrip())
    if len(sessions) > most:
        out.insert(0, f"(the newest {most} of {len(sessions)} sessions)")
    return out


def load_lines(values: Sequence[float], loads_kg: Sequence[float], limit: float, words: Wording) -> list[str]:
    """One line for each load: reps, mean, and every rep on a line with the limit as ``|``."""
    known = [(k, v) for k, v in zip(loads_kg, values, strict=True) if math.isfinite(k) and math.isfinite(v)]
    if not known:
        return []
    every = [v for _, v in known] + [limit]
    low, high = min(every), max(every)
    step = (high - low) / (WIDTH - 1) or 1.0
    out = []
    for load in sorted({k for k, _ in known}):
        mine = [v for k, v in known if k == load]
        cells = ["."] * WIDTH
        cells[round((limit - low) / step)] = "|"
        for value in mine:
            cells[round((value - low) / step)] = "*"
        mean = number_text(sum(mine) / len(mine), words, high - low)
        reps = f"{len(mine)} rep{' ' if len(mine) == 1 else 's'}"
        out.append(f"{load_text(load):>9}  {reps:>7}  {mean:>10}  {''.join(cells)}")
    return out


def _loads(loads: Sequence[float]) -> str:
    known = sorted(k for k in loads if math.isfinite(k))
    if not known:
        return ""
    lightest, heaviest = load_text(known[0]), load_text(known[-1])
    return lightest if lightest == heaviest else f"{lightest.removesuffix(' kg')}-{heaviest}"


def _spread(low: FloatArray, high: FloatArray) -> float:
    width = [h - b for b, h in zip(low.tolist(), high.tolist(), strict=True) if math.isfinite(h)]
    return sum(width) / len(width) if width else 0.0


def _against(value: FloatArray, low: FloatArray, high: FloatArray) -> str:
    """Ruler of reps that may have been lifted at different loads: each is placed within its own range."""
    shares = [float(share) for share in (value - low) / (high - low) if math.isfinite(share)]
    return ruler(shares, 0.0, 1.0) if shares else ""
