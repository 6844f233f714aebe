"""The commands for who is in the store, and for the whole of it as tables: athlete, export, import."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from forcekit.cli_options import JsonOption, NameArgument, NoteOption, StoreOption, YesOption, check_body

if TYPE_CHECKING:
    from forcekit.history.tables import Exported

__all__ = ["register"]

StatureOption = Annotated[float | None, typer.Option("--stature", help="Body height in cm.")]
FootOption = Annotated[float | None, typer.Option("--foot-length", help="Foot length in cm.")]
ShoeOption = Annotated[float | None, typer.Option("--shoe-size", help="Mondopoint shoe size (mm), if no foot length.")]
FormatOption = Annotated[str, typer.Option("--format", help="csv or parquet.")]

athlete_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Add, list, change, export, remove athletes."
)


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.add_typer(athlete_app, name="athlete")
    app.command("export")(export_all)
    app.command("import")(import_all)


# ------------------------------------------------------------------------------------------------- athletes


@athlete_app.command("add")
def athlete_add(
    name: NameArgument,
    stature: StatureOption = None,
    foot_length: FootOption = None,
    shoe_size: ShoeOption = None,
    body_mass: Annotated[float | None, typer.Option(help="Today's body mass in kg.")] = None,
    note: NoteOption = None,
    store: StoreOption = None,
) -> None:
    """Add an athlete.

    From then on analyze compares and keeps the lifts of this name.
    """
    from forcekit.cli_store import opened, tell
    from forcekit.history.people import add_athlete

    about = _body(stature, foot_length, shoe_size)
    with opened(store, new=True) as history:
        added = add_athlete(history, name, body_mass_kg=body_mass, note=note or "", **about)
        tell(f"{added.name} was added to {history.place}.")


@athlete_app.command("list")
def athlete_list(store: StoreOption = None, as_json: JsonOption = False) -> None:
    """List all athletes with what is known of them."""
    import time

    from forcekit.cli_store import count_text, date_text, opened, print_json
    from forcekit.history.people import body_mass_at, list_athletes
    from forcekit.show.text_plots import one_line

    with opened(store) as history:
        found = list_athletes(history)
        mass = {a.name: body_mass_at(history, a.name, time.time()) for a in found}
        if as_json:
            from forcekit.show.plain import plain

            print_json([{**plain(a), "body_mass_kg": mass[a.name]} for a in found])
            return
        if not found:
            print(f"{history.place} holds no athlete yet.")
    for a in found:
        said = [count_text(a.n_attempts, "attempt")]
        said += [f"last {date_text(a.last_lifted_at)[:10]}"] if a.last_lifted_at is not None else []
        said += [f"{100 * a.stature_m:.0f} cm tall"] if a.stature_m is not None else []
        said += [f"foot {100 * a.foot_length_m:.1f} cm"] if a.foot_length_m is not None else []
        said += [f"shoe {a.shoe_size_mm:.0f} mm"] if a.shoe_size_mm is not None else []
        said += [f"{mass[a.name]:.1f} kg"] if mass[a.name] is not None else []
        said += [one_line(a.note)] if a.note else []
        print(f"{one_line(a.name):<24}  {', '.join(said)}")


@athlete_app.command("change")
def athlete_change(
    name: NameArgument,
    new_name: Annotated[str | None, typer.Option("--name", help="New name.")] = None,
    stature: StatureOption = None,
    foot_length: FootOption = None,
    shoe_size: ShoeOption = None,
    note: NoteOption = None,
    store: StoreOption = None,
) -> None:
    """Change what is known of an athlete.

    Stored results stay as they are; reanalyze makes new ones.
    """
    from forcekit.cli_store import opened, tell
    from forcekit.errors import InputError
    from forcekit.history.people import change_athlete

    about = {k: v for k, v in _body(stature, foot_length, shoe_size).items() if v is not None}
    changes: dict[str, float | str | None] = {**about}
    changes |= {k: v for k, v in (("note", note), ("name", new_name)) if v is not None}
    if not changes:
        raise InputError("nothing to change; say --stature, --foot-length, --shoe-size, --note or --name.")
    with opened(store) as history:
        changed = change_athlete(history, name, **changes)
    tell(f"{changed.name}: {', '.join(k.rsplit('_', 1)[0].replace('_', ' ') for k in changes)} changed.")


@athlete_app.command("weigh")
def athlete_weigh(
    name: NameArgument,
    kg: Annotated[float, typer.Argument(metavar="KG", help="Body mass in kg.")],
    date: Annotated[str | None, typer.Option(help="When, such as 2024-05-31; left out, now.")] = None,
    store: StoreOption = None,
) -> None:
    """Keep a body mass.

    Each lift is judged with the newest one before it.
    """
    from forcekit.cli_store import opened, tell, time_of
    from forcekit.history.people import add_body_mass

    at = time_of("--date", date)
    with opened(store) as history:
        add_body_mass(history, name, kg, at=at)
    tell(f"{name}: {kg:g} kg kept{'' if date is None else f' for {date}'}.")


@athlete_app.command("export")
def athlete_export(
    name: NameArgument,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder.")],
    fmt: FormatOption = "csv",
    store: StoreOption = None,
) -> None:
    """Write all that is known of one athlete.

    Open tables with the raw recordings; one with lifts of other athletes as well is left out.
    """
    from forcekit.cli_store import opened
    from forcekit.history.tables import export_tables

    with opened(store) as history:
        _told_export(export_tables(history, folder, athlete=name, fmt=_format(fmt)))


@athlete_app.command("remove")
def athlete_remove(name: NameArgument, yes: YesOption = False, store: StoreOption = None) -> None:
    """Delete an athlete and everything kept of them.

    Attempts, results and raw recordings are gone for good.
    """
    from forcekit.cli_store import count_text, opened, tell, typed
    from forcekit.errors import InputError
    from forcekit.history.people import find_athlete
    from forcekit.history.removal import remove_athlete

    with opened(store) as history:
        found = find_athlete(history, name)
        if not yes:
            tell(
                f"{found.name} has {count_text(found.n_attempts, 'attempt')}. All of it, the results and the raw "
                "recordings will be deleted; nothing of it can be brought back. `forcekit athlete export` keeps a copy."
            )
            if typed("Type the name to delete:") != found.name:
                raise InputError(f'nothing was deleted: the name was not typed as it stands, "{found.name}".')
        gone = remove_athlete(history, found.name)
        place = "the server" if "://" in history.place else history.place
    tell(
        f"{found.name} was deleted from {place}: {count_text(gone.n_attempts, 'attempt')}, "
        f"{count_text(gone.n_results, 'result')}, {count_text(gone.n_files, 'raw file')}. Copies and exports made "
        "earlier are not reached."
    )


# ----------------------------------------------------------------------------------------------- in and out


def export_all(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder.")],
    fmt: FormatOption = "csv",
    store: StoreOption = None,
) -> None:
    """Write the whole history as open tables.

    The raw recordings go with them.
    """
    from forcekit.cli_store import opened
    from forcekit.history.tables import export_tables

    with opened(store) as history:
        _told_export(export_tables(history, folder, fmt=_format(fmt)))


def import_all(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that an export wrote.")],
    store: StoreOption = None,
) -> None:
    """Add an exported history to this one.

    What this one holds already stays as it is.
    """
    from forcekit.cli_store import count_text, opened, tell
    from forcekit.errors import InputError
    from forcekit.history.reimport import import_tables

    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder; name one that `forcekit export` wrote.")
    with opened(store, new=True) as history:
        added = import_tables(history, folder)
    tell(
        f"added: {count_text(added.n_athletes, 'athlete')}, {count_text(added.n_attempts, 'attempt')}, "
        f"{count_text(added.n_results, 'result')}, {count_text(added.n_files, 'raw file')}; "
        f"known already: {count_text(added.n_known, 'attempt')}."
    )


# --------------------------------------------------------------------------------------------------- inside


def _body(stature: float | None, foot_length: float | None, shoe_size: float | None) -> dict[str, float | None]:
    """What the options say of a body, in SI; checked in the options' own unit."""
    check_body(stature, foot_length, shoe_size)
    return {
        "stature_m": None if stature is None else stature / 100.0,
        "foot_length_m": None if foot_length is None else foot_length / 100.0,
        "shoe_size_mm": shoe_size,
    }


def _format(fmt: str) -> Literal["csv", "parquet"]:
    from forcekit.errors import InputError

    if fmt == "csv":
        return "csv"
    if fmt == "parquet":
        return "parquet"
    raise InputError(f'--format is "{fmt}"; csv and parquet are allowed.')


def _told_export(done: Exported) -> None:
    from forcekit.cli_store import count_text, tell

    rows = done.n_rows
    said = [count_text(rows[f"{word}s"], word) for word in ("athlete", "attempt", "measure")]
    tell(
        f"written to {done.folder}: {', '.join(said)}, {count_text(done.n_files, 'raw file')}. It holds personal "
        "data: keep it as you keep the history."
    )
    if done.n_withheld:
        files = count_text(done.n_withheld, "raw file")
        tell(f"left out: {files} with lifts of other athletes as well; `forcekit export` writes all of them.")
