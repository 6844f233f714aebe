"""What `analyze` does with a history: what is known of the lifter, how the lift compares, and keeping it.

A lifter who is in the store is used by name; there, each lift is kept unless `--no-keep` says otherwise. With
`--keep` a lifter who is not there is an error; without it the analysis goes on without a history and says so.
"""

from __future__ import annotations

import difflib
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from forcekit.analysis.findings import CueEntry, load_cue_book
from forcekit.analysis.own_limits import widened
from forcekit.analysis.pipeline import Settings, analyze
from forcekit.cli_store import count_text, opened, time_of, wrapped
from forcekit.errors import InputError
from forcekit.history.attempts import Stored
from forcekit.history.judge import compared_with_earlier, judged_lift, limits_for
from forcekit.history.keep import Files, filled_card, filled_names, keep_lifts, recorded_at
from forcekit.history.people import find_athlete, list_athletes
from forcekit.history.place import there_is_a_store
from forcekit.history.series import movements_of, movements_text
from forcekit.history.several import Comparison
from forcekit.history.store import Store
from forcekit.history.wording import measure_words
from forcekit.model import Recording
from forcekit.results import Analysis, Lift
from forcekit.show.plain import plain
from forcekit.show.text_plots import one_line, ruler

__all__ = ["HistoryWanted", "Told", "files_of", "with_history"]

_KEPT = {
    "new": "as attempt {id} of {name}",
    "analysed again": "as another result of attempt {id} of {name}; the earlier one stays",
    "brought back": "an earlier result of attempt {id} of {name} as the one that counts, for it came out again",
    "known": "nothing: this very result is attempt {id} of {name} already",
}


@dataclass(frozen=True, slots=True)
class HistoryWanted:
    """What the options say: where the store is, whether to keep, when it was recorded."""

    store: str | None = None
    keep: bool | None = None
    date: str | None = None


@dataclass(slots=True)
class Told:
    """What the history adds: lines after the findings of each lift, an object for JSON, and what went wrong."""

    lines: list[list[str]] = field(default_factory=list)
    as_json: dict[str, Any] | None = None
    failure: InputError | None = None


def time_of_day_s(at: float) -> float:
    """Seconds since midnight, local time: a day's own clock, which no other place's midnight sets back."""
    now = datetime.fromtimestamp(at)
    return 3600.0 * now.hour + 60.0 * now.minute + now.second + 1e-6 * now.microsecond


def files_of(plate: Path, device: Path | None, bar: Path | None, bar_device: Path | None) -> Files:
    """The files of a recording with the device files that lie beside them."""
    from forcekit.acquire.source import READERS, device_for

    if device is None and plate.suffix.lower() in READERS:
        device = device_for(plate)
    if bar is not None and bar_device is None and bar.suffix.lower() in READERS:
        bar_device = device_for(bar, "bar")
    return Files(plate, device, bar, bar_device)


def with_history(
    recording: Recording, settings: Settings, files: Files, wanted: HistoryWanted
) -> tuple[Analysis, Told]:
    """Analyse a recording with what the store knows of its lifter, compare, and keep.

    Raises
    ------
    InputError
        As for an analysis, and with `--keep` if the lifter is not in the store.
    """
    store = _store(recording, wanted)
    if store is None:
        return analyze(recording, settings), Told()
    with store:
        athlete = find_athlete(store, recording.card.athlete or "")
        name = athlete.name
        at = time_of("--date", wanted.date) or recorded_at(recording, files.plate)
        if wanted.date is not None and len(wanted.date) <= len("2026-01-31"):
            # A day without a time: the time of keeping is added, so that lifts of one day stay in their order.
            at += time_of_day_s(time.time())
        card = filled_card(store, name, recording.card, at)
        filled = filled_names(recording.card, card)
        recording = replace(recording, card=card)
        analysis = analyze(recording, settings)
        book = load_cue_book(settings.cue_book)
        limits = [limits_for(store, name, lift.card, until=at) for lift in analysis.lifts]
        judged = (judged_lift(lift, book, own) for lift, own in zip(analysis.lifts, limits, strict=True))
        analysis = replace(analysis, lifts=tuple(judged))
        stored: tuple[Stored, ...] = ()
        failure: InputError | None = None
        if wanted.keep is not False:
            setup = {
                "settings": {"shortest_stance_s": settings.shortest_stance_s},
                "devices": [s.device.name for s in (recording.plate, recording.bar) if s is not None],
                "filled": filled,
            }
            stored, failure = _keep(store, name, analysis, files, at, setup)
        ids: list[int | None] = [s.attempt_id for s in stored] or [None] * len(analysis.lifts)
        compared = [
            compared_with_earlier(store, name, lift, at, i) for lift, i in zip(analysis.lifts, ids, strict=True)
        ]
        earlier = movements_of(store, name, until=at)
    told = Told(failure=failure)
    for i, (lift, comparison) in enumerate(zip(analysis.lifts, compared, strict=True)):
        told.lines.append([*_usual_lines(comparison, lift), *_limit_lines(book, limits[i])])
        if lift.card.movement is None and len(earlier) > 1:
            together = f"The earlier lifts are of all movements together: {movements_text(earlier)}."
            told.lines[-1] += _entry("", f"{together} Say --movement for those of one.")
        if athlete.n_attempts == 0 and i == 0:
            told.lines = [_entry("Usual", f"The first lift of {one_line(name)}: there is nothing to compare with yet.")]
        if stored:
            said = _KEPT[stored[i].state].format(id=stored[i].attempt_id, name=one_line(name))
            told.lines[-1] += _entry("Kept", said)
    kept = [{"attempt": s.attempt_id, "state": s.state} for s in stored]
    told.as_json = {"athlete": name, "kept": kept, "compared": plain(compared), "own_limits": plain(limits)}
    return analysis, told


def _keep(
    store: Store, name: str, analysis: Analysis, files: Files, at: float, setup: Mapping[str, object]
) -> tuple[tuple[Stored, ...], InputError | None]:
    """Keep the lifts; what prevents it is told after the analysis, which is worth having all the same."""
    try:
        return keep_lifts(store, name, analysis, files, at=at, setup=setup), None
    except InputError as error:
        return (), error


def _limit_lines(book: Mapping[str, CueEntry], own: Mapping[str, tuple[float, str]]) -> list[str]:
    """Own limits that are wider than common practice: a pattern they keep silent would leave no trace."""
    lines = []
    for pattern, source in widened(book, own).items():
        lines += _entry("Limit", f"{pattern.replace('_', ' ')}: {source}")
    return lines


def _store(recording: Recording, wanted: HistoryWanted) -> Store | None:
    """Open the store if it knows the lifter; None where the analysis goes on without it."""
    name = recording.card.athlete
    if name is None:
        if wanted.keep:
            raise InputError("--keep needs the lifter's name; say --athlete NAME or write it on the attempt card.")
        return None
    if not wanted.keep and not there_is_a_store(wanted.store):
        if wanted.store is not None:
            print(
                f'--store {wanted.store}: there is no history; `forcekit athlete add "{name}"` begins it.',
                file=sys.stderr,
            )
        return None
    try:
        store = opened(wanted.store)
    except InputError as error:
        if wanted.keep:
            raise
        print(f"forcekit: analysed without a history: {error}", file=sys.stderr)
        return None
    names = [a.name for a in list_athletes(store)]
    if name.strip() in names:
        return store
    store.close()
    near = difflib.get_close_matches(name, names, 3)
    hint = f"did you mean {' or '.join(near)}?" if near else f'`forcekit athlete add "{name}"` adds the lifter.'
    said = f'"{name}" is not among the {count_text(len(names), "athlete")} of {store.place}, so nothing is kept; {hint}'
    if wanted.keep:
        raise InputError(said)
    print(one_line(said), file=sys.stderr)
    return None


def _usual_lines(comparison: Comparison, lift: Lift) -> list[str]:
    lines = _entry("Usual", comparison.sentence)
    for m in comparison.different:
        lines += _entry("", m.sentence)
    for m in comparison.measures:
        words = measure_words(m.measure, lift.measures[m.measure].unit)
        lines.append(f"           {words.label:<20} {ruler([m.value], m.low, m.high)}")
    if comparison.measures:
        lines += _entry("", "[ ] holds all of them together in 19 of 20 usual lifts")
    return lines


def _entry(word: str, text: str) -> list[str]:
    return wrapped(text, f"  {word:9}", " " * 11).split("\n")
