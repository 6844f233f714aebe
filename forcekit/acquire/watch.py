"""When is a link silent, when is it dead, did the laptop sleep? One small state machine for every transport."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

__all__ = ["DEAD_S", "RETRY_S", "SILENT_S", "SLEPT_S", "Watch", "heard", "look"]

SILENT_S = 0.5
"""No byte for this long: a warning."""

DEAD_S = 2.0
"""No byte for this long: the link is closed and opened again, whatever the system says about it; a radio service
that died keeps calling its links connected (seen on the test bench)."""

RETRY_S = 0.5
"""Wait between two attempts to open a link (our choice)."""

SLEPT_S = 2.0
"""A loop that should turn every few milliseconds did not for this long: the laptop slept or was stopped."""

Verdict = Literal["fine", "silent", "again", "dead", "asleep"]


@dataclass(frozen=True, slots=True)
class Watch:
    """When the last byte came and when we last looked, on the laptop's clock."""

    heard_s: float
    looked_s: float
    is_silent: bool = False


def heard(watch: Watch, now_s: float) -> tuple[Verdict, Watch]:
    """Note that bytes came: ``again`` when they end a silence, ``asleep`` when the laptop slept before."""
    verdict: Verdict = "again" if watch.is_silent else "fine"
    if now_s - watch.looked_s > SLEPT_S:
        verdict = "asleep"
    return verdict, Watch(now_s, now_s)


def look(watch: Watch, now_s: float) -> tuple[Verdict, Watch]:
    """Judge a link on which nothing came now."""
    if now_s - watch.looked_s > SLEPT_S:
        # The time asleep is not the device's silence: it gets its two seconds from here.
        return "asleep", Watch(now_s, now_s)
    seen = replace(watch, looked_s=now_s)
    if now_s - watch.heard_s > DEAD_S:
        return "dead", seen
    if now_s - watch.heard_s > SILENT_S and not watch.is_silent:
        return "silent", replace(seen, is_silent=True)
    return "fine", seen
