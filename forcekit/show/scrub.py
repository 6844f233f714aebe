"""A pseudonym in place of a name, wherever a person may have written it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from forcekit.history.digest import Digest
from forcekit.history.timeline import Timeline
from forcekit.results import Cue

__all__ = ["scrubber", "without_name"]


def without_name(digest: Digest, pseudonym: str | None) -> Digest:
    """Replace the name by the pseudonym wherever a person may have written it: cues, drills, the cue book."""
    name = digest.athlete
    if pseudonym is None or not name:
        return digest
    scrub = scrubber(name, pseudonym)
    reps = tuple(replace(r, cue=scrub(r.cue), drill=scrub(r.drill)) for r in digest.reps)
    focus, timeline = digest.focus, digest.timeline
    if focus is not None:
        cue = Cue(scrub(focus.cue.cue), scrub(focus.cue.drill), scrub(focus.cue.caution))
        focus = replace(focus, cue=cue, limit_source=scrub(focus.limit_source))
    if timeline is not None:
        timeline = _timeline_without(timeline, pseudonym, scrub)
    course = digest.course
    if course is not None:
        trial = course.trial and replace(course.trial, sentence=scrub(course.trial.sentence))
        followed = _timeline_without(course.timeline, pseudonym, scrub)
        course = replace(course, timeline=followed, said=scrub(course.said), trial=trial)
    return replace(digest, athlete=pseudonym or None, reps=reps, focus=focus, timeline=timeline, course=course)


def _timeline_without(timeline: Timeline, pseudonym: str, scrub: Callable[[str], str]) -> Timeline:
    a = timeline.attempts
    a = replace(a, cue=tuple(map(scrub, a.cue)), drill=tuple(map(scrub, a.drill)), athlete=pseudonym)
    return replace(timeline, attempts=a, athlete=pseudonym)


def scrubber(name: str, pseudonym: str) -> Callable[[str], str]:
    """Function that puts the pseudonym in place of a name and of each of its parts, as whole words.

    Examples
    --------
    >>> scrubber("Bo Ekdahl", "lifter 7")("Chest up, Bo! EKDAHL: slow.")
    'Chest up, lifter 7! lifter 7: slow.'
    """
    parts = sorted({p for p in re.split(r"\W+", name) if len(p) > 1}, key=len, reverse=True)
    # A part of two or three letters is often a word as well; it is a name where it is written as one.
    any_case = [re.escape(p) for p in (name, *parts) if len(p) > 3]
    as_written = [re.escape(p) for p in (name, *parts) if len(p) <= 3]
    patterns = []
    if any_case:
        patterns.append(re.compile(rf"(?<!\w)(?:{'|'.join(any_case)})(?!\w)", re.IGNORECASE))
    if as_written:
        patterns.append(re.compile(rf"(?<!\w)(?:{'|'.join(as_written)})(?!\w)"))
    instead = pseudonym or "the lifter"

    def scrub(text: str) -> str:
        for pattern in patterns:
            text = pattern.sub(lambda _: instead, text or "")
        return text

    return scrub
