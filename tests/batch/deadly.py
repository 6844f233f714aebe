"""Tasks that take their worker with them; in a file of its own, so that a new worker has little to import."""

from __future__ import annotations

import os
import signal
import threading
import time


def deadly(items: list[int]) -> list[int]:
    """Double the items; 13 takes the worker with it."""
    for item in items:
        if item == 13:
            os.kill(os.getpid(), signal.SIGKILL)
    return [2 * item for item in items]


def dies_while_it_answers(n_bytes: int) -> bytes:
    """So many bytes; the worker is killed soon after it begins to send them."""
    threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGKILL)).start()
    return bytes(n_bytes)


def slowly(i: int) -> int:
    """The number, after a moment."""
    time.sleep(0.05)
    return i


def begins_quietly() -> None:
    """Nothing is to be done first."""


def make_lock() -> object:
    """Something that cannot leave its process."""
    return threading.Lock()
