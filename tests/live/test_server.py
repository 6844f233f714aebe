"""The server: who is answered, what a browser is bound to, what a page gets and may do."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
import pytest
from served import GUEST_NAME, Served, answer_to, next_state, served
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection

from forcekit.live.invented import LIFTERS, invented_day

MARKUP = '<img src=x onerror="alert(1)">'


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A served session of one invented lifter."""
    with served(invented_day(lifters=LIFTERS[:1]), tmp_path_factory.mktemp("page")) as running:
        yield running


@pytest.fixture
def guest_cookie(page: Served) -> str:
    """Cookie of a lifter's phone that came in with a code."""
    return come_in(page, {"do": "invite", "number": 1, "role": "lifter", "athlete": "Ines Falkner"})


def come_in(page: Served, invite: dict[str, object]) -> str:
    """Invite a guest, use the code as the guest's browser does, and give the cookie."""
    with page.line() as line:
        assert answer_to(line, invite)["kind"] == "done"
        code = next_state_with_code(page)
    there = f"{GUEST_NAME}:{page.port}"
    status, headers, body = page.ask(
        "/join", method="POST", host=there, headers={"origin": f"http://{there}"}, body={"code": code, "name": "Phone"}
    )
    assert (200, {"go": "/lifter" if invite["role"] == "lifter" else "/"}) == (status, json.loads(body))
    assert "HttpOnly" in headers["set-cookie"]
    assert "samesite=strict" in headers["set-cookie"].lower()
    return headers["set-cookie"].split(";")[0]


def read_to_the_end(line: ClientConnection) -> None:
    """Read until the line is closed."""
    while True:
        line.recv(timeout=10)


def next_state_with_code(page: Served) -> str:
    """The code on the coach's screen."""
    with page.line() as line:
        return str(next_state(line, {"sharing"})["sharing"]["invitation"]["code"])


def test_every_answer_binds_the_browser(page: Served) -> None:
    """Nothing but the page's own files may run or be asked for, and nothing may be kept or framed."""
    for path in ("/", "/bench", "/lifter", "/join", "/parts/coach.js", "/people", "/nowhere"):
        _, headers, _ = page.ask(path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("host", ["rebound.test", "127.0.0.1.evil.test", "169.254.1.1", ""])
def test_a_foreign_name_is_not_answered(page: Served, host: str) -> None:
    """A page elsewhere whose name was turned to this machine (DNS rebinding) gets nothing, nor a line."""
    status, _, body = page.ask("/", host=f"{host}:{page.port}")
    assert 403 == status
    assert b"<html" not in body
    with pytest.raises(InvalidStatus, match="403"):
        page.line(host=f"{host or 'x'}:{page.port}")


@pytest.mark.parametrize("origin", ["http://evil.test", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_a_foreign_page_gets_no_line_and_changes_nothing(page: Served, origin: str) -> None:
    """Another site in the same browser (cross-site WebSocket, form post) is turned away."""
    with pytest.raises(InvalidStatus, match="403"):
        page.line(origin=origin)
    status, _, _ = page.ask("/people", method="POST", headers={"origin": origin}, body={"name": "Nobody"})
    assert 403 == status


def test_a_post_without_origin_is_turned_away(page: Served) -> None:
    """What cannot say where it comes from does not change anything."""
    assert 403 == page.ask("/people", method="POST", body={"name": "Nobody"})[0]


def test_a_cross_site_read_is_turned_away(page: Served) -> None:
    """A browser that says the request comes from another site is believed."""
    assert 403 == page.ask("/people", headers={"sec-fetch-site": "cross-site"})[0]


@pytest.mark.parametrize("name", ["..%2fserver.py", "%2e%2e%2f__init__.py", "../session.py", "coach.html", "x.js"])
def test_no_path_leads_out_of_the_pages(page: Served, name: str) -> None:
    """Only the files of the pages are given out, and pages only where it is known who asks."""
    assert 404 == page.ask(f"/parts/{name}")[0]


def test_a_stranger_is_sent_to_the_door(page: Served) -> None:
    """In the network nothing but the door answers without a code."""
    there = f"{GUEST_NAME}:{page.port}"
    for path in ("/", "/bench", "/lifter"):
        status, headers, _ = page.ask(path, host=there)
        assert (303, "/join") == (status, headers["location"])
    for path in (
        "/people",
        "/people/review?name=Ines+Falkner&about=balance",
        "/people/figure.svg?name=Ines+Falkner",
        "/rep/1",
    ):
        assert 400 == page.ask(path, host=there)[0]
    assert 404 == page.ask("/code.svg", host=there)[0]
    with page.line(host=there) as line, pytest.raises(ConnectionClosed) as closed:
        line.recv(timeout=10)
    assert 4003 == closed.value.rcvd.code  # type: ignore[union-attr]


def test_a_wrong_code_is_refused_in_words(page: Served) -> None:
    """The door says what is wrong and gives no cookie."""
    there = f"{GUEST_NAME}:{page.port}"
    status, headers, body = page.ask(
        "/join", method="POST", host=there, headers={"origin": f"http://{there}"}, body={"code": "12", "name": "x"}
    )
    assert 400 == status
    assert "code" in json.loads(body)["why"]
    assert "set-cookie" not in headers


def test_a_lifter_sees_nobody_else(page: Served, guest_cookie: str) -> None:
    """A lifter's line carries own card and lifts, no athletes, devices or trace; own history whatever name is asked."""
    there = f"{GUEST_NAME}:{page.port}"
    with page.line(host=there, cookie=guest_cookie) as line:
        parts = next_state(line, {"reps", "card", "role"})
        assert {"role", "athlete", "ready", "card", "reps", "measures"} == set(parts)
        assert ("lifter", "Ines Falkner") == (parts["role"], parts["athlete"])
        assert answer_to(line, {"do": "undo", "number": 3})["kind"] == "refused"
        frames = [line.recv(timeout=5) for _ in range(3)]
        assert [f for f in frames if isinstance(f, bytes)] == []
    asked = {"cookie": guest_cookie}
    _, _, body = page.ask("/people/review?name=Oke+Brandvold&about=balance", host=there, headers=asked)
    assert "Ines Falkner" == json.loads(body)["athlete"]
    assert 400 == page.ask("/people", host=there, headers=asked)[0]
    assert (303, "/lifter") == (lambda a: (a[0], a[1]["location"]))(page.ask("/", host=there, headers=asked))


def test_a_second_screen_is_shown_out(page: Served) -> None:
    """A helper may change the card; shown out, its line is closed and its cookie is worth nothing."""
    there = f"{GUEST_NAME}:{page.port}"
    cookie = come_in(page, {"do": "invite", "number": 1, "role": "helper"})
    with page.line(host=there, cookie=cookie) as line, page.line() as coach:
        assert "done" == answer_to(line, {"do": "card", "number": 1, "load_kg": 61.0})["kind"]
        assert 61.0 == page.session.state()["card"]["load_kg"]
        assert "refused" == answer_to(line, {"do": "invite", "number": 2, "role": "helper"})["kind"]
        with page.line(host=there, cookie=cookie) as fresh:
            assert next_state(fresh, {"sharing"})["sharing"]["invitation"] is None
        guest = next(g for g in next_state(coach, {"sharing"})["sharing"]["guests"] if g["role"] == "helper")
        assert guest["pages"] >= 1
        answer_to(coach, {"do": "show out", "number": 2, "guest": guest["number"]})
        with pytest.raises(ConnectionClosed) as closed:
            read_to_the_end(line)
        assert 4001 == closed.value.rcvd.code  # type: ignore[union-attr]
    assert 303 == page.ask("/", host=there, headers={"cookie": cookie})[0]


def test_the_code_is_drawn_for_the_coach_alone(page: Served) -> None:
    """The picture of the code is an SVG of this machine's own, and gone with the code."""
    with page.line() as line:
        answer_to(line, {"do": "invite", "number": 1, "role": "helper"})
        status, headers, body = page.ask("/code.svg")
        assert (200, "image/svg+xml") == (status, headers["content-type"].split(";")[0])
        assert b"<svg" in body
        answer_to(line, {"do": "withdraw", "number": 2})
    assert 404 == page.ask("/code.svg")[0]


def test_the_trace_is_rows_of_four_small_floats(page: Served) -> None:
    """Binary frames hold time, force, pressure along and across; time runs on over the frames."""
    with page.line() as line:
        frames = []
        while len(frames) < 5:
            message = line.recv(timeout=10)
            if isinstance(message, bytes):
                frames.append(np.frombuffer(message, "<f4").reshape(-1, 4))
    times = np.concatenate([f[:, 0] for f in frames])
    assert np.all(np.diff(times) > 0.0)
    # At most 9 s of 250 rows at once, then what 1/30 s brought; three times as much for a busy machine.
    assert frames[0].shape[0] <= 2250
    assert max(f.shape[0] for f in frames[1:]) <= 3 * 30


def test_a_refused_order_leaves_the_line_open(page: Served) -> None:
    """Nonsense is answered with a sentence, and the next order is done."""
    with page.line() as line:
        line.send("{nonsense")
        assert "refused" == answer_to(line, {"do": "mark", "number": 4, "rep": 999, "outcome": "made"})["kind"]
        assert {"kind": "done", "number": 5, "words": ""} == answer_to(
            line, {"do": "card", "number": 5, "load_kg": 60.0}
        )


def test_a_name_with_markup_stays_a_name(page: Served) -> None:
    """A name is kept letter by letter and sent as JSON; the figure draws it as text."""
    origin = {"origin": page.here}
    status, _, body = page.ask("/people", method="POST", headers=origin, body={"name": MARKUP, "stature_cm": "171,5"})
    assert (200, {"name": MARKUP}) == (status, json.loads(body))
    _, headers, body = page.ask("/people")
    assert "application/json" == headers["content-type"]
    assert MARKUP in [p["name"] for p in json.loads(body)["people"]]
    status, _, body = page.ask("/people", method="POST", headers=origin, body={"name": "Bo", "body_mass_kg": "much"})
    assert (400, True) == (status, "no number" in json.loads(body)["why"])


def test_the_bench_answers_from_the_history(page: Served) -> None:
    """Trends, usual ranges, misses and a figure; where there is nothing, a sentence."""
    _, _, body = page.ask("/people/review?name=Ines+Falkner&about=depth")
    found = json.loads(body)
    assert 16 == len(found["lifts"])
    assert 3 == len(found["trends"]) == len(found["usual"])
    assert "makes and misses" in found["misses"].lower()
    assert found["together"] is None
    status, headers, body = page.ask("/people/figure.svg?name=Ines+Falkner&about=depth")
    assert (200, "image/svg+xml") == (status, headers["content-type"].split(";")[0])
    assert b"<script" not in body
    status, _, body = page.ask("/people/review?name=Nobody&about=depth")
    assert (400, True) == (status, "Nobody" in json.loads(body)["why"])
