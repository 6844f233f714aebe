"""Numbers, days and counts as a lifter reads them, and the aim of the one thing to work on."""

from __future__ import annotations

import re
import time

from forcekit.history.digest import Digest
from forcekit.history.digest_usual import foot_limit
from forcekit.numbers import with_unit
from forcekit.registry import MEASURES
from forcekit.show.report_words import OTHER_WAY
from forcekit.show.words import plain_number

__all__ = [
    "aim_text", "count_text", "day_text", "is_within", "plain_measure", "read_out", "with_days",
]  # fmt: skip

DAY = re.compile(r"\b(\d{4})-(\d\d)-(\d\d)\b")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def day_text(at_s: float) -> str:
    """Day in the words of a page: 26 March 2024."""
    day = time.localtime(at_s)
    return f"{day.tm_mday} {MONTHS[day.tm_mon - 1]} {day.tm_year}"


def with_days(text: str) -> str:
    """Write the days of a sentence in the words of a page.

    Examples
    --------
    >>> with_days("the session of 2024-03-09")
    'the session of 9 March 2024'
    """
    return DAY.sub(lambda m: f"{int(m[3])} {MONTHS[int(m[2]) - 1]} {m[1]}", text)


def count_text(n: int, word: str) -> str:
    """Write a count: "1 lift", "2 lifts"."""
    return f"{n} {word}{'' if n == 1 else 's'}"


def plain_measure(name: str) -> str:
    """Name of a measure without what it is compared with."""
    return name.removesuffix("_of_foot").removesuffix("_of_stature")


def read_out(digest: Digest, i: int, name: str) -> str:
    """Number of a lift in the unit one can picture: centimetres instead of a share of the foot."""
    measures = digest.reps[i].measures
    m = measures.get(name.removesuffix("_of_foot"), measures[name])
    return plain_number(m if m.ok else measures[name])


def aim_text(digest: Digest) -> str:
    """The limit as a number to stay inside of, such as "less than 2.2 cm (8 % of your foot)"; "" for none."""
    focus = digest.focus
    if focus is None or focus.measure is None or focus.limit is None:
        return ""
    info = MEASURES[focus.measure]
    limit = with_unit(f"{abs(info.factor * focus.limit):g}", info.shown_unit)
    if (metres := foot_limit(digest.focus, digest.reps)) is not None:
        limit = f"{100.0 * abs(metres):.1f} cm ({limit.replace('of foot', 'of your foot')})"
    if focus.way == "either":
        return f"less than {limit} to either side"
    if focus.limit < 0.0:
        return f"less than {limit} {OTHER_WAY.get(focus.measure, 'the other way')}"
    return f"{'less' if focus.way == 'above' else 'more'} than {limit}"


def is_within(digest: Digest, i: int) -> bool:
    """Whether a lift was judged by the one thing and shows it neither clearly nor possibly."""
    focus, rep = digest.focus, digest.reps[i]
    if focus is None or any(f.pattern == focus.pattern for f in rep.findings):
        return False
    return focus.measure is None or ((m := rep.measures.get(focus.measure)) is not None and m.ok)
