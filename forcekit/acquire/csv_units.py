"""Units as people write them into table headers, and what they are called in a device file."""

from __future__ import annotations

import functools
import re

from forcekit.acquire.csv_layout import Layout

__all__ = ["column_unit", "split_unit"]

_SPELLINGS: dict[str, str] = {
    "n": "N", "newton": "N", "newtons": "N", "kn": "kN", "kgf": "kgf", "kg": "kgf", "kp": "kgf", "lbf": "lbf",
    "lb": "lbf", "lbs": "lbf",
    "nm": "N m", "nmm": "N mm", "ncm": "N cm",
    "m": "m", "cm": "cm", "mm": "mm",
    "m/s2": "m/s2", "m/s^2": "m/s2", "ms-2": "m/s2", "g": "g", "mg": "mg",
    "rad/s": "rad/s", "deg/s": "deg/s", "°/s": "deg/s", "dps": "deg/s",
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms", "msec": "ms", "us": "us",
}  # fmt: skip
"""Spelling without blanks, dots and stars, lower case -> unit of a device file."""

_BRACKETED = re.compile(r"^(?P<base>.*?)\s*[\[({<]\s*(?P<unit>[^\[\](){}<>]{1,12})\s*[\])}>]\s*$")
_SUFFIXED = re.compile(r"^(?P<base>.+?)(?:[_\s]in[_\s]|[_\s/,]+)(?P<unit>[^\W\d_][\w/^²°·*.-]{0,7})$")


def spelled(text: str) -> str | None:
    """Give the unit of a device file for a unit as written, None if it is none we know."""
    key = text.strip().strip("[](){}<>").strip().replace("²", "2").replace("µ", "u").replace("μ", "u").lower()
    return _SPELLINGS.get(re.sub(r"[\s.*·]", "", key)) if key else None


@functools.lru_cache(maxsize=256)
def split_unit(text: str) -> tuple[str, str | None, bool]:
    """Give the name without its unit, the unit, and whether the unit stands in brackets.

    Parameters
    ----------
    text : str
        Header text, such as ``Fz [N]``, ``Fz(N)``, ``Force_kN`` or ``t_ms``.

    Examples
    --------
    >>> split_unit("Force_kN")
    ('Force', 'kN', False)
    >>> split_unit("Time[s]")
    ('Time', 's', True)
    >>> split_unit("COP_X")
    ('COP_X', None, False)
    """
    match = _BRACKETED.match(text)
    if match is not None:
        return match["base"].strip(), spelled(match["unit"]), True
    match = _SUFFIXED.match(text)
    unit = spelled(match["unit"]) if match is not None else None
    # A single letter behind a line is an axis or a side more often than a unit ("acc_g" aside).
    if match is None or unit is None or (len(match["unit"]) == 1 and match["unit"] not in ("N", "g", "s", "m")):
        return text.strip(), None, False
    return match["base"].strip(), unit, False


def column_unit(layout: Layout, i: int) -> str | None:
    """Give the unit of a column that the units row or brackets in its header state; None without."""
    if layout.units and spelled(layout.units[i]) is not None:
        return spelled(layout.units[i])
    if not layout.header:
        return None
    _, unit, bracketed = split_unit(layout.header[i])
    return unit if bracketed else None
