"""A session on virtual devices with its page, for tests: real devices' way, real server, real sockets."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

from forcekit.acquire import virtual
from forcekit.acquire.replay import replay
from forcekit.history.store import Store, open_store
from forcekit.live.invented import InventedDay, fill_history
from forcekit.live.room import Sharing
from forcekit.live.server import build_app, serving
from forcekit.live.session import LiveSession

ROOM_BYTES = 64 * 1024 * 1024
"""What the virtual sensors keep while a busy machine does not read: played faster than life, nothing may be lost."""
GUEST_NAME = "127.0.0.2"
"""Another address of this machine: under it a browser here is a guest, as one in the network would be."""


@dataclass(frozen=True, slots=True)
class Served:
    """Where the page is, and what stands behind it."""

    port: int
    session: LiveSession
    store: Store
    folder: Path

    @property
    def here(self) -> str:
        """The coach's address."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def there(self) -> str:
        """A guest's address."""
        return f"http://{GUEST_NAME}:{self.port}"

    def ask(
        self, path: str, *, method: str = "GET", host: str | None = None, headers: dict[str, str] | None = None,
        body: object = None,
    ) -> tuple[int, dict[str, str], bytes]:  # fmt: skip
        """One request with any headers; status, headers and body of the answer."""
        name = host or f"127.0.0.1:{self.port}"
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        text = None if body is None else json.dumps(body)
        connection.request(method, path, text, {"host": name, **(headers or {})})
        answer = connection.getresponse()
        found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        connection.close()
        return found

    def line(
        self, *, host: str | None = None, origin: str | None = None, cookie: str | None = None
    ) -> ClientConnection:
        """A page's line, opened by hand."""
        name = host or f"127.0.0.1:{self.port}"
        sock = socket.create_connection(("127.0.0.1", self.port), timeout=20)
        headers = {} if cookie is None else {"Cookie": cookie}
        return connect(
            f"ws://{name}/live", sock=sock, origin=origin or f"http://{name}", additional_headers=headers, proxy=None
        )  # type: ignore[arg-type]


@contextmanager
def served(
    day: InventedDay, folder: Path, *, speed: float = 1.0, share: bool = True, loop: bool = True
) -> Iterator[Served]:
    """Play a day, once or round after round, record it and serve its page while the context is open."""
    door = socket.socket()
    door.bind(("0.0.0.0", 0))
    door.listen(64)
    port = int(door.getsockname()[1])
    sharing = Sharing((GUEST_NAME,), port) if share else Sharing()
    virtual.SEND_BUFFER = ROOM_BYTES
    with open_store(folder / "history") as store, replay(day.recording, loop=loop, speed=speed) as planned:
        fill_history(store)
        session = LiveSession(planned, folder=folder, store=store, card=day.turns[0].card)
        session.start()
        try:
            with serving(build_app(session, store=store, sharing=sharing), door):
                yield Served(port, session, store, folder)
        finally:
            session.close()


def next_state(line: ClientConnection, wanted: set[str], *, tries: int = 200) -> dict[str, Any]:
    """Pieces of the state as they come, until all wanted ones were there."""
    parts: dict[str, Any] = {}
    for _ in range(tries):
        message = line.recv(timeout=20)
        if isinstance(message, str) and (told := json.loads(message))["kind"] == "state":
            parts |= told["parts"]
            if wanted <= set(parts):
                return parts
    raise AssertionError(f"the page never got {wanted - set(parts)}")


def answer_to(line: ClientConnection, order: dict[str, object]) -> dict[str, Any]:
    """Send an order and wait for its answer."""
    line.send(json.dumps(order))
    for _ in range(2000):
        message = line.recv(timeout=20)
        if isinstance(message, str) and (told := json.loads(message)).get("number") == order["number"]:
            return dict(told)
    raise AssertionError("no answer came")


__all__ = ["GUEST_NAME", "Served", "answer_to", "next_state", "served"]
