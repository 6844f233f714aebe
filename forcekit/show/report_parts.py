"""The parts of a report that show single lifts: best and worst, and this session over the usual range."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from forcekit.history.digest import Digest, DigestRep, Pair
from forcekit.history.wording import load_text
from forcekit.registry import MEASURES
from forcekit.show.report_blocks import Block, Card, Picture, Section
from forcekit.show.report_figures import Frame, foot_figure, frame_of, path_figure, timing_figure, usual_figure
from forcekit.show.report_numbers import count_text
from forcekit.show.report_seen import usual_words
from forcekit.show.report_words import PATTERN_WORDS
from forcekit.show.words import headline, plain_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.figure import Figure

    from forcekit.results import Lift

__all__ = ["pair_section", "usual_section"]


def pair_section(digest: Digest) -> Section | None:
    """Best and worst lift side by side, or the only one."""
    pair, reps = digest.pair, digest.reps
    if pair is None:
        shown = digest.focus.surest if digest.focus else 0
        lifts = [x for x in (reps[shown].lift,) if x is not None]
        if not lifts:
            return None
        told = () if len(reps) == 1 else ("No two lifts can be told apart by the finding, so one is shown.",)
        card = _card(f"Lift {shown + 1}", reps[shown], (), frame_of(lifts), _aim(digest))
        return Section("The lift in pictures", (Block(told), Block(cards=(card,))))
    best, worst = reps[pair.best], reps[pair.worst]
    lifts = [x for x in (best.lift, worst.lift) if x is not None]
    frame = frame_of(lifts) if lifts else None
    names = ("Best", "Worst") if pair.by_finding else ("Least", "Most")
    cards = tuple(
        _card(f"{name}: lift {i + 1}", rep, _value(rep, pair), frame, _aim(digest))
        for name, i, rep in zip(names, (pair.best, pair.worst), (best, worst), strict=True)
    )
    heading = "Best and worst lift" if pair.by_finding else "The two ends of the session"
    return Section(heading, (Block(_said(digest, pair)), Block(cards=cards)))


def _said(digest: Digest, pair: Pair) -> tuple[str, ...]:
    """What best and worst mean on this page, and whether the two can be told apart."""
    reps, focus = digest.reps, digest.focus
    if focus is not None and pair.by_finding:
        by = PATTERN_WORDS[focus.pattern].measured_by
        told = (
            f"Best and worst go only by the one thing to work on: {by}. A missed lift can be the best here; a lift "
            "with another fault is the best only if all have one."
        )
    else:
        label = MEASURES[pair.measure].label if pair.measure else ""
        told = f"Nothing stood out, so these are only the lifts with the least and the most {label}, not good and bad."
    if not pair.told_apart:
        told += " The two intervals overlap, so the order of these two is not certain."
    loads = {reps[pair.best].load_kg, reps[pair.worst].load_kg}
    if len(loads) == 2 and None not in loads:
        told += " They were not lifted with the same load, which may be part of the difference."
    elif None not in loads and len({r.load_kg for r in reps}) > 1:
        told += f" Both were done with {load_text(min(k for k in loads if k is not None))}."
    return (told,)


def _value(rep: DigestRep, pair: Pair) -> tuple[str, ...]:
    if pair.measure is None:
        return ()
    label = MEASURES[pair.measure].label
    told = f"{label[0].upper()}{label[1:]}: {plain_number(rep.measures[pair.measure])}"
    if pair.measure.endswith("_of_foot"):
        told += f" ({plain_number(rep.measures[pair.measure.removesuffix('_of_foot')])})"
    return (told,)


def _aim(digest: Digest) -> tuple[str, float] | None:
    """Measure and limit, as a share of the foot, of the one thing."""
    focus = digest.focus
    if focus is None or focus.measure is None or focus.limit is None or not focus.measure.endswith("_of_foot"):
        return None
    return focus.measure, focus.limit


def _card(
    heading: str, rep: DigestRep, lines: tuple[str, ...], frame: Frame | None, aim: tuple[str, float] | None
) -> Card:
    about = [] if rep.load_kg is None else [load_text(rep.load_kg)]
    about += [rep.outcome] if rep.outcome else []
    heading = f"{heading} ({', '.join(about)})" if about else heading
    if rep.lift is None or frame is None:
        return Card(heading, (*lines, f"No curves: {rep.no_curves or 'the recording is not kept.'}"), ())
    lift = rep.lift
    number = heading.split("(")[0].strip()
    with_force = lift.curves.force_n is not None
    scale = "On the force scale 1 is the weight of you and the bar. " if with_force else ""
    what = "force and height" if with_force else "height of the bar"
    told = f"{scale}Height 0 is standing. {headline(lift)}"
    pictures = [Picture(_drawn(timing_figure, lift, frame), f"{number}: {what} over time", told)]
    if lift.curves.cop_x_m is not None:
        pictures.append(Picture(_drawn(_foot, lift, aim), f"{number}: pressure on the foot", _pressure_words(lift)))
    if lift.bar is not None and lift.bar.forward_m is not None:
        pictures.append(Picture(_drawn(_path, lift, frame), f"{number}: the bar from the side", _bar_words(lift)))
    return Card(heading, lines, tuple(pictures))


def _drawn(draw: Callable[..., Figure], *about: object) -> Callable[[], Figure]:
    return lambda: draw(*about)


def _foot(lift: Lift, aim: tuple[str, float] | None) -> Figure:
    figure = foot_figure(lift, _moved(lift), aim)
    assert figure is not None
    return figure


def _path(lift: Lift, frame: Frame) -> Figure:
    figure = path_figure(lift, frame)
    assert figure is not None
    return figure


def _numbers(lift: Lift, **when: str) -> list[str]:
    """Measures that are known, each followed by its words."""
    return [f"{plain_number(lift.measures[name])} {words}" for name, words in when.items() if lift.measures[name].ok]


def _pressure_words(lift: Lift) -> str:
    moved = _numbers(lift, shift_in_dip="in the dip", shift_in_drive="from the bottom into the drive")
    told = f" It moves {' and '.join(moved)}; forward is plus." if moved else ""
    return (
        "Path of the pressure of both feet together along a sole; the triangles point to where it is while standing "
        f"and at the lowest point.{told}"
    )


def _moved(lift: Lift) -> list[str]:
    return [
        f"{words} {plain_number(lift.measures[name])}"
        for name, words in (("shift_in_dip", "in the dip"), ("shift_in_drive", "in the drive"))
        if lift.measures[name].ok
    ]


def _bar_words(lift: Lift) -> str:
    moved = _numbers(lift, bar_forward_in_dip="in the dip", bar_forward_in_drive="in the drive")
    told = f" It moves forward by {' and '.join(moved)}." if moved else ""
    return (
        "Path of the bar seen from your left; the rack line goes straight up from where the bar lay on the shoulders. "
        f"Sideways is drawn larger than up and down. The small ovals are the 95 % region.{told}"
    )


# ------------------------------------------------------------------------------------------- usual and before


def usual_section(digest: Digest) -> Section | None:
    """The session over the usual range at its load; None where there is none."""
    if not digest.usual or digest.usual_load_kg is None:
        return None
    at = load_text(digest.usual_load_kg)
    most = max(digest.usual, key=lambda row: row.n_before)
    made_from = f"made from your {count_text(most.n_before, 'earlier lift')}"
    if most.n_at_load < most.n_before:
        made_from += f", {most.n_at_load} of them at {at}; for the others the load is allowed for"
    told = (
        f"Your lifts at {at} over your usual range (grey, {made_from}). Of 20 usual lifts 19 lie inside each range, so "
        "one lift outside now and then means nothing. The section on earlier sessions below takes all measures "
        "together, and there it takes more to show a change."
    )
    said = " ".join(usual_words(digest)) or "All of them lie inside."
    caption = "Each mark carries the number of its lift; circle: inside, diamond: outside."
    if any(row.better for row in digest.usual):
        caption += " An arrow points to the side that is better, where one is."
    title = f"Your lifts at {at} against your usual range"
    pictures = tuple(
        Picture(partial(usual_figure, digest.usual, columns=n), title, f"{caption} {said}", caption, only)
        for n, only in ((2, "wide"), (1, "narrow"))
    )
    return Section("Against your usual", (Block((told, said)), Block(pictures=pictures)))
