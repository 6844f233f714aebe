"""The commands for what is kept of an athlete's lifts: attempts, attempt, reanalyze."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from forcekit.cli_options import JsonOption, NameArgument, NoteOption, StoreOption, YesOption

if TYPE_CHECKING:
    from forcekit.history.series import AttemptLine
    from forcekit.history.store import Store

__all__ = ["register"]

LAST_ID = 2**63 - 1
"""No database counts further."""


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(attempts)
    app.command()(attempt)
    app.command()(reanalyze)


def attempts(
    name: NameArgument,
    since: Annotated[str | None, typer.Option(help="Only from this day on, such as 2024-05-31.")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the attempts of an athlete with their numbers."""
    from forcekit.cli_store import opened, print_json, time_of
    from forcekit.history.series import list_attempts

    start = time_of("--since", since)
    with opened(store) as history:
        lines = [line for line in list_attempts(history, name) if start is None or line.lifted_at >= start]
    if as_json:
        print_json(lines)
        return
    if not lines:
        print("no attempts")
    for line in lines:
        print(_attempt_text(line))


def attempt(
    number: Annotated[
        int,
        typer.Argument(metavar="ID", min=1, max=LAST_ID, help="Number of the attempt; `forcekit attempts` lists them."),
    ],
    outcome: Annotated[
        str | None, typer.Option(help="made, missed forward, missed back, missed otherwise or not tried.")
    ] = None,
    load: Annotated[float | None, typer.Option(help="Bar with plates, in kg.")] = None,
    cue: Annotated[str | None, typer.Option(help='The cue that was given; "" for none.')] = None,
    drill: Annotated[str | None, typer.Option(help='The drill this was part of; "" for none.')] = None,
    note: NoteOption = None,
    remove: Annotated[bool, typer.Option("--remove", help="Delete this attempt.")] = False,
    yes: YesOption = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show, correct or delete one attempt."""
    from forcekit.cli_store import opened, tell
    from forcekit.errors import InputError
    from forcekit.history.attempts import change_attempt
    from forcekit.history.series import find_attempt

    said = {"outcome": outcome, "load_kg": load, "cue": cue, "drill": drill, "note": note}
    given = {k: v for k, v in said.items() if v is not None}
    with opened(store) as history:
        who, line = find_attempt(history, number)
        if remove and given:
            raise InputError("--remove deletes the attempt; leave the other options out.")
        if remove:
            _remove_attempt(history, who, line, yes)
            return
        if not given:
            _show_attempt(history, who, line, as_json)
            return
        change_attempt(history, number, outcome=outcome, load_kg=load, cue=cue, drill=drill, note=note)
        line = find_attempt(history, number)[1]
    tell(f"corrected: {_attempt_text(line).strip()}")
    if load is not None:
        tell("The numbers were measured with the old load; `forcekit reanalyze` brings them up to date.")


def reanalyze(
    name: NameArgument,
    cue_book: Annotated[Path | None, typer.Option(help="Your own cue book (TOML).")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Analyse an athlete's kept recordings with this version.

    The earlier results stay beside the new ones.
    """
    from forcekit.cli_store import count_text, opened, print_json, tell
    from forcekit.history.again import reanalyze as again

    with opened(store) as history:
        found = again(history, name, cue_book=cue_book)
    if as_json:
        print_json(found)
        return
    tell(
        f"{count_text(found.n_recordings, 'recording')} analysed again: another result in "
        f"{count_text(found.n_changed, 'attempt')}, the same in {found.n_same}."
    )
    if found.n_brought_back:
        tell(f"In {found.n_brought_back} of them an earlier result came out again and counts once more.")
    if found.n_changed:
        tell(
            "Findings go by the lifter's own limits, from the attempts before: what was kept or corrected there "
            "changes later results, too."
        )
    if found.n_not_kept:
        tell(
            f"{count_text(found.n_not_kept, 'lift')} found beside them and left out: not found earlier, or deleted "
            "since; `forcekit analyze` of the recording itself keeps them."
        )
    for number in found.not_found:
        tell(f"attempt {number}: its lift was not found this time; the earlier result stays.")
    for one in found.failed:
        tell(f"not analysed again, {one.recording}: {one.why}")


# --------------------------------------------------------------------------------------------------- inside


def _show_attempt(history: Store, who: str, line: AttemptLine, as_json: bool) -> None:
    from forcekit.cli_store import print_json
    from forcekit.history.series import measures_of
    from forcekit.registry import MEASURES
    from forcekit.show.text_plots import one_line
    from forcekit.show.words import with_interval

    found = measures_of(history, line.id)
    if as_json:
        print_json({"athlete": who, "attempt": line, "measures": found})
        return
    print(f"{one_line(who)}, attempt {_attempt_text(line).strip()}")
    for m in (found[name] for name in MEASURES if name in found):
        if m.ok:
            print(f"    {MEASURES[m.name].label:<28}{with_interval(m):>24}   {m.name}")


def _remove_attempt(history: Store, who: str, line: AttemptLine, yes: bool) -> None:
    from forcekit.cli_store import count_text, tell, typed
    from forcekit.errors import InputError
    from forcekit.history.removal import remove_attempt

    if not yes:
        tell(f"{who}, attempt {_attempt_text(line).strip()} will be deleted with its results, for good.")
        if typed("Type its number to delete:") != str(line.id):
            raise InputError(f"nothing was deleted: the number {line.id} was not typed.")
    gone = remove_attempt(history, line.id)
    said = f"{count_text(gone.n_results, 'result')}, {count_text(gone.n_files, 'raw file')}"
    tell(f"attempt {line.id} was deleted: {said}.")


def _attempt_text(line: AttemptLine) -> str:
    from forcekit.cli_store import date_text
    from forcekit.history.wording import load_text
    from forcekit.show.text_plots import one_line

    load = "" if line.load_kg is None else load_text(line.load_kg)
    said = [line.movement, line.outcome]
    said += [f'cue "{one_line(line.cue)}"'] if line.cue else []
    said += [f'drill "{one_line(line.drill)}"'] if line.drill else []
    said += [one_line(line.note)] if line.note else []
    said += [f"{line.n_results} results"] if line.n_results > 1 else []
    return f"{line.id:>6}  {date_text(line.lifted_at)}  {load:>8}  {', '.join(s for s in said if s)}"
