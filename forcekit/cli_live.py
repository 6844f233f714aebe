"""The command `forcekit live`: the coach's page on this machine and, if asked, in the gym's network."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from forcekit.cli_options import DEVICE_WORDS, StoreOption

if TYPE_CHECKING:
    import socket

    from forcekit.acquire.capture import Planned
    from forcekit.history.store import Store
    from forcekit.live.invented import InventedDay
    from forcekit.live.session import LiveSession
    from forcekit.model import AttemptCard

__all__ = ["register"]

PORT = 8146
"""Port of the page unless told; any that is seldom used."""

DevicesOption = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help=DEVICE_WORDS + "or virtual (invented lifters on a plate, with a sensor on the bar); may be repeated.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(live)


def live(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="Where the recordings go; left out, this folder.")
    ] = None,
    device: DevicesOption = None,
    athlete: Annotated[str | None, typer.Option(help="Name or pseudonym of the first lifter.")] = None,
    load: Annotated[float | None, typer.Option(help="Bar with plates, in kg.")] = None,
    movement: Annotated[str | None, typer.Option(help="jerk, push press, push jerk, jump dip or dip only.")] = None,
    store: StoreOption = None,
    cue_book: Annotated[Path | None, typer.Option(help="Your own cue book (TOML).")] = None,
    share: Annotated[
        bool, typer.Option("--share", help="Let guests in the network look, each with a one-time code.")
    ] = False,
    port: Annotated[int, typer.Option(help="Port of the page; 0 takes any that is free.")] = PORT,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page.")] = True,
) -> None:
    """Show every lift to the coach as it happens.

    A page for laptop, tablet and phone that needs no internet.
    """
    from forcekit.cli import _card
    from forcekit.cli_record import _signals
    from forcekit.cli_store import opened
    from forcekit.history.place import there_is_a_store

    _need_libraries()
    said = {"athlete": athlete, "load_kg": load, "movement": movement}
    card = _card(None, {name: value for name, value in said.items() if value is not None})
    with ExitStack() as stack:
        stop = stack.enter_context(_signals())
        door = stack.enter_context(_listening(port, share))
        if "virtual" in (device or []):
            planned, kept, day = _invented(device or [], store, stack)
            where = Path(_scratch(stack)) if folder is None else folder
        else:
            planned, kept, day = _real(device or []), None, None
            if store is not None or there_is_a_store():
                kept = stack.enter_context(opened(store, new=store is not None))
            where = folder or Path()
        session = _session(planned, where, kept, card, cue_book)
        stack.enter_context(_running(session, tell=day is None or folder is not None))
        if day is not None:
            _follow(session, day, stack)
        _serve(session, kept, door, share, browser, stop)


def _need_libraries() -> None:
    """Raise one clear sentence where the page's libraries are not installed."""
    from importlib.util import find_spec

    from forcekit.errors import InputError

    missing = [name for name in ("starlette", "uvicorn", "websockets", "segno") if find_spec(name) is None]
    if missing:
        raise InputError(
            f'the coach\'s page needs {", ".join(missing)}; install what is missing with pip install "forcekit[live]".'
        )


def _listening(port: int, share: bool) -> socket.socket:
    """Socket of the page: this machine only, unless it is shared."""
    import socket

    from forcekit.errors import InputError

    if not 0 <= port <= 65535:
        raise InputError(f"--port {port}: 1 to 65535 is allowed, 0 takes any that is free.")
    door = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let a second program take the same port
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        door.bind(("0.0.0.0" if share else "127.0.0.1", port))
        door.listen(64)
    except OSError as error:
        door.close()
        raise InputError(
            f"--port {port}: it cannot be used ({error.strerror}); perhaps forcekit runs already. "
            "--port 0 takes a free one."
        ) from error
    return door


def _real(words: list[str]) -> list[Planned]:
    from forcekit.cli_record import _opened

    with ExitStack() as nothing:
        return _opened(words, nothing)[0]


def _scratch(stack: ExitStack) -> str:
    import tempfile

    return stack.enter_context(tempfile.TemporaryDirectory(prefix="forcekit-"))


def _invented(words: list[str], store: str | None, stack: ExitStack) -> tuple[list[Planned], Store, InventedDay]:
    """Virtual devices, and the history they belong to: kept apart from real athletes, unless a place is named."""
    from forcekit.acquire.replay import replay
    from forcekit.errors import InputError
    from forcekit.history.people import list_athletes
    from forcekit.history.store import open_store
    from forcekit.live.invented import fill_history, invented_day

    if words != ["virtual"]:
        raise InputError("--device virtual brings plate and bar and goes alone; leave the other devices out.")
    print("inventing lifters ...", flush=True)
    day = invented_day()
    kept = stack.enter_context(open_store(store if store is not None else _scratch(stack)))
    if not list_athletes(kept):
        fill_history(kept)
    played = stack.enter_context(replay(day.recording, loop=True))
    return list(played), kept, day


def _session(
    planned: list[Planned], folder: Path, store: Store | None, card: AttemptCard, cue_book: Path | None
) -> LiveSession:
    from forcekit.analysis.pipeline import Settings
    from forcekit.errors import InputError
    from forcekit.live.session import LiveSession

    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder; make it or name another one.")
    return LiveSession(planned, folder=folder, store=store, settings=Settings(cue_book=cue_book), card=card)


@contextmanager
def _running(session: LiveSession, *, tell: bool) -> Iterator[None]:
    """Start a session; at the end finish its recording and say where it is, unless it is thrown away."""
    session.start()
    try:
        yield
    finally:
        print("the last lifts are measured, then the recording is written ...", flush=True)
        path = session.close()
        if path is None:
            print("no recording: no sample came; check cable, power and device file")
        elif tell:
            print(f"recording written: {path}")
            print(f"next: forcekit analyze {path}")


def _follow(session: LiveSession, day: InventedDay, stack: ExitStack) -> None:
    """Let the invented lifters step up one after the other."""
    import threading

    from forcekit.live.invented import follow

    end = threading.Event()
    thread = threading.Thread(target=follow, args=(session, day, end), name="invented lifters", daemon=True)
    thread.start()

    def finish() -> None:
        end.set()
        thread.join(timeout=2.0)

    stack.callback(finish)


def _serve(
    session: LiveSession, store: Store | None, door: socket.socket, share: bool, browser: bool, stop: Any
) -> None:
    """Serve the page until told to stop."""
    from forcekit.live.room import Sharing
    from forcekit.live.server import build_app, serving
    from forcekit.live.sharing import own_addresses

    port = int(door.getsockname()[1])
    sharing = Sharing(tuple(own_addresses()), port) if share else Sharing()
    app = build_app(session, store=store, sharing=sharing)
    with serving(app, door):
        here = f"http://127.0.0.1:{port}/"
        print(f"coach's page: {here}")
        if sharing.address:
            print(f"guests in the network: {sharing.address}/join  (the page's button Share shows a code)")
        print("Ctrl-C ends the session", flush=True)
        if browser:
            import webbrowser

            webbrowser.open(here)
        stop.wait()
