"""What a report tells over the sessions: the one thing, this session against earlier ones, dip timing."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from forcekit.history.between import Against
from forcekit.history.digest import Digest
from forcekit.history.digest_usual import Course
from forcekit.history.timeline import Timeline, TimelineRow, newest
from forcekit.history.trend import TOLD_DIGITS
from forcekit.history.wording import Wording, interval_text, join_words, number_text
from forcekit.show.aligned import aligned_figure
from forcekit.show.report_blocks import Block, Picture, Section
from forcekit.show.report_figures import course_figure
from forcekit.show.report_numbers import aim_text, count_text, day_text, with_days

__all__ = ["compared", "course_section", "timing", "trend_words"]

PHONE_ATTEMPTS, PAGE_ATTEMPTS = 16, 60
PHONE_DOTS = 24
"""Where a lift is a dot and no column, more of them find room on a phone."""
WIDE_IN, NARROW_IN = 7.4, 3.6


def compared(digest: Digest) -> Section | None:
    """The session against the last one and against the same load before."""
    c = digest.comparison
    if c is None:
        return None
    blocks = []
    for label, against in (("The last session", c.last), ("The same load before", c.same_load)):
        told = with_days(_against_words(against))
        items = tuple(with_days(m.sentence) for m in against.different)
        blocks.append(Block(labelled=((label, told),), items=items))
    if c.last.withheld is not None and c.same_load.withheld is not None:
        return Section("Against earlier sessions", tuple(blocks))
    told = (
        "Several measures are compared at once: if nothing has changed, still 1 of 20 such comparisons shows a change. "
        "That two sessions differ does not say why. Here one session is compared; the trends below rest on all of them "
        "and can show smaller changes."
    )
    if len({rep.movement for rep in digest.reps}) > 1:
        told = f"Compared are the lifts of one movement, {c.movement or 'not written'}, the commonest here. {told}"
    return Section("Against earlier sessions", (*blocks, Block((told,))))


def _against_words(against: Against) -> str:
    said = against.sentence.replace(" reps ", " lifts ").replace(" rep ", " lift ")
    if against.withheld is not None or against.different:
        return said
    finest = [
        f"{number_text(m.seen_from, m.words, m.seen_from)} ({m.words.label})"
        for m in against.measures
        if m.measure in ("dip_depth", "transition_time", "shift_in_drive", "bar_transition_time")
    ]
    return f"{said} Smaller changes than these could not have been seen: {join_words(finest)}." if finest else said


# ------------------------------------------------------------------------------------------- one thing over time


def course_section(digest: Digest) -> Section | None:
    """The measure of the one thing over the sessions with its aim, and what its cue has done; None for one session."""
    course = digest.course
    if course is None or len(set(course.timeline.attempts.session.tolist())) < 2:
        return None
    row = course.timeline.rows[0]
    label = row.words.label
    told = [f"{trend_words(row, course.timeline)} {_cue_words(course, label)}".strip()]
    pictures = []
    for n, width, only in ((PAGE_ATTEMPTS, WIDE_IN, "wide"), (PHONE_DOTS, NARROW_IN, "narrow")):
        part = _sessions(course.timeline, n)
        aim = f" Dashed line: the aim, {aim_text(digest)}." if course.limit is not None else ""
        extent = f"{_extent(part, course.timeline)}{_together(course.timeline)}"
        caption = f"{extent} Grey: your usual range at the load of each lift.{aim}"
        title, said = f"{label[0].upper()}{label[1:]} over the sessions", f"{caption} {told[0]}"
        draw = partial(course_figure, part, course.limit, width_in=width, day=day_text)
        pictures.append(Picture(draw, title, said, caption, only))
    return Section("The one thing over time", (Block(tuple(told)), Block(pictures=tuple(pictures))))


def _cue_words(course: Course, label: str) -> str:
    """Since when the cue or drill of the newest lifts is in use, and what the trial of it shows."""
    if not course.said or course.since is None:
        return ""
    since = f'The {course.kind} "{course.said}" has been in use since {day_text(course.since)}.'
    trial = course.trial
    if trial is None:
        return since
    words, effect = course.timeline.rows[0].words, trial.against_usual or trial.against_before
    verdict = {
        "too few": "It is too early to tell what it does: at least 3 lifts before and 3 with it are needed.",
        "worked": f"It worked: with it, the {label} is",
        "made it worse": f"It made things worse: with it, the {label} is",
        "changed": f"With it, the {label} is",
        "back to usual": "Things are back to your usual with it, which happens after unusual lifts without a cue too.",
        "changed, cause open": "Things are different with it; whether that would have come by itself is open, because "
        "there are too few lifts from before.",
        "not shown": "Whether it changes anything is not shown yet:",
    }[trial.verdict]
    if effect is None or verdict.endswith("."):
        return f"{since} {verdict}"
    span = interval_text(effect.low, effect.high, words, signed=True)
    if trial.verdict == "not shown":
        return (
            f"{since} {verdict} over {count_text(trial.n_after, 'lift')} with it, compared with your lifts before it "
            f"at about the same load, everything from {span} fits."
        )
    mean = number_text(abs(effect.value), words, effect.high - effect.low)
    way = _way(words, effect.value)
    return (
        f"{since} {verdict} {mean} {way} than in {effect.n} lifts before it at about the same load (95 % {span}), from "
        f"{count_text(trial.n_after, 'lift')}."
    )


# -------------------------------------------------------------------------------------------------- dip timing


def timing(digest: Digest) -> Section | None:
    """Dip timing over time, wide for paper and screen, narrow for a phone; None with fewer than two sessions."""
    timeline = digest.timeline
    if timeline is None or len(set(timeline.attempts.session.tolist())) < 2:
        return None
    timeline = replace(timeline, athlete=timeline.athlete or "The lifter")
    trends = tuple(trend_words(row, timeline) for row in timeline.rows)
    pictures = tuple(
        _timing_picture(_sessions(timeline, n), timeline, width, only, trends)
        for n, width, only in ((PAGE_ATTEMPTS, WIDE_IN, "wide"), (PHONE_ATTEMPTS, NARROW_IN, "narrow"))
    )
    return Section("Your dip timing over time", (Block(pictures=pictures), Block(items=trends)))


def _sessions(timeline: Timeline, most: int) -> Timeline:
    """The newest whole sessions with at most so many attempts, at least the newest one."""
    session = timeline.attempts.session.tolist()
    n = 0
    for key in list(dict.fromkeys(session))[::-1]:
        n_next = n + session.count(key)
        if n and n_next > most:
            break
        n = n_next
    return newest(timeline, min(n, most))


def _extent(part: Timeline, whole: Timeline) -> str:
    """Which lifts a picture shows: all, or the last sessions of them."""
    n, days = len(part.attempts), len(set(part.attempts.session.tolist()))
    all_days = len(set(whole.attempts.session.tolist()))
    if part.n_left_out:
        return f"The last {count_text(days, 'session')} of {all_days}, {count_text(n, 'lift')}."
    return f"All {count_text(days, 'session')}, {count_text(n, 'lift')}."


def _together(timeline: Timeline) -> str:
    """Which movements the lifts are of, where they are several."""
    done = sorted({f'"{m}"' if m else "no movement written" for m in timeline.attempts.movement})
    return f" All movements are taken together: {join_words(done)}." if len(done) > 1 else ""


def _timing_picture(part: Timeline, whole: Timeline, width_in: float, only: str, trends: tuple[str, ...]) -> Picture:
    caption = (
        f"{_extent(part, whole)}{_together(whole)} A column is one lift: down from the line how long you sink and "
        "brake, up from it how long you drive."
    )
    return Picture(
        lambda: aligned_figure(part, width_in=width_in, day=day_text, title=_extent(part, whole)),
        "Phases of each lift, aligned at the lowest point", " ".join(trends), caption, only,
    )  # fmt: skip


def _way(words: Wording, change: float) -> str:
    """Comparative for a change; a shift that gets smaller goes less far forward, and need not go back."""
    way = words.higher if change > 0.0 else words.lower
    return {"further back": "less far forward"}.get(way, way)


def trend_words(row: TimelineRow, timeline: Timeline) -> str:
    """Trend of a measure in a lifter's words, with days for sessions and no more digits than are sure."""
    trend, words = row.trend, row.words
    label = {"unweighting": "sinking"}.get(words.label, words.label)
    label = label[0].upper() + label[1:]
    if trend.withheld is not None or trend.per_week is None:
        return f"{label}: no trend can be told; {trend.withheld}."
    low, high = trend.per_week_low or 0.0, trend.per_week_high or 0.0
    source = f"{count_text(trend.n_reps, 'lift')} in {count_text(trend.point.size, 'session')}"
    source += ", load allowed for" if trend.load_adjusted else ""
    per_week = f"{interval_text(low, high, words, signed=True)} per week"
    if trend.shape == "steady":
        return f"{label}: no trend shown; anything from {per_week} fits ({source})."
    if trend.shape == "line":
        way = _way(words, trend.per_week)
        return f"{label}: getting {way}, by {per_week} (95 %; {source})."
    told = []
    for step in trend.steps:
        half = 0.5 * (step.high - step.low)
        near, far = sorted((abs(step.low), abs(step.high)))
        before, after = (number_text(v, words, TOLD_DIGITS * half) for v in (step.before, step.after))
        span = interval_text(near, far, words)
        span = f"up to {number_text(far, words, far - near)}" if span.startswith("0–") else span
        way = _way(words, step.after - step.before)
        told.append(
            f"{way} since {day_text(step.at_s)}, {after} on average instead of {before} (a difference of {span}, 95 %)"
        )
    return f"{label}: {'; '.join(told)} ({source})."
