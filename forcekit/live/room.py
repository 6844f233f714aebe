"""What all open pages share, who is in front of each, and what that visitor may see."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import anyio.to_thread
import msgspec
from starlette.requests import HTTPConnection

from forcekit.errors import InputError
from forcekit.live.sharing import Door, Guest, Role, is_here
from forcekit.registry import MEASURES

if TYPE_CHECKING:
    from forcekit.history.store import Store
    from forcekit.live.session import LiveSession

__all__ = ["COOKIE", "Parts", "Room", "Sharing", "Visitor", "coach_or_helper", "parts_for", "state_of", "visitor_of"]

COOKIE = "forcekit_guest"
STATE_S = 1.0 / 40.0
"""Two pages that ask within this time get the same state (our choice, below the time of a frame)."""

Parts = dict[str, bytes]
"""Pieces of the state by name, each as JSON: a page is sent the pieces that changed."""


@dataclass(frozen=True, slots=True)
class Sharing:
    """Whether and where others in the network find the page.

    `names` are the addresses and names of this machine, the best one first; empty: this machine only.
    """

    names: tuple[str, ...] = ()
    port: int = 0

    @property
    def address(self) -> str | None:
        """Where a guest goes."""
        return f"http://{self.names[0]}:{self.port}" if self.names else None


@dataclass(slots=True)
class Room:
    """What all open pages share."""

    session: LiveSession
    store: Store | None
    door: Door
    sharing: Sharing
    loop: asyncio.AbstractEventLoop | None = None
    version: int = 0
    waiting: set[asyncio.Event] = field(default_factory=set)
    pages: list[int | None] = field(default_factory=list)
    """Guest number of each open page; None for the coach's own."""
    _built: tuple[int, float, dict[str, Any]] = (-1, 0.0, {})
    _reading: asyncio.Lock = field(default_factory=asyncio.Lock)
    _told: threading.Event = field(default_factory=threading.Event)

    def changed(self, _: str = "") -> None:
        """Wake the pages; from any thread, and cheap when it was said a moment ago."""
        if self.loop is not None and not self._told.is_set():
            self._told.set()
            try:
                self.loop.call_soon_threadsafe(self.wake)
            except RuntimeError:  # the server is closing
                self.loop = None

    def wake(self) -> None:
        """Tell every open page that there is something new; in the server's own thread."""
        self._told.clear()
        self.version += 1
        for event in self.waiting:
            event.set()


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks: the coach at this machine, or a guest."""

    role: Role
    guest: Guest | None = None
    token: str | None = None

    def may_see(self, athlete: str | None) -> bool:
        """Whether a lift of this athlete may be shown."""
        return self.role != "lifter" or (self.guest is not None and athlete == self.guest.athlete)


def visitor_of(room: Room, asks: HTTPConnection) -> Visitor | None:
    """Who asks, or None for somebody who was not let in."""
    if is_here(asks.client.host if asks.client else None, asks.headers.get("host", "")):
        return Visitor("coach")
    token = asks.cookies.get(COOKIE)
    guest = room.door.guest(token)
    return None if guest is None else Visitor(guest.role, guest, token)


def coach_or_helper(room: Room, asks: HTTPConnection) -> Visitor:
    """Who asks, if it is somebody who may see all athletes.

    Raises
    ------
    InputError
        For everybody else.
    """
    visitor = visitor_of(room, asks)
    if visitor is None or visitor.role == "lifter":
        raise InputError("This is for the coach; ask for a code.")
    return visitor


async def state_of(room: Room) -> dict[str, Any]:
    """The session's newest state, read once for all pages."""
    async with room._reading:
        now = asyncio.get_running_loop().time()
        version, built_s, _ = room._built
        if version < 0 or (version != room.version and now - built_s >= STATE_S):
            asked = room.version
            room._built = (asked, now, await anyio.to_thread.run_sync(room.session.state))
        return room._built[2]


def parts_for(visitor: Visitor, state: dict[str, Any], room: Room) -> Parts:
    """What a visitor may see, in pieces: a lifter sees own lifts and own card, and nobody else's."""
    seen: dict[str, Any]
    if visitor.role == "lifter":
        athlete = visitor.guest.athlete if visitor.guest else None
        own_turn = state["card"].get("athlete") == athlete
        seen = {
            "role": "lifter",
            "athlete": athlete,
            "ready": state["ready"] if own_turn else None,
            "card": state["card"] if own_turn else {},
            "reps": [r for r in state["reps"] if visitor.may_see(r.get("athlete"))],
        }
    else:
        seen = {name: value for name, value in state.items() if name != "now_s"}
        seen |= {"role": visitor.role, "sharing": _sharing(room, visitor)}
        recording = state["recording"]
        seen["recording"] = {**recording, "seconds": int(recording["seconds"])}
    return {name: msgspec.json.encode(value) for name, value in seen.items()} | {"measures": _MEASURES}


_MEASURES = msgspec.json.encode(
    {m.name: {"unit": m.shown_unit, "factor": m.factor, "digits": m.digits} for m in MEASURES.values()}
)
"""How a person sees each measure; a page turns SI numbers into it."""


def _sharing(room: Room, visitor: Visitor) -> dict[str, Any]:
    """Who looks on; the code is for the coach's own screen."""
    guests = [
        {
            "number": g.number,
            "name": g.name,
            "role": g.role,
            "athlete": g.athlete,
            "pages": room.pages.count(g.number),
        }
        for g in room.door.guests()
    ]
    open_now = room.door.invitation() if visitor.role == "coach" else None
    code = open_now and {
        "code": open_now.code,
        "role": open_now.role,
        "athlete": open_now.athlete,
        "left_s": int(max(0.0, open_now.until_s - room.door.clock())),
    }
    return {"address": room.sharing.address, "invitation": code, "guests": guests, "here": room.pages.count(None)}
