"""The commands for what leaves the gym: report, compare."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from forcekit.cli_options import JsonOption, MovementOption, StoreOption, check_load

if TYPE_CHECKING:
    from forcekit.history.between import Against
    from forcekit.history.digest import Digest

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(report)
    app.command()(compare)


def report(
    what: Annotated[
        str, typer.Argument(metavar="NAME|RECORDING", help="An athlete of the history, or the file of a recording.")
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE", help="Where to write it: .html or .pdf.")
    ] = Path("report.html"),
    last_session: Annotated[
        bool, typer.Option("--last-session", help="The newest session alone; so it is unless a span is given.")
    ] = False,
    since: Annotated[str | None, typer.Option("--since", help="A span: from this day on, such as 2024-05-31.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="A span: up to the end of this day.")] = None,
    note: Annotated[
        str | None, typer.Option("--note", help="A word from the coach; - reads it from standard input.")
    ] = None,
    pseudonym: Annotated[
        str | None, typer.Option("--pseudonym", help='Stands in place of the name; "" leaves the name out.')
    ] = None,
    paper: Annotated[str, typer.Option("--paper", help="For .pdf: A4 or letter.")] = "A4",
    device: Annotated[Path | None, typer.Option("--device", help="Of a recording: device file of the plate.")] = None,
    bar: Annotated[Path | None, typer.Option("--bar", help="Of a recording: the recording of the bar.")] = None,
    bar_device: Annotated[Path | None, typer.Option("--bar-device", help="Device file of the bar's sensor.")] = None,
    card: Annotated[Path | None, typer.Option("--card", help="Of a recording: attempt card (TOML).")] = None,
    load: Annotated[float | None, typer.Option(help="Of a recording: bar with plates, in kg.")] = None,
    movement: MovementOption = None,
    store: StoreOption = None,
) -> None:
    """Write the lifter's analysis to take home.

    What was seen, one thing to work on, its drill, pictures and numbers.
    """
    from forcekit import __version__
    from forcekit.acquire.source import READERS, WHOLE
    from forcekit.errors import InputError
    from forcekit.show.report import make_report

    _check_output(output)
    if last_session and (since is not None or until is not None):
        raise InputError("--last-session and a span (--since, --until) exclude each other; leave one of them out.")
    of_recording = {"--device": device, "--bar": bar, "--bar-device": bar_device, "--card": card, "--load": load}
    of_history = {"--since": since, "--until": until, "--store": store, "--last-session": last_session or None}
    if Path(what).is_file():
        _none_of(of_history, f"{what} is a recording")
        digest = _of_recording(Path(what), device, bar, bar_device, card, load, movement)
    else:
        if Path(what).suffix.lower() in {**READERS, **WHOLE}:
            raise InputError(f"{what}: there is no such file; name a recording, or an athlete of the history.")
        _none_of(of_recording, f'"{what}" is no file, so it is taken for the name of an athlete')
        digest = _of_history(what, since, until, movement, store)
    told = sys.stdin.read() if note == "-" else note
    made = make_report(digest, pseudonym=pseudonym, note=told, version=__version__)
    if output.suffix.lower() == ".pdf":
        from forcekit.show.report_pdf import report_pdf

        data = report_pdf(made, paper=paper)
    else:
        from forcekit.show.report_html import report_html

        data = report_html(made).encode("utf-8")
    try:
        output.write_bytes(data)
    except OSError as e:
        raise InputError(f"{output}: the report cannot be written ({e.strerror}); choose another place.") from e
    shows = digest.athlete and pseudonym is None
    named = f'It shows the name "{digest.athlete}"; --pseudonym shows another.' if shows else ""
    print(f"report written: {output} ({len(data) / 1000.0:.0f} kB). {named}".strip(), file=sys.stderr)


def compare(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name or pseudonym of the athlete.")],
    measure: Annotated[
        list[str] | None,
        typer.Argument(metavar="MEASURE", help="Names of measures; `forcekit explain` lists them."),
    ] = None,
    session: Annotated[str | None, typer.Option("--session", help="Day of the session; left out, the newest.")] = None,
    load: Annotated[
        float | None, typer.Option(help="Load for the second comparison, in kg; left out, the one lifted most often.")
    ] = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare a session with those before it.

    With the one just before, and with the same load in all of them.
    """
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, time_of
    from forcekit.history.between import compare_sessions
    from forcekit.history.questions import COMPARED

    check_load(load)
    names = known_measures(measure, COMPARED)
    day = time_of("--session", session)
    with opened(store) as history:
        end = None if day is None else _day_end(day)
        movements = movements_taken(history, name, movement)
        found = compare_sessions(history, name, at=end, load_kg=load, movement=movement, names=names)
    if day is not None and found.ended_at < day:
        from forcekit.cli_store import date_text
        from forcekit.errors import InputError

        raise InputError(
            f"--session is {session}; there is no session on that day, the one before it is of "
            f"{date_text(found.started_at)[:10]}. `forcekit attempts` lists them."
        )
    if as_json:
        print_json(found)
        return
    if len(movements) > 1:
        of = f'of "{found.movement}"' if found.movement else "without a movement written"
        tell(f"Compared are the attempts {of}, the commonest in this session; --movement chooses others.")
        print()
    _tell_against("Against the last session", found.last)
    _tell_against("Against the same load before", found.same_load)
    if found.last.withheld is None or found.same_load.withheld is None:
        tell(
            "Several measures are compared at once: when nothing has changed, a false alarm comes in 1 of 20 "
            "comparisons. That two sessions differ does not say why."
        )


# --------------------------------------------------------------------------------------------------- inside


def _tell_against(title: str, against: Against) -> None:
    from forcekit.cli_store import tell

    print(title)
    tell(against.sentence, first="  ", following="  ")
    for m in against.measures:
        tell(m.sentence, first="    ", following="      ")
    for left, why in against.left_out.items() if against.withheld is None else ():
        tell(f"{left}: not compared, {why}.", first="    ", following="      ")
    print()


def _check_output(output: Path) -> None:
    from forcekit.errors import InputError

    if output.suffix.lower() not in (".html", ".pdf"):
        raise InputError(f'{output}: a report is written as .html or .pdf; "{output.suffix}" is neither.')
    if not output.parent.is_dir():
        raise InputError(f"{output}: there is no folder {output.parent}; make it or choose another place.")


def _none_of(options: Mapping[str, object], why: str) -> None:
    from forcekit.errors import InputError

    given = [name for name, value in options.items() if value is not None]
    if given:
        raise InputError(f"{why}; {', '.join(given)} cannot be used with it. Leave it out, or check the name.")


def _of_recording(
    path: Path,
    device: Path | None,
    bar: Path | None,
    bar_device: Path | None,
    card: Path | None,
    load: float | None,
    movement: str | None,
) -> Digest:
    from forcekit.acquire.source import read
    from forcekit.analysis.pipeline import analyze
    from forcekit.cli import _card
    from forcekit.history.digest import digest_of_analysis

    said = {k: v for k, v in (("load_kg", load), ("movement", movement)) if v is not None}
    attempt = _card(card, said) if said or card is not None else None
    return digest_of_analysis(analyze(read(path, device=device, bar=bar, bar_device=bar_device, card=attempt)))


def _of_history(name: str, since: str | None, until: str | None, movement: str | None, store: str | None) -> Digest:
    from forcekit.cli_store import movements_taken, opened, time_of
    from forcekit.history.digest import digest_of_store

    end = time_of("--until", until)
    if until is not None and end is not None and len(until) <= len("2024-05-31"):
        end = _day_end(end)
    with opened(store) as history:
        movements_taken(history, name, movement)
        return digest_of_store(history, name, since=time_of("--since", since), until=end, movement=movement)


def _day_end(start_s: float) -> float:
    """First moment of the day after, local time."""
    from datetime import datetime, timedelta

    return (datetime.fromtimestamp(start_s) + timedelta(days=1)).replace(hour=0, minute=0, second=0).timestamp()
