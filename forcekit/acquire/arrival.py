"""What a connection hands over: bytes with the moment of their arrival, and what happened to the link."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

__all__ = ["Arrival", "Connection", "LinkEvent", "Sink", "host_now"]

Happening = Literal["connected", "lost", "silent", "again", "asleep", "failed", "note"]


@dataclass(frozen=True, slots=True)
class Arrival:
    """Bytes as they came.

    Attributes
    ----------
    device : int
        Number of the device in this recording, from 0.
    host_s : float, second
        Laptop's clock when they were read, see `host_now`.
    data : bytes
        For radio one notification, for serial whatever was in the buffer.
    """

    device: int
    host_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """What happened to a link.

    ``connected`` and ``lost`` open and close it; ``silent`` means open without data, ``again`` that data flow
    after that; ``asleep`` that the laptop slept; ``failed`` that an attempt to open it failed; ``note`` is
    anything else worth keeping.
    """

    device: int
    host_s: float
    what: Happening
    text: str = ""


Sink = Callable[[Arrival | LinkEvent], None]


class Connection(Protocol):
    """A live link that keeps itself open; every transport has these three."""

    def start(self) -> None:
        """Begin to connect and to hand over; returns at once."""

    def send(self, data: bytes) -> bool:
        """Send bytes to the device; False when the link is not open."""

    def stop(self) -> None:
        """Close the link; nothing is handed over afterwards. Calling it twice is allowed."""


def host_now() -> float:
    """Laptop's clock in seconds; never set back, and running on while it sleeps where the system can."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()
