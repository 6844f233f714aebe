"""How devices and plate look now, as a page shows it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from forcekit.acquire.capture import LinkState
from forcekit.live.feed import Feed
from forcekit.show.words import READY

__all__ = ["device_state", "ready_state"]


def device_state(number: int, link: LinkState, feed: Feed, troubles: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """One device: its link, what is wrong with it, and the zero of the plate.

    Parameters
    ----------
    troubles : iterable of (str, str)
        Kind of sensor and what is wrong.
    """
    kind = link.device.kind if link.device else None
    used = number in (feed.plate, feed.bar)
    zero = feed.analysis.zeroed if feed.analysis is not None and number == feed.plate else None
    said = [words for sensor, words in troubles if sensor == kind and used]
    return {
        "name": link.device.name if link.device else link.source,
        "kind": kind,
        "state": link.state,
        "rate_hz": link.rate_hz,
        "lost": link.n_lost,
        "battery": link.status.battery_v if link.status else None,
        "problem": "; ".join(w for w in (link.problem, *said) if w),
        "zeroed": None if zero is None else {"offset_n": zero[0], "at_s": zero[1]},
    }


def ready_state(links: Sequence[LinkState], feed: Feed) -> dict[str, Any]:
    """Whether a lifter may go: the plate's state in a word and in words, force on it, how long it has been still."""
    sight = None if feed.analysis is None else feed.analysis.sight
    number = feed.plate
    if sight is None or number is None or links[number].state not in ("connected", "waiting"):
        problem = links[number].problem if number is not None else ""
        return {
            "state": "trouble",
            "words": f"{READY['trouble']} {problem}".strip(),
            "weight_n": None,
            "still_s": 0.0,
        }
    return {"state": sight.state, "words": READY[sight.state], "weight_n": sight.force_n, "still_s": sight.still_s}
