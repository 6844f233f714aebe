"""A task that takes its worker with it; in a file of its own, so that a new worker has little to import."""

from __future__ import annotations

import os
import signal


def deadly(items: list[int]) -> list[int]:
    """Double the items; 13 takes the worker with it."""
    for item in items:
        if item == 13:
            os.kill(os.getpid(), signal.SIGKILL)
    return [2 * item for item in items]
