"""Results of the history as plain dictionaries, lists and numbers, ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["plain"]

HIDDEN = frozenset({"words"})
"""Fields that only say how a number is written."""


def plain(value: Any) -> Any:
    """Turn dataclasses, arrays and mappings into what JSON can hold; a number that is none becomes null.

    Examples
    --------
    >>> plain({"low": float("nan"), "names": ("a", "b")})
    {'low': None, 'names': ['a', 'b']}
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value) if f.name not in HIDDEN}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, np.generic):
        return plain(value.item())
    return str(value) if isinstance(value, Path) else value
