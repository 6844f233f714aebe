"""The command line: parse, call, print.

Exit codes: 0 done (also when a recording holds no lift; the reason is printed), 2 the input cannot be used. Only
cli.py and cli_*.py print.
"""

from __future__ import annotations

import codecs
import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, get_args

import typer

from forcekit import cli_attempts, cli_batch, cli_calibrate, cli_history, cli_live, cli_people, cli_record, cli_report
from forcekit.cli_options import CardOption, JsonOption, StoreOption, check_body, check_range

app = typer.Typer(
    name="forcekit",
    help="Measure the dip and drive of the jerk from a force plate and a sensor on the bar.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

DeviceOption = Annotated[
    Path | None,
    typer.Option(
        "--device", help="Device file (TOML) of the plate; left out, NAME.device.toml or device.toml beside it."
    ),
]
PlotOption = Annotated[
    Path | None,
    typer.Option("--plot", help="Write a figure: FILE.png, .svg or .pdf; with several lifts FILE-1, FILE-2 and so on."),
]
BriefOption = Annotated[bool, typer.Option("--brief", help="Leave out the table of measures.")]


def main() -> None:
    """Run the command line; the library's own errors become one line and exit code 2."""
    from forcekit.errors import ForcekitError
    from forcekit.threads import one_thread_each

    one_thread_each()
    _write_what_the_terminal_can()
    try:
        app()
    except ForcekitError as e:
        print(f"forcekit: {e}", file=sys.stderr)
        sys.exit(2)
    except OSError as e:
        if isinstance(e, BrokenPipeError):
            sys.stderr.close()
            sys.exit(0)
        print(f"forcekit: the output cannot be written ({e.strerror}); choose another place.", file=sys.stderr)
        sys.exit(2)


def _write_what_the_terminal_can() -> None:
    """Let a terminal or pipe whose alphabet lacks a sign get the nearest one, not an error."""
    from forcekit.numbers import NEAREST

    def nearest(error: UnicodeError) -> tuple[str, int]:
        assert isinstance(error, UnicodeEncodeError)
        return "".join(NEAREST.get(c, "?") for c in error.object[error.start : error.end]), error.end

    codecs.register_error("nearest", nearest)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="nearest")


def _version(wanted: bool) -> None:
    if wanted:
        from forcekit import __version__

        print(f"forcekit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


@app.command()
def analyze(
    plate: Annotated[
        Path, typer.Argument(metavar="PLATE", help="Recording of the force plate (or of a bar sensor alone).")
    ],
    device: DeviceOption = None,
    bar: Annotated[Path | None, typer.Option(help="Recording of the sensor on the bar.")] = None,
    bar_device: Annotated[Path | None, typer.Option(help="Device file of the bar's sensor.")] = None,
    card: CardOption = None,
    athlete: Annotated[str | None, typer.Option(help="Name or pseudonym of the lifter.")] = None,
    load: Annotated[float | None, typer.Option(help="Bar with plates, in kg.")] = None,
    movement: Annotated[str | None, typer.Option(help="jerk, push press, push jerk, jump dip or dip only.")] = None,
    body_mass: Annotated[float | None, typer.Option(help="Body mass in kg.")] = None,
    stature: Annotated[float | None, typer.Option(help="Body height in cm.")] = None,
    foot_length: Annotated[float | None, typer.Option(help="Foot length in cm.")] = None,
    heel_line: Annotated[
        float | None, typer.Option(help="Where the heels stand: cm in front of the plate's middle (negative: behind).")
    ] = None,
    outcome: Annotated[
        str | None, typer.Option(help="made, missed forward, missed back, missed otherwise or not tried.")
    ] = None,
    cue: Annotated[str | None, typer.Option(help="The cue that was given before the lift.")] = None,
    drill: Annotated[str | None, typer.Option(help="The drill this was part of.")] = None,
    shortest_stance: Annotated[
        float | None, typer.Option(help="Accept a stance of at least this many seconds (usual: 0.8).")
    ] = None,
    cue_book: Annotated[Path | None, typer.Option(help="Your own cue book (TOML).")] = None,
    keep: Annotated[
        bool | None,
        typer.Option("--keep/--no-keep", help="Keep the lifts in the history; unless told, if it knows the athlete."),
    ] = None,
    date: Annotated[str | None, typer.Option(help="When it was recorded, such as 2024-05-31T18:20.")] = None,
    store: StoreOption = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
    brief: BriefOption = False,
) -> None:
    """Find and explain every dip and drive of a recording.

    The lifts of an athlete whom the history knows are compared with it and kept in it.
    """
    from forcekit.acquire.source import read
    from forcekit.analysis.pipeline import Settings
    from forcekit.analysis.pipeline import analyze as analyze_recording
    from forcekit.history.place import there_is_a_store

    check_body(stature, foot_length)
    check_range("--heel-line", heel_line, -100.0, 100.0, "cm")
    said = {
        "athlete": athlete,
        "load_kg": load,
        "movement": movement,
        "body_mass_kg": body_mass,
        "stature_m": None if stature is None else stature / 100.0,
        "foot_length_m": None if foot_length is None else foot_length / 100.0,
        "heel_line_m": None if heel_line is None else heel_line / 100.0,
        "outcome": outcome,
        "cue": cue,
        "drill": drill,
    }
    given = {name: value for name, value in said.items() if value is not None}
    attempt = _card(card, given) if given or card is not None else None
    settings = Settings(cue_book=cue_book)
    if shortest_stance is not None:
        settings = Settings(shortest_stance_s=shortest_stance, cue_book=cue_book)
    if date is not None:  # what is wrong on the command line is told before the work, and before anything is kept
        from forcekit.cli_store import time_of

        time_of("--date", date)
    _check_plot(plot)
    recording = read(plate, device=device, bar=bar, bar_device=bar_device, card=attempt)
    if keep is None and store is None and not there_is_a_store():
        _show(analyze_recording(recording, settings), plot, as_json, brief)
        return
    from forcekit.cli_keep import HistoryWanted, files_of, with_history

    files = files_of(plate, device, bar, bar_device)
    analysis, told = with_history(recording, settings, files, HistoryWanted(store, keep, date))
    _show(analysis, plot, as_json, brief, told.lines, told.as_json)
    if told.failure is not None:
        raise told.failure


def _check_plot(path: Path | None) -> None:
    """Raise an InputError if a figure is wanted that cannot be written."""
    if path is not None:
        from forcekit.show.charts import check_plot_path

        check_plot_path(path)


def _card(path: Path | None, said: dict[str, Any]) -> Any:
    """Attempt card from its file with what was said on the command line on top."""
    import msgspec

    from forcekit.acquire.device_check import check_card
    from forcekit.acquire.device_file import load_card
    from forcekit.errors import InputError
    from forcekit.model import AttemptCard, Movement, Outcome

    card = load_card(path) if path is not None else AttemptCard()
    for name, allowed in (("movement", get_args(Movement)), ("outcome", get_args(Outcome))):
        if name in said and said[name] not in allowed:
            raise InputError(f'--{name} "{said[name]}" is not known; use one of: {", ".join(allowed)}.')
    try:
        card = msgspec.convert(msgspec.to_builtins(card) | said, AttemptCard)
    except msgspec.ValidationError as e:
        raise InputError(f"the attempt as given: {e}; see `forcekit analyze --help` for what is allowed.") from e
    check_card(card, "the attempt as given")
    return card


def _show(
    analysis: Any,
    plot: Path | None,
    as_json: bool,
    brief: bool,
    history_lines: Sequence[Sequence[str]] = (),
    history: dict[str, Any] | None = None,
) -> None:
    """Print an analysis, with what the history adds, and write its figures."""
    from forcekit import __version__

    if as_json:
        import json

        from forcekit.show.as_json import analysis_dict

        out = analysis_dict(analysis, __version__) | ({} if history is None else {"history": history})
        print(json.dumps(out, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        from forcekit.show.words import analysis_text

        print(analysis_text(analysis, full=not brief, after_findings=history_lines))
    if plot is None:
        return
    from forcekit.show.charts import save_lift_figure

    for i, lift in enumerate(analysis.lifts):
        path = plot if len(analysis.lifts) == 1 else plot.with_stem(f"{plot.stem}-{i + 1}")
        save_lift_figure(lift, path)
        print(f"figure written: {path}", file=sys.stderr)
    if not analysis.lifts:
        print("no figure written: there is no lift", file=sys.stderr)


@app.command()
def demo(plot: PlotOption = None, as_json: JsonOption = False, brief: BriefOption = False) -> None:
    """Show a whole analysis: a jerk that was lost in front.

    The plate and the sensor on the bar were recorded together.
    """
    from importlib import resources

    from forcekit.acquire.source import read
    from forcekit.analysis.pipeline import analyze as analyze_recording

    _check_plot(plot)
    with resources.as_file(resources.files("forcekit") / "samples") as folder:
        recording = read(
            folder / "lost_in_front.csv",
            device=folder / "club_plate_1000_hz.toml",
            bar=folder / "lost_in_front.bar.csv",
            bar_device=folder / "club_bar.toml",
            card=folder / "lost_in_front.card.toml",
        )
        _show(analyze_recording(recording), plot, as_json, brief)


@app.command()
def explain(
    measure: Annotated[
        str | None, typer.Argument(metavar="MEASURE", help="Name of a measure; left out, all are listed.")
    ] = None,
) -> None:
    """Explain a measure: unit, definition as used, source."""
    from forcekit.errors import InputError
    from forcekit.registry import GROUPS, MEASURES, unknown_measure
    from forcekit.show.words import explanation

    if measure is None:
        for group, title in GROUPS.items():
            print(title)
            for info in MEASURES.values():
                if info.group == group:
                    print(f"  {info.name:<30} {info.meaning}")
        return
    if measure not in MEASURES:
        raise InputError(unknown_measure(measure))
    print(explanation(MEASURES[measure]))


@app.command()
def propose(
    recording: Annotated[Path, typer.Argument(metavar="CSV", help="Recording with columns nobody has described.")],
    rate: Annotated[float | None, typer.Option(help="Sampling rate in Hz, if the file has no time.")] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write the proposal here instead of printing it.")
    ] = None,
) -> None:
    """Propose a device file for an unknown CSV.

    It is to be checked and edited before it is used.
    """
    from forcekit.acquire.propose import propose_device
    from forcekit.errors import InputError

    text = propose_device(recording, rate_hz=rate)
    if output is None:
        print(text, end="")
        return
    if output.exists():
        raise InputError(f"{output}: there is such a file already; name another one or move it away.")
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as e:
        raise InputError(f"{output}: cannot be written ({e.strerror}); choose another place.") from e
    print(f"proposal written: {output}; read its comments, check the lines marked CHECK and edit it", file=sys.stderr)


cli_batch.register(app)
cli_attempts.register(app)
cli_people.register(app)
cli_history.register(app)
cli_report.register(app)
cli_record.register(app)
cli_live.register(app)
cli_calibrate.register(app)
