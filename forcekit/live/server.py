"""The web server of a live session: its routes, the headers that bind a browser, and who is turned away."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import AsyncIterator, Iterator
from http import HTTPStatus
from importlib import resources
from typing import TYPE_CHECKING

import anyio.to_thread
import msgspec
from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute

from forcekit.errors import ForcekitError, InputError
from forcekit.live.bench import Endpoint, body_of, figure_answer, people_answer, review_answer
from forcekit.live.room import COOKIE, Room, Sharing, state_of, visitor_of
from forcekit.live.sharing import HERE_NAMES, Door, host_of, same_origin
from forcekit.live.stream import live_stream

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from forcekit.history.store import Store
    from forcekit.live.session import LiveSession

__all__ = ["Sharing", "build_app", "serving"]

LONGEST_MESSAGE = 16_384
"""Bytes of one message from a page (our choice; orders are shorter)."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
KINDS = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}


def build_app(
    session: LiveSession, *, store: Store | None = None, door: Door | None = None, sharing: Sharing | None = None
) -> Starlette:
    """Make the web application of a session.

    Parameters
    ----------
    session : LiveSession
    store : Store, optional
        History for the bench; without one the bench says that there is none.
    door : Door, optional
    sharing : Sharing, optional
        Left out: this machine only.
    """
    room = Room(session, store, door or Door(), sharing or Sharing())
    get = [
        Route("/", _page(room, "coach.html")),
        Route("/bench", _page(room, "bench.html")),
        Route("/lifter", _page(room, "lifter.html", lifter=True)),
        Route("/join", _join(room), methods=["GET", "POST"]),
        Route("/parts/{name}", _part),
        Route("/rep/{rep:int}", _rep(room)),
        Route("/code.svg", _code_picture(room)),
        Route("/people", people_answer(room), methods=["GET", "POST"]),
        Route("/people/review", review_answer(room)),
        Route("/people/figure.svg", figure_answer(room)),
        WebSocketRoute("/live", live_stream(room)),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        room.loop = asyncio.get_running_loop()
        stop = session.subscribe(room.changed)
        try:
            yield
        finally:
            stop()
            room.loop = None

    app = Starlette(routes=get, lifespan=lifespan, exception_handlers={ForcekitError: _refusal})
    app.add_middleware(_Guarded, room=room)
    return app


# ------------------------------------------------------------------------------------------------- who is it


class _Guarded:
    """Turns away requests under a foreign name or from a foreign page, and adds the headers that bind a browser."""

    def __init__(self, app: ASGIApp, room: Room) -> None:
        self.app, self.room = app, room

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        why = _foreign(self.room, scope)
        if why and scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": why})
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *HEADERS]
            await send(message)

        if why:
            await PlainTextResponse(why, HTTPStatus.FORBIDDEN)(scope, receive, with_headers)
        else:
            await self.app(scope, receive, with_headers)


def _foreign(room: Room, scope: Scope) -> str | None:
    """Why a request is turned away: a name that is not this machine's, or another page behind it."""
    headers = Headers(scope=scope)
    host = headers.get("host", "")
    if host_of(host) not in (*HERE_NAMES, *room.sharing.names):
        return "This address is not one of this machine's; use the address that forcekit printed."
    asks_only = scope["type"] == "http" and scope["method"] in ("GET", "HEAD")
    if not asks_only and not same_origin(headers.get("origin"), host):
        return "Another page stands behind this request; only forcekit's own pages are answered."
    if headers.get("sec-fetch-site", "none") not in ("none", "same-origin") and scope.get("path") != "/":
        return "Another page stands behind this request; only forcekit's own pages are answered."
    return None


async def _refusal(_: Request, error: Exception) -> Response:
    return JSONResponse({"why": str(error)}, HTTPStatus.BAD_REQUEST)


# ------------------------------------------------------------------------------------------------------ pages


def _file(name: str) -> Response:
    """One file of the pages; only those that are there, so that no path leads out."""
    folder = resources.files("forcekit.live") / "pages"
    known = {entry.name: entry for entry in folder.iterdir()}
    suffix = "." + name.rpartition(".")[2]
    if name not in known or suffix not in KINDS:
        return PlainTextResponse("There is no such page.", HTTPStatus.NOT_FOUND)
    return Response(known[name].read_bytes(), media_type=KINDS[suffix])


async def _part(request: Request) -> Response:
    name = request.path_params["name"]
    if name.endswith(".html"):
        return PlainTextResponse("There is no such page.", HTTPStatus.NOT_FOUND)
    return _file(name)


def _page(room: Room, name: str, *, lifter: bool = False) -> Endpoint:
    async def answer(request: Request) -> Response:
        visitor = visitor_of(room, request)
        if visitor is None:
            return RedirectResponse("/join", HTTPStatus.SEE_OTHER)
        if lifter != (visitor.role == "lifter") and not (lifter and visitor.role == "coach"):
            return RedirectResponse("/lifter" if visitor.role == "lifter" else "/", HTTPStatus.SEE_OTHER)
        return _file(name)

    return answer


def _join(room: Room) -> Endpoint:
    async def answer(request: Request) -> Response:
        if request.method == "GET":
            return _file("join.html")
        told = await body_of(request)
        token = room.door.let_in(str(told.get("code", "")), str(told.get("name", "")))
        guest = room.door.guest(token)
        where = "/lifter" if guest is not None and guest.role == "lifter" else "/"
        response = JSONResponse({"go": where})
        response.set_cookie(COOKIE, token, httponly=True, samesite="strict", path="/")
        room.wake()
        return response

    return answer


def _rep(room: Room) -> Endpoint:
    async def answer(request: Request) -> Response:
        visitor = visitor_of(room, request)
        rep = request.path_params["rep"]
        state = await state_of(room)
        mine = next((r for r in state["reps"] if r["rep"] == rep), None)
        if visitor is None or mine is None or not visitor.may_see(mine.get("athlete")):
            raise InputError(f"There is no rep {rep} to show.")
        detail = await anyio.to_thread.run_sync(room.session.rep_detail, rep)
        return Response(msgspec.json.encode(detail), media_type="application/json")

    return answer


def _code_picture(room: Room) -> Endpoint:
    async def answer(request: Request) -> Response:
        import io

        import segno

        invitation = room.door.invitation()
        visitor = visitor_of(room, request)
        if invitation is None or visitor is None or visitor.role != "coach" or room.sharing.address is None:
            return PlainTextResponse("No code is open.", HTTPStatus.NOT_FOUND)
        drawn = io.BytesIO()
        # Behind the # the code stays in the browser: it stands in no log and no Referer.
        segno.make(f"{room.sharing.address}/join#{invitation.code}", error="m").save(
            drawn, kind="svg", scale=6, border=3, dark="#000", light="#fff"
        )
        return Response(drawn.getvalue(), media_type=KINDS[".svg"])

    return answer


# ---------------------------------------------------------------------------------------------------- running


@contextlib.contextmanager
def serving(app: Starlette, door: socket.socket) -> Iterator[None]:
    """Answer at a listening socket while the context is open, from a thread of its own."""
    import uvicorn

    config = uvicorn.Config(
        app, log_level="error", access_log=False, ws="websockets-sansio", lifespan="on", timeout_graceful_shutdown=1,
        ws_max_size=LONGEST_MESSAGE, server_header=False,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, name="web server", daemon=True)
    thread.start()
    try:
        while thread.is_alive() and not server.started:
            time.sleep(0.01)
        yield
    finally:
        server.should_exit = True
        thread.join(timeout=5.0)
        door.close()
