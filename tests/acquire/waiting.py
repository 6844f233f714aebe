"""Waiting for something that happens in another thread, with an end."""

from __future__ import annotations

import time
from collections.abc import Callable


def wait_until(true: Callable[[], bool], *, at_most_s: float = 15.0, what: str = "it") -> None:
    """Wait until something is true; fails the test when it does not become so."""
    end = time.monotonic() + at_most_s
    while not true():
        assert time.monotonic() < end, f"{what} did not happen within {at_most_s} s"
        time.sleep(0.01)
