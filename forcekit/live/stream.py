"""State and trace to an open page, its orders back.

Every page pulls: its own task sends the newest state and the newest stretch of the trace when the last frame is on its
way, so that a slow page gets fewer frames and never a queue. The recording does not know whether anybody looks.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from functools import partial

import anyio.to_thread
import msgspec
import numpy as np
from starlette.websockets import WebSocket, WebSocketDisconnect

from forcekit.errors import InputError
from forcekit.live.orders import Done, Refused, carry_out, read_order
from forcekit.live.room import Parts, Room, Visitor, parts_for, state_of, visitor_of

__all__ = ["live_stream"]

FRAME_S = 1.0 / 30.0
"""Time between two frames: more of them cost the browser twice as much for no gain."""
IDLE_S = 0.5
"""Longest time between two looks at the state when nothing tells that it changed (our choice)."""
FIRST_ROWS = 9 * 250
"""Rows of the trace a page gets at once when it opens: as much as it draws, and a little more."""
NOT_LET_IN = 4003
SHOWN_OUT = 4001
"""Codes that tell a page why it was closed (private codes of RFC 6455, 4000 to 4999)."""
BROKEN = 1011
"""The code of RFC 6455 for a fault of the server; a page opens its line again."""


def live_stream(room: Room) -> Callable[[WebSocket], Awaitable[None]]:
    """Make the endpoint of the stream."""

    async def talk(socket: WebSocket) -> None:
        visitor = visitor_of(room, socket)
        await socket.accept()
        if visitor is None:
            await socket.close(NOT_LET_IN)
            return
        number = visitor.guest.number if visitor.guest else None
        room.pages.append(number)
        room.wake()
        sender = asyncio.create_task(_send_frames(room, visitor, socket))
        try:
            await _hear(room, visitor, socket)
        except (WebSocketDisconnect, RuntimeError):
            pass  # the page went away while it was answered
        finally:
            sender.cancel()
            await asyncio.gather(sender, return_exceptions=True)
            room.pages.remove(number)
            room.wake()

    return talk


async def _hear(room: Room, visitor: Visitor, socket: WebSocket) -> None:
    """Carry out what the page asks for, one after the other."""
    shared = bool(room.sharing.names)
    async for text in socket.iter_text():
        if _gone(room, visitor):
            return
        answer: Done | Refused
        try:
            order = read_order(text)
        except InputError as error:
            answer = Refused(-1, str(error))
        else:
            work = partial(carry_out, order, room.session, room.door, visitor.role, shared=shared)
            answer = await anyio.to_thread.run_sync(work)
        room.wake()
        await socket.send_text(msgspec.json.encode(answer).decode())


async def _send_frames(room: Room, visitor: Visitor, socket: WebSocket) -> None:
    """Send what changed as fast as the page takes it, at most 30 times a second."""
    sent: Parts = {}
    version, place, looked_s = -1, 0, 0.0
    loop = asyncio.get_running_loop()
    woken = asyncio.Event()
    room.waiting.add(woken)
    try:
        while True:
            began_s = loop.time()
            woken.clear()
            if _gone(room, visitor):
                await socket.close(SHOWN_OUT)
                return
            if version != room.version or began_s - looked_s >= IDLE_S:
                version, looked_s = room.version, began_s
                parts = parts_for(visitor, await state_of(room), room)
                fresh = {name: msgspec.Raw(body) for name, body in parts.items() if sent.get(name) != body}
                if fresh:
                    await socket.send_text(msgspec.json.encode({"kind": "state", "parts": fresh}).decode())
                    sent = parts
            if visitor.role != "lifter":
                place = await _send_trace(room, socket, place)
            # A change is sent sooner than the next frame, but a storm of changes is not.
            await asyncio.sleep(max(0.0, 0.5 * FRAME_S - (loop.time() - began_s)))
            await _wait(woken, IDLE_S if visitor.role == "lifter" else began_s + FRAME_S - loop.time())
    except Exception:  # the page would stand still for good; where it went away there is nothing to close
        with contextlib.suppress(Exception):
            await socket.close(BROKEN)
    finally:
        room.waiting.discard(woken)


async def _send_trace(room: Room, socket: WebSocket, place: int) -> int:
    """Send the rows after a place; gives the next one."""
    following, rows = room.session.trace(place)
    if len(rows):
        await socket.send_bytes(np.ascontiguousarray(rows[-FIRST_ROWS:], dtype="<f4").tobytes())
    return following


async def _wait(event: asyncio.Event, seconds: float) -> None:
    """Wait for an event, at most so long."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(max(0.0, seconds)):
            await event.wait()


def _gone(room: Room, visitor: Visitor) -> bool:
    """Whether a guest was shown out in the meantime."""
    return visitor.token is not None and room.door.guest(visitor.token) is None
