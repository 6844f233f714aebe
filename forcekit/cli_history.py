"""The commands that ask an athlete's history: usual, trend, trial, misses, break-load."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from forcekit.cli_options import JsonOption, MovementOption, NameArgument, StoreOption, check_load, check_range

if TYPE_CHECKING:
    from forcekit.history.control_reps import ChartKind
    from forcekit.history.trial import CueTrial
    from forcekit.history.usual import UsualRange

__all__ = ["register"]

MeasuresArgument = Annotated[
    list[str] | None, typer.Argument(metavar="MEASURE", help="Names of measures; `forcekit explain` lists them.")
]
MeasureArgument = Annotated[
    str | None, typer.Argument(metavar="MEASURE", help="Name of a measure; `forcekit explain` lists them.")
]
SinceOption = Annotated[str | None, typer.Option("--since", help="Only from this day on, such as 2024-05-31.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(usual)
    app.command()(trend)
    app.command()(trial)
    app.command()(misses)
    app.command("break-load")(break_load)


def usual(
    name: NameArgument,
    measure: MeasuresArgument = None,
    load: Annotated[float | None, typer.Option(help="Load of the next rep, in kg.")] = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say where an athlete's next rep is expected.

    That is the usual range, at a load if one is named; for a measure that is named also how sure a single number is.
    """
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, tell_together
    from forcekit.history.questions import COMPARED, typical_error_of, usual_of
    from forcekit.history.series import measure_names_of

    check_load(load)
    names = known_measures(measure, COMPARED)
    found: list[UsualRange] = []
    errors = []
    with opened(store) as history:
        have = measure_names_of(history, name)
        movements = movements_taken(history, name, movement, squad=True)
        for each in names:
            found.append(usual_of(history, name, each, load_kg=load, movement=movement))
            if measure and each in have:
                errors.append(typical_error_of(history, name, each, movement=movement))
    if as_json:
        about = {"athlete": name, "load_kg": load, "movements": movements}
        print_json({**about, "usual": found, "typical_errors": errors})
        return
    for one in found:
        tell(one.sentence)
    for error in errors:
        tell(error.sentence)
    tell_together(movements)


def trend(
    name: NameArgument,
    measure: MeasuresArgument = None,
    plot: Annotated[Path | None, typer.Option(help="Write a figure: FILE.png, .svg or .pdf.")] = None,
    aligned: Annotated[
        bool,
        typer.Option("--aligned", help="The figure shows the phases of each attempt aligned at its lowest point."),
    ] = False,
    chart: Annotated[
        str | None,
        typer.Option(
            help="single or weighted: whether the series is steady, in place of the trend. single is the individuals "
            "chart of reps, for one odd rep; weighted the EWMA chart of session means, for a small lasting change."
        ),
    ] = None,
    robust: Annotated[
        bool,
        typer.Option(
            "--robust",
            help="Medians for the chart's centre and limits: odd reps hardly move them; few reps alarm more often.",
        ),
    ] = False,
    since: SinceOption = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how measures changed over time.

    Where no measure is named: the four times of dip and drive.
    """
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, tell_together, time_of
    from forcekit.errors import InputError
    from forcekit.history.timeline import DIP_TIMING, charted, timeline_of
    from forcekit.show.text_plots import session_lines

    kind = _chart_kind(chart)
    if kind is None and robust:
        raise InputError("--robust is for a chart: say --chart single or --chart weighted with it.")
    if kind is not None and aligned:
        raise InputError("--aligned and --chart are two figures; ask for one of them.")
    if aligned and plot is None:
        raise InputError("--aligned is a figure; say with --plot FILE.png where to write it.")
    if plot is not None:
        from forcekit.show.charts import check_plot_path

        check_plot_path(plot)
    names = known_measures(measure, DIP_TIMING)
    start = time_of("--since", since)
    with opened(store) as history:
        movements = movements_taken(history, name, movement, since=start)
        timeline = timeline_of(history, name, names, since=start, movement=movement)
        if kind is not None:
            timeline = charted(history, timeline, kind, robust=robust, movement=movement, since=start)
    charts = {row.measure: row.charted.chart for row in timeline.rows if row.charted is not None}
    if as_json:
        trends = {"trends": {row.measure: row.trend for row in timeline.rows}}
        print_json({"athlete": name, "movements": movements, **({"charts": charts} if charts else trends)})
    else:
        for row in timeline.rows:
            tell(charts[row.measure].sentence if charts else row.trend.sentence)
        if len(timeline.rows) == 1 and all(one.withheld is None for one in charts.values()):
            print("\n".join(f"  {line}" for line in session_lines(timeline, timeline.rows[0])))
            print(f"  {_marks(kind)}")
        if not charts:  # a chart refuses several
            tell_together(movements)
        if any(one.withheld is None for one in charts.values()):
            tell(
                "The limits come from these reps themselves, three standard deviations from the centre: about 3 of "
                "1000 steady points lie outside by chance. Whether one rep is unusual, `forcekit usual` answers better."
            )
    if plot is not None:
        from forcekit.show.trends import save_trend_figure

        save_trend_figure(timeline, plot, aligned=aligned)
        print(f"figure written: {plot}", file=sys.stderr)


def trial(
    name: NameArgument,
    measure: MeasuresArgument = None,
    cue: Annotated[str | None, typer.Option(help="The cue, as written with the attempts.")] = None,
    drill: Annotated[str | None, typer.Option(help="The drill, as written with the attempts.")] = None,
    wanted: Annotated[
        str | None, typer.Option(help="higher or lower: what it is meant to bring; else as the cue book says.")
    ] = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether a cue or a drill changed anything.

    Three or more reps before it are held against three or more with it.
    """
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, tell_together
    from forcekit.errors import InputError
    from forcekit.history.questions import COMPARED, cue_trial_of
    from forcekit.history.series import measure_names_of

    if (cue is None) == (drill is None):
        raise InputError("say either --cue CUE or --drill DRILL, as it is written with the attempts.")
    meant = _meant(cue, drill)
    way = _wanted(wanted) or (meant[1] if meant and measure in (None, [], [meant[0]]) else None)
    names = known_measures(measure, COMPARED if meant is None else (meant[0],))
    found: list[CueTrial] = []
    with opened(store) as history:
        have = measure_names_of(history, name)
        movements = movements_taken(history, name, movement)
        for each in names if measure else [n for n in names if n in have] or names[:1]:
            found.append(cue_trial_of(history, name, each, cue=cue, drill=drill, wanted=way, movement=movement))
    if as_json:
        about = {"athlete": name, "cue": cue, "drill": drill, "wanted": way, "movements": movements}
        print_json({**about, "trials": found})
        return
    if all(one.verdict == "too few" for one in found):
        found = found[:1]
    for one in found:
        tell(one.sentence)
    if len(found) > 1:
        tell(
            f"{len(found)} measures were looked at, so one of them may well change by chance; name the measure that "
            "was meant, and with --wanted which way."
        )
    tell_together(movements)


def misses(
    name: NameArgument,
    measure: MeasuresArgument = None,
    kind: Annotated[str | None, typer.Option(help='One kind of miss, such as "missed forward"; left out, all.')] = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what differs between makes and misses at equal load."""
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, tell_together
    from forcekit.errors import InputError
    from forcekit.history.questions import COMPARED, miss_contrast_of
    from forcekit.history.wording import measure_words

    if kind is not None and kind not in ("missed forward", "missed back", "missed otherwise"):
        raise InputError(f'--kind is "{kind}"; missed forward, missed back and missed otherwise are allowed.')
    names = known_measures(measure, (*COMPARED, "shift_total"))
    with opened(store) as history:
        movements = movements_taken(history, name, movement)
        found = miss_contrast_of(history, name, names=names, miss=kind, movement=movement)
    if as_json:
        print_json({"athlete": name, "movements": movements, "contrast": found})
        return
    tell(found.sentence)
    for one in found.differences:
        tell(one.sentence, first="  ", following="    ")
    for left, why in found.left_out.items() if found.withheld is None else ():
        tell(f"{measure_words(left).label}: not compared, {why}.", first="  ", following="    ")
    if found.shown:
        tell("That it goes with the misses does not show that it causes them.")
    tell_together(movements)


def break_load(
    name: NameArgument,
    measure: MeasureArgument = None,
    limit: Annotated[
        float | None, typer.Option(help="End of the usual range, in the unit in which the measure is shown.")
    ] = None,
    side: Annotated[str, typer.Option(help="above or below: which end of the usual range.")] = "above",
    since: SinceOption = None,
    movement: MovementOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say from which load a measure leaves its usual range.

    Where no measure is named: the shift from stance to drive.
    """
    from forcekit.cli_store import known_measures, movements_taken, opened, print_json, tell, tell_together, time_of
    from forcekit.history.questions import break_load_of
    from forcekit.history.series import series
    from forcekit.history.wording import measure_words
    from forcekit.show.text_plots import load_lines

    (one,) = known_measures(None if measure is None else [measure], ("shift_total",))
    words, start = measure_words(one), time_of("--since", since)
    check_range("--limit", limit, -1e9, 1e9, words.unit)
    given = None if limit is None else limit / words.factor
    with opened(store) as history:
        movements = movements_taken(history, name, movement, since=start)
        found = break_load_of(
            history, name, one, limit=given, side=_side(side), movement=movement, since=start, words=words
        )
        reps = series(history, name, one, movement=movement, since=start)
    if as_json:
        print_json({"athlete": name, "movements": movements, "break_load": found})
        return
    tell(found.sentence)
    if found.limit is not None:
        for line in load_lines(reps.value.tolist(), reps.load_kg.tolist(), found.limit, words):
            print(f"  {line}")
        print("  * a rep, | the limit")
    tell_together(movements)


# --------------------------------------------------------------------------------------------------- inside


def _meant(cue: str | None, drill: str | None) -> tuple[str, Literal["higher", "lower"]] | None:
    """Measure that a cue or drill of the cue book is meant to change, and which way; None for any other."""
    from forcekit.analysis.findings import PATTERNS, load_cue_book

    for pattern in PATTERNS:
        entry, first = load_cue_book()[pattern.name], pattern.conditions[0]
        if (cue is not None and entry.cue == cue) or (drill is not None and entry.drill == drill):
            if first.sign == 0.0:  # either side: no one way is the right one
                return None
            return first.measure, "lower" if first.side == "above" else "higher"
    return None


def _wanted(text: str | None) -> Literal["higher", "lower"] | None:
    from forcekit.errors import InputError

    if text is None:
        return None
    if text == "higher":
        return "higher"
    if text == "lower":
        return "lower"
    raise InputError(f'--wanted is "{text}"; higher and lower are allowed.')


def _chart_kind(text: str | None) -> ChartKind | None:
    from forcekit.errors import InputError

    if text is None:
        return None
    if text == "single":
        return "single"
    if text == "weighted":
        return "weighted"
    raise InputError(f'--chart is "{text}"; single and weighted are allowed.')


def _marks(kind: ChartKind | None) -> str:
    """What the marks of `session_lines` mean."""
    if kind == "weighted":
        return "* the weighted mean up to that session, [ ] its limits"
    ends = "the usual range at the load of each rep" if kind is None else "the chart's limits"
    return f"* one rep (2-9: so many at one place), [ ] {ends}"


def _side(text: str) -> Literal["above", "below"]:
    from forcekit.errors import InputError

    if text == "above":
        return "above"
    if text == "below":
        return "below"
    raise InputError(f'--side is "{text}"; above and below are allowed.')
