"""What the bench and the lifter's page ask of the history."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

import anyio.to_thread
import msgspec
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from forcekit.errors import InputError
from forcekit.live.room import Room, coach_or_helper, visitor_of

if TYPE_CHECKING:
    from forcekit.history.store import Store

__all__ = ["Endpoint", "body_of", "figure_answer", "people_answer", "review_answer"]

Endpoint = Callable[[Request], Awaitable[Response]]
LONGEST_BODY = 10_000
"""Bytes of what a page posts: a name and three numbers."""


async def body_of(request: Request) -> dict[str, Any]:
    """What a page posted: a small JSON object."""
    data = b""
    async for chunk in request.stream():
        data += chunk
        if len(data) > LONGEST_BODY:
            raise InputError(f"the page sent more than {LONGEST_BODY} bytes. Reload it.")
    try:
        return msgspec.json.decode(data, type=dict[str, Any])
    except msgspec.DecodeError as error:
        raise InputError(f"the page sent something that cannot be read ({error}). Reload it.") from error


def people_answer(room: Room) -> Endpoint:
    """Make the endpoint that lists the athletes, and adds one."""

    async def answer(request: Request) -> Response:
        from forcekit.live.review import SUBJECTS, add_person, people

        coach_or_helper(room, request)
        store = _kept(room)
        if request.method == "POST":
            told = await body_of(request)
            numbers = {k: _number(told, k) for k in ("body_mass_kg", "stature_cm", "foot_length_cm")}
            name = await anyio.to_thread.run_sync(lambda: add_person(store, str(told.get("name", "")), **numbers))
            await anyio.to_thread.run_sync(room.session.look_up_athletes)
            room.wake()
            return JSONResponse({"name": name})
        found = await anyio.to_thread.run_sync(people, store)
        return JSONResponse({"people": found, "subjects": {k: title for k, (title, _) in SUBJECTS.items()}})

    return answer


def review_answer(room: Room) -> Endpoint:
    """Make the endpoint that says what the history holds of an athlete."""

    async def answer(request: Request) -> Response:
        from forcekit.live.review import review

        found = await anyio.to_thread.run_sync(review, *_asked(room, request))
        return Response(msgspec.json.encode(found), media_type="application/json")

    return answer


def figure_answer(room: Room) -> Endpoint:
    """Make the endpoint that draws an athlete's attempts."""

    async def answer(request: Request) -> Response:
        from forcekit.live.review import figure_svg

        drawn = await anyio.to_thread.run_sync(figure_svg, *_asked(room, request))
        return Response(drawn, media_type="image/svg+xml")

    return answer


def _asked(room: Room, request: Request) -> tuple[Store, str, str]:
    """Store, athlete and subject of a question to the history; a lifter asks about nobody else."""
    visitor = visitor_of(room, request)
    if visitor is None:
        raise InputError("You were not let in; ask the coach for a code.")
    athlete = request.query_params.get("name", "")
    if visitor.role == "lifter" and visitor.guest is not None:
        athlete = visitor.guest.athlete or ""
    return _kept(room), athlete, request.query_params.get("about", "balance")


def _kept(room: Room) -> Store:
    if room.store is None:
        raise InputError("There is no history yet; `forcekit athlete add NAME` begins one.")
    return room.store


def _number(told: dict[str, Any], name: str) -> float | None:
    value = told.get(name)
    if value in (None, ""):
        return None
    try:
        return float(str(value).replace(",", "."))
    except ValueError:
        words = name.replace("_", " ")
        raise InputError(f'{words}: "{value}" is no number; write one such as 81.5, or leave it empty.') from None
