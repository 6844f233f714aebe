"""What the header of a column says about it: quantity, axis, which plate, which corner."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from forcekit.acquire.csv_layout import Layout
from forcekit.acquire.csv_units import column_unit, split_unit
from forcekit.constants import UNITS

__all__ = ["Meaning", "find_cells", "read_headers"]

_SIDES = {
    "left": "left", "l": "left", "links": "left", "li": "left",
    "right": "right", "r": "right", "rechts": "right", "re": "right",
    "net": "sum", "total": "sum", "sum": "sum", "both": "sum", "combined": "sum", "gesamt": "sum", "tot": "sum",
}  # fmt: skip
_PLATE_WORDS = frozenset({"plate", "fp", "platform", "forceplate", "platte", "pl"})
_QUANTITIES = {
    "force": "force", "forces": "force", "grf": "force", "vgrf": "force", "f": "force", "kraft": "force",
    "load": "force", "weight": "force", "last": "force",
    "moment": "moment", "m": "moment", "torque": "moment", "mom": "moment",
    "freemoment": "free moment", "tz": "free moment", "free": "free moment",
    "cop": "pressure", "pressure": "pressure",
    "acc": "acceleration", "accel": "acceleration", "acceleration": "acceleration", "accelerometer": "acceleration",
    "a": "acceleration",
    "gyro": "rate of turn", "gyr": "rate of turn", "gyroscope": "rate of turn", "omega": "rate of turn",
    "w": "rate of turn", "g": "rate of turn",
    "time": "time", "t": "time", "zeit": "time", "timestamp": "time", "seconds": "time", "sec": "time", "ms": "time",
    "millis": "time", "micros": "time",
    "sample": "counter", "samples": "counter", "frame": "counter", "index": "counter", "count": "counter",
    "counter": "counter", "nr": "counter", "no": "counter", "number": "counter", "row": "counter", "scan": "counter",
}  # fmt: skip
_AXES = {
    "x": "x", "y": "y", "z": "z", "v": "v", "vert": "v", "vertical": "v", "ap": "x", "ml": "y", "vgrf": "v",
}  # fmt: skip
_LETTERS = frozenset("mawg")
"""Letters that mean a quantity only together with an axis: "A" alone may be any channel."""
_KINDS = {"force": "force", "moment": "moment", "length": "pressure", "acceleration": "acceleration",
          "rate of turn": "rate of turn", "time": "time"}  # fmt: skip
_GLUED = re.compile(
    r"(?P<side>[lr])?(?P<quantity>grf|cop|freemoment|force|acc|gyro|gyr|f|m|a|w|g)(?P<sum>net)?(?P<axis>[xyzv])?(?P<last>[lr])?"
)
_CORNERS = {
    "fl": ("front", "left"), "lf": ("front", "left"), "vl": ("front", "left"),
    "fr": ("front", "right"), "rf": ("front", "right"), "vr": ("front", "right"),
    "rl": ("rear", "left"), "lr": ("rear", "left"), "bl": ("rear", "left"), "lb": ("rear", "left"),
    "hl": ("rear", "left"),
    "rr": ("rear", "right"), "br": ("rear", "right"), "rb": ("rear", "right"), "hr": ("rear", "right"),
}  # fmt: skip
_ENDS = {"front": "front", "toe": "front", "toes": "front", "vorne": "front",
         "rear": "rear", "back": "rear", "heel": "rear", "hinten": "rear"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header says; empty where it says nothing.

    Attributes
    ----------
    quantity : "force", "moment", "free moment", "pressure", "acceleration", "rate of turn", "time", "counter"
        or ""
    axis : "x", "y", "z", "v" (vertical) or ""
    group : "left", "right", "sum", "1", "2" ... or ""
        Which plate.
    place : str
        Corner of a cell ("front left") or its number.
    stem : str
        The header without unit, place and number, to find columns that belong together.
    unit : str or None
    """

    quantity: str = ""
    axis: str = ""
    group: str = ""
    place: str = ""
    stem: str = ""
    unit: str | None = None


def read_headers(layout: Layout) -> list[Meaning]:
    """Give the meaning of each column of a table, as far as its header and units row tell.

    Parameters
    ----------
    layout : Layout
    """
    out = []
    for i in range(layout.n_columns):
        text = layout.header[i] if layout.header else ""
        base, unit, _ = split_unit(text)
        meaning = replace(_meaning(base), unit=column_unit(layout, i) or unit)
        if not meaning.quantity and meaning.unit is not None:
            meaning = replace(meaning, quantity=_KINDS[UNITS[meaning.unit][0]])
        out.append(meaning)
    return out


def _tokens(base: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-zß-ÿ])(?=[A-Z])", " ", base)
    return re.findall(r"[^\W\d_]+|\d+", spaced.lower())


def _meaning(base: str) -> Meaning:
    found = Meaning()
    rest: list[str] = []
    words = _tokens(base)
    for k, word in enumerate(words):
        before = words[k - 1] if k else ""
        if word.isdigit():
            found = replace(found, group=word) if before in _PLATE_WORDS else replace(found, place=word)
        elif word in _CORNERS:
            found = replace(found, place=" ".join(_CORNERS[word]))
        elif word in _ENDS:
            found = replace(found, place=_ENDS[word])
        elif word in _SIDES:
            found = replace(found, group=_SIDES[word])
        elif word in _QUANTITIES and (word not in _LETTERS or _has_axis(words)):
            found = replace(found, quantity=_QUANTITIES[word], axis=_AXES.get(word, found.axis))
        elif word in _AXES:
            found = replace(found, axis=_AXES[word])
        else:
            glued = _unglued(word)
            if glued is None:
                rest.append(word)
                continue
            found = replace(
                found,
                quantity=glued.quantity,
                axis=glued.axis or found.axis,
                group=glued.group or found.group,
            )
        if not word.isdigit() and word not in _CORNERS:
            rest.append(word)
    if found.place in ("front", "rear") and found.group in ("left", "right"):
        found = replace(found, place=f"{found.place} {found.group}", group="")
    return replace(found, stem=" ".join(rest))


def _has_axis(words: Sequence[str]) -> bool:
    return any(word in ("x", "y", "z") for word in words)


def _unglued(word: str) -> Meaning | None:
    """Take apart names such as ``fz``, ``copx``, ``rgrf``, ``fzl``."""
    match = _GLUED.fullmatch(word)
    if match is None or (len(match["quantity"]) == 1 and not match["axis"]):
        return None
    group = "sum" if match["sum"] else _SIDES.get(match["side"] or match["last"] or "", "")
    return Meaning(quantity=_QUANTITIES[match["quantity"]], axis=match["axis"] or "", group=group)


def find_cells(meanings: Sequence[Meaning]) -> list[list[int]]:
    """Columns that look like the corner cells of one plate or of two, by their names: one list for each plate.

    Parameters
    ----------
    meanings : sequence of Meaning

    Notes
    -----
    Either the four corners are named, or three, four or eight columns of one name are numbered from 1.
    """
    corners: dict[str, list[int]] = {}
    numbered: dict[tuple[str, str], list[int]] = {}
    for i, m in enumerate(meanings):
        if m.quantity not in ("", "force") or m.axis not in ("", "z", "v") or m.group == "sum":
            continue
        if m.place.startswith(("front ", "rear ")):
            corners.setdefault(m.group, []).append(i)
        elif m.place.isdigit():
            numbered.setdefault((m.group, m.stem), []).append(i)
    plates = [found for found in corners.values() if len({meanings[i].place for i in found}) == len(found) == 4]
    if plates:
        return plates
    for found in numbered.values():
        places = [int(meanings[i].place) for i in found]
        if places in ([1, 2, 3], [1, 2, 3, 4], [0, 1, 2, 3]):
            plates.append(found)
        elif places == [1, 2, 3, 4, 5, 6, 7, 8]:
            plates += [found[:4], found[4:]]
    return plates
