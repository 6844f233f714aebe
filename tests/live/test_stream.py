"""A page on a slow line gets fewer frames, the newest ones, and nothing waits for it."""

from __future__ import annotations

import asyncio
import json
from types import SimpleNamespace
from typing import Any

import numpy as np

from forcekit.live.room import Room, Sharing, Visitor
from forcekit.live.sharing import Door
from forcekit.live.stream import FIRST_ROWS, _send_frames


class SlowLine:
    """A line that takes the next message only when the test lets it."""

    def __init__(self) -> None:
        self.free = asyncio.Event()
        self.states: list[dict[str, Any]] = []
        self.rows: list[int] = []

    async def send_text(self, text: str) -> None:
        self.states.append(json.loads(text)["parts"])
        await self.free.wait()

    async def send_bytes(self, data: bytes) -> None:
        self.rows.append(len(data) // 16)
        await self.free.wait()


def test_a_page_is_told_when_its_state_fails() -> None:
    """Where the state cannot be made the line is closed, so that the page opens it again instead of standing still."""

    async def story() -> list[int]:
        closed: list[int] = []

        async def close(code: int) -> None:
            closed.append(code)

        def broken() -> dict[str, Any]:
            raise RuntimeError("nonsense")

        room = Room(SimpleNamespace(state=broken), None, Door(), Sharing())  # type: ignore[arg-type]
        await asyncio.wait_for(_send_frames(room, Visitor("coach"), SimpleNamespace(close=close)), 10.0)  # type: ignore[arg-type]
        return closed

    assert [1011] == asyncio.run(story())


def test_a_slow_page_skips_to_the_newest() -> None:
    """While one message is on its way 500 changes pass; then the last state goes out, in one message."""

    async def story() -> SlowLine:
        counter = {"load_kg": 0.0}
        rows = np.zeros((20_000, 4), np.float32)
        session: Any = SimpleNamespace(
            state=lambda: {"card": dict(counter), "recording": {"seconds": 0.0}, "reps": []},
            trace=lambda after: (len(rows), rows[after:]),
        )
        room = Room(session, None, Door(), Sharing())
        line = SlowLine()
        sender = asyncio.create_task(_send_frames(room, Visitor("coach"), line))  # type: ignore[arg-type]
        await asyncio.sleep(0.1)
        for i in range(500):
            counter["load_kg"] = float(i)
            room.wake()
            await asyncio.sleep(0)
        line.free.set()
        await asyncio.sleep(0.3)
        sender.cancel()
        await asyncio.gather(sender, return_exceptions=True)
        assert not room.waiting
        return line

    line = asyncio.run(story())
    assert [0.0, 499.0] == [s["card"]["load_kg"] for s in line.states]
    assert {"card"} == set(line.states[1])  # what did not change is not sent again
    assert [FIRST_ROWS] == line.rows
