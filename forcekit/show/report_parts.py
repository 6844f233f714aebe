"""The parts of a report with figures: best and worst lift, the usual range, other sessions, dip timing over time."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from forcekit.history.between import Against
from forcekit.history.digest import Digest, DigestRep, Pair
from forcekit.history.timeline import Timeline, newest
from forcekit.history.wording import join_words, load_text, number_text
from forcekit.registry import MEASURES
from forcekit.show.aligned import aligned_figure
from forcekit.show.report import NARROW_IN, PAGE_ATTEMPTS, PHONE_ATTEMPTS, WIDE_IN, outside_usual, plain_number
from forcekit.show.report_blocks import Block, Card, Picture, Section
from forcekit.show.report_figures import Frame, foot_figure, frame_of, path_figure, timing_figure, usual_figure
from forcekit.show.report_words import PATTERN_WORDS
from forcekit.show.words import headline

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.figure import Figure

    from forcekit.model import Lift

__all__ = ["compared", "pair_section", "timing", "usual_section"]


def pair_section(digest: Digest) -> Section | None:
    """Best and worst lift side by side, or the only one."""
    pair, reps = digest.pair, digest.reps
    if pair is None:
        shown = digest.focus.surest if digest.focus else 0
        lifts = [x for x in (reps[shown].lift,) if x is not None]
        if not lifts:
            return None
        told = () if len(reps) == 1 else ("No two lifts can be told apart by the finding, so one is shown.",)
        card = _card(f"Lift {shown + 1}", reps[shown], (), frame_of(lifts))
        return Section("The lift in pictures", (Block(told), Block(cards=(card,))))
    best, worst = reps[pair.best], reps[pair.worst]
    lifts = [x for x in (best.lift, worst.lift) if x is not None]
    frame = frame_of(lifts) if lifts else None
    names = ("Best", "Worst") if pair.by_finding else ("Least", "Most")
    cards = tuple(
        _card(f"{name}: lift {i + 1}", rep, _value(rep, pair), frame)
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
            f'Best and worst are meant by the one thing to work on alone: {by}. A missed lift can be "best" here; one '
            "with a clear finding of another kind is not, if there are others."
        )
    else:
        label = MEASURES[pair.measure].label if pair.measure else ""
        told = f"Nothing stood out, so these are only the lifts with the least and the most {label}, not good and bad."
    if not pair.told_apart:
        told += " The two intervals overlap, so the order of these two is not certain."
    loads = {reps[pair.best].load_kg, reps[pair.worst].load_kg}
    if len(loads) == 2 and None not in loads:
        told += " They were not lifted with the same load, which may be part of the difference."
    return (told,)


def _value(rep: DigestRep, pair: Pair) -> tuple[str, ...]:
    if pair.measure is None:
        return ()
    label = MEASURES[pair.measure].label
    told = f"{label[0].upper()}{label[1:]}: {plain_number(rep.measures[pair.measure])}"
    if pair.measure.endswith("_of_foot"):
        told += f" ({plain_number(rep.measures[pair.measure.removesuffix('_of_foot')])})"
    return (told,)


def _card(heading: str, rep: DigestRep, lines: tuple[str, ...], frame: Frame | None) -> Card:
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
        pictures.append(Picture(_drawn(_foot, lift), f"{number}: pressure on the foot", _pressure_words(lift)))
    if lift.bar is not None and lift.bar.forward_m is not None:
        pictures.append(Picture(_drawn(_path, lift), f"{number}: the bar from the side", _bar_words(lift)))
    return Card(heading, lines, tuple(pictures))


def _drawn(draw: Callable[..., Figure], *about: object) -> Callable[[], Figure]:
    return lambda: draw(*about)


def _foot(lift: Lift) -> Figure:
    figure = foot_figure(lift)
    assert figure is not None
    return figure


def _path(lift: Lift) -> Figure:
    figure = path_figure(lift)
    assert figure is not None
    return figure


def _pressure_words(lift: Lift) -> str:
    moved = [
        f"{plain_number(lift.measures[name])} {words}"
        for name, words in (("shift_in_dip", "in the dip"), ("shift_in_drive", "from the bottom into the drive"))
        if lift.measures[name].ok
    ]
    told = f" It moves {' and '.join(moved)}; forward is plus." if moved else ""
    return f"Path of the pressure along the sole; circle: standing, square: lowest point.{told}"


def _bar_words(lift: Lift) -> str:
    moved = [
        f"{plain_number(lift.measures[name])} {words}"
        for name, words in (("bar_forward_in_dip", "in the dip"), ("bar_forward_in_drive", "in the drive"))
        if lift.measures[name].ok
    ]
    told = f" It moves forward by {' and '.join(moved)}." if moved else ""
    return (
        "Path of the bar seen from your left; dashed: straight up from the shoulders. The small ovals are the 95 % "
        f"region.{told}"
    )


# ------------------------------------------------------------------------------------------- usual and before


def usual_section(digest: Digest) -> Section | None:
    """The session over the usual range at its load; None where there is none."""
    if not digest.usual or digest.usual_load_kg is None:
        return None
    at = load_text(digest.usual_load_kg)
    n = max(row.n_before for row in digest.usual)
    outside = outside_usual(digest)
    told = (
        f"Your lifts at {at} (dots) over your usual range (grey), made from {n} lifts before this session. Each range "
        "holds 19 of 20 usual lifts, so one dot outside now and then means nothing. The next section looks at whole "
        "sessions and at all measures together, which takes more to show a change."
    )
    said = f"Outside the usual: {outside}." if outside else "All of them lie inside."
    picture = Picture(lambda: usual_figure(digest.usual), f"Your lifts at {at} against your usual range", said)
    return Section("Against your usual", (Block((told, said)), Block(pictures=(picture,))))


def compared(digest: Digest) -> Section | None:
    """The session against the last one and against the same load before."""
    c = digest.comparison
    if c is None:
        return None
    blocks = []
    for label, against in (("The last session", c.last), ("The same load before", c.same_load)):
        told = _against_words(against)
        blocks.append(Block(labelled=((label, told),), items=tuple(m.sentence for m in against.different)))
    told = (
        "Several measures are compared at once, so that when nothing has changed a false alarm comes in 1 of 20 "
        "comparisons. That two sessions differ does not say why."
    )
    return Section("Against earlier sessions", (*blocks, Block((told,))))


def _against_words(against: Against) -> str:
    if against.withheld is not None or against.different:
        return against.sentence
    finest = [
        f"{m.words.label} {number_text(m.seen_from, m.words, m.seen_from)}"
        for m in against.measures
        if m.measure in ("dip_depth", "transition_time", "shift_in_drive", "bar_transition_time")
    ]
    return (
        f"{against.sentence} A change would have shown from this on: {join_words(finest)}."
        if finest
        else against.sentence
    )


def timing(digest: Digest) -> Section | None:
    """Dip timing over time, wide for paper and screen, narrow for a phone; None with fewer than two sessions."""
    timeline = digest.timeline
    if timeline is None or len(set(timeline.attempts.session.tolist())) < 2:
        return None
    timeline = replace(timeline, athlete=timeline.athlete or "The lifter")
    trends = tuple(f"{row.trend.sentence[0].upper()}{row.trend.sentence[1:]}" for row in timeline.rows)
    pictures = (
        _timing_picture(newest(timeline, PAGE_ATTEMPTS), WIDE_IN, "wide", trends),
        _timing_picture(newest(timeline, PHONE_ATTEMPTS), NARROW_IN, "narrow", trends),
    )
    return Section("Your dip timing over time", (Block(pictures=pictures), Block(items=trends)))


def _timing_picture(timeline: Timeline, width_in: float, only: str, trends: tuple[str, ...]) -> Picture:
    n = len(timeline.attempts)
    title = f"Phases of {n} attempts over time, aligned at the lowest point"
    caption = "A column is one lift: down from the line how long you sink and brake, up from it how long you drive."
    return Picture(lambda: aligned_figure(timeline, width_in=width_in), title, " ".join(trends), caption, only)
