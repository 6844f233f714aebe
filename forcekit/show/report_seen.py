"""The first page of a report in words: what was seen, and the one thing to work on."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any, Literal

from forcekit.history.digest import Digest, Focus
from forcekit.history.digest_usual import UsualRow
from forcekit.history.wording import join_words, load_text
from forcekit.show.report_blocks import Block, Section
from forcekit.show.report_numbers import aim_text, count_text, is_within, read_out
from forcekit.show.report_words import PATTERN_WORDS

__all__ = ["seen", "usual_words", "work"]

MOST_NAMED = 8
"""More lifts than this are not named one by one (our choice)."""


def seen(digest: Digest) -> tuple[str, ...]:
    """Short paragraphs: what was lifted, what stood out, what was good, what was as always."""
    n = len(digest.reps)
    if not n:
        return (f"No dip and drive was found. {digest.reason or ''}".strip(),)
    out = [_lifted(digest)]
    focus = digest.focus
    if focus is None:
        out.append("Nothing stood out: no pattern lay beyond its limit in what could be judged. " + _unjudged(digest))
        return (*(p.strip() for p in out), *usual_words(digest))
    out += [_clear(digest, focus) if focus.strength == "clear" else _possible(digest, focus)]
    out += usual_words(digest)
    if digest.others:
        more = [f"{PATTERN_WORDS[p].seen} ({count_text(k, 'lift')})" for p, k in digest.others]
        out.append(f"Also seen, for later: {join_words(more)}. One thing at a time.")
    elif focus.strength == "clear":
        out.append(f"No other fault was clear. {_unjudged(digest)}".strip())
    return tuple(out)


def _lifted(digest: Digest) -> str:
    n = len(digest.reps)
    outcomes = [(o, sum(r.outcome == o for r in digest.reps)) for o in _in_order(r.outcome for r in digest.reps)]
    known = [f"{k} {o}" for o, k in outcomes if o]
    told = f"You did {count_text(n, 'lift')}" + (f" in {digest.n_sessions} sessions" if digest.n_sessions > 1 else "")
    if outcomes == [("made", n)]:
        told += f" and made {('it', 'both')[n - 1] if n <= 2 else 'all of them'}."
    else:
        told += f": {join_words(known)}." if known else "."
    return told + (f" {digest.n_left_out} older lifts of this span are left out." if digest.n_left_out else "")


def _clear(digest: Digest, focus: Focus) -> str:
    """What is clear: in which lifts, what "clear" means, whose limit it is, and how many lifts kept inside."""
    n, words = len(digest.reps), PATTERN_WORDS[focus.pattern]
    in_n = "In this lift" if n == 1 else f"In {focus.n_clear} of {focus.n_judged} lifts"
    which = "" if n == 1 else f" ({_named(digest, focus.showing)})"
    told = [f"{in_n}{which} {words.seen}."]
    if focus.measure:
        it = "This is" if focus.n_clear == 1 else "Each time this is"
        told.append(f"{it} further beyond the limit than the error of the measurement can explain.")
    if focus.n_possible:
        told.append(f"In {focus.n_possible} more it is possible.")
    if aim := aim_text(digest):
        inside = sum(is_within(digest, i) for i in range(n))
        kept = f"; {inside} of {focus.n_judged} lifts kept to it" if inside and n > 1 else ""
        told.append(f"The aim, {aim}, is {_whose(focus)}{kept}.")
    if {digest.reps[i].outcome for i in focus.showing} == {"made"} and any(r.outcome != "made" for r in digest.reps):
        told.append("You made every lift that shows it.")
    elif all(r.outcome == "made" for r in digest.reps):
        told.append("It cost no lift this time.")
    return " ".join(told)


def _possible(digest: Digest, focus: Focus) -> str:
    in_n = "this lift" if len(digest.reps) == 1 else f"{focus.n_possible} of {focus.n_judged} lifts"
    return f"Possibly, in {in_n}, {PATTERN_WORDS[focus.pattern].seen}. The measurement cannot tell for sure."


def _whose(focus: Focus) -> str:
    """Where the limit comes from, in two words."""
    source = focus.limit_source.split("; ", 1)[-1] if "Kept, although" in focus.limit_source else focus.limit_source
    if source.startswith("common practice"):
        return "common practice, not a fixed rule"
    return "from published numbers" if source.startswith("published") else "set for you"


def _named(digest: Digest, indices: Sequence[int]) -> str:
    """Write which lifts, and whether one is the heaviest or the last: "lift 4, the heaviest, and lift 6, the last"."""
    if len(indices) > MOST_NAMED:
        return f"lifts {join_words([*(str(i + 1) for i in indices[: MOST_NAMED - 1]), 'more'])}"
    loads = [r.load_kg for r in digest.reps]
    known = [k for k in loads if k is not None]
    heaviest = max(known) if len(known) == len(loads) and min(known) < max(known) else None
    about = []
    for i in indices:
        said = ["the heaviest"] if heaviest is not None and [loads[i]] == [k for k in known if k == heaviest] else []
        said += ["the last"] if i == len(loads) - 1 and len(loads) > 2 else []
        about.append(f", {' and '.join(said)}" if said else "")
    if not any(about):
        told = [str(i + 1) for i in indices]
        return f"lift {told[0]}" if len(told) == 1 else f"lifts {join_words(told)}"
    told = [f"lift {i + 1}{said}" for i, said in zip(indices, about, strict=True)]
    return told[0] if len(told) == 1 else f"{'; '.join(told[:-1])}, and {told[-1]}"


def _unjudged(digest: Digest) -> str:
    """What was never measured in these lifts, in one sentence; empty if nothing is missing."""
    from forcekit.show.words import JUDGED

    gone = [
        words for words, name in JUDGED.items()
        if not any((m := rep.measures.get(name)) is not None and m.ok for rep in digest.reps)
    ]  # fmt: skip
    return f"Not judged, because it was not measured: {join_words(gone)}." if gone else ""


def _in_order(values: Any) -> list[str]:
    return sorted(set(values), key=lambda v: (v != "made", v))


# ------------------------------------------------------------------------------------------- against the usual


def usual_words(digest: Digest) -> list[str]:
    """What lies outside the usual range: better, worse, and what is neither; empty where all lies inside."""
    if digest.usual_load_kg is None:
        return []
    sides: tuple[Literal["higher", "lower"], ...] = ("lower", "higher")
    found: dict[bool | None, list[str]] = {True: [], False: [], None: []}
    for row, side in product(digest.usual, sides):
        if n := int(row.outside(side).sum()):
            found[row.is_better(side)].append(f"{_way(row, side)} in {n} of {count_text(row.value.size, 'lift')}")
    at = load_text(digest.usual_load_kg)
    heads = {
        True: f"Better than your usual at {at}: ",
        False: f"Worse than your usual at {at}: ",
        None: f"Outside your usual at {at}, which need be neither good nor bad: ",
    }
    return [f"{head}{join_words(found[kind])}." for kind, head in heads.items() if found[kind]]


def _way(row: UsualRow, side: Literal["higher", "lower"]) -> str:
    """Measure and direction: "shift in the drive less far forward"."""
    way = row.words.higher if side == "higher" else row.words.lower
    if way == "further back" and (row.value[row.outside(side)] > 0.0).all():
        way = "less far forward"
    return f"{row.words.label} {way}"


# --------------------------------------------------------------------------------------------------- the one thing


def work(digest: Digest) -> Section:
    """The one thing to work on, with its drill and caution."""
    focus = digest.focus
    if focus is None:
        missed = sum((rep.outcome or "").startswith("missed") for rep in digest.reps)
        if missed:
            lifts = f"{missed} of {count_text(len(digest.reps), 'lift')}" if len(digest.reps) > 1 else "this lift"
            told = f"These numbers do not show why {lifts} {'was' if missed == 1 else 'were'} missed; ask your coach."
        else:
            told = "These numbers ask for no change; load and sets as your coach plans."
        return Section("One thing to work on", (Block(paragraphs=(told,)),), "main")
    words = PATTERN_WORDS[focus.pattern]
    labelled = (
        ("Think", focus.cue.cue),
        ("Drill", focus.cue.drill),
        ("Take care", focus.cue.caution),
        ("Why", words.why),
        ("Better looks like", words.better),
    )
    basis = f"Judged by {words.measured_by}.{_target(digest, focus)}"
    if focus.strength == "possible":
        basis = "Only possible, not clear: watch it before you change anything. " + basis
    return Section(
        "One thing to work on: " + words.title[0].lower() + words.title[1:],
        (Block(labelled=labelled), Block(paragraphs=(basis,))),
        "main",
    )


def _target(digest: Digest, focus: Focus) -> str:
    """The aim, with this session's best and worst beside it; "" where there is none."""
    aim, pair, name = aim_text(digest), digest.pair, focus.measure
    if not aim or name is None:
        return ""
    told = f" Aim for {aim}."
    if pair is None or pair.measure != name:
        return f"{told} This lift had {read_out(digest, focus.surest, name)}."
    best, worst = (digest.reps[i] for i in (pair.best, pair.worst))
    at = f" at {load_text(best.load_kg)}" if best.load_kg is not None and best.load_kg == worst.load_kg else ""
    told += (
        f" Your best lift{at} had {read_out(digest, pair.best, name)}, your worst{at and ' there'} "
        f"{read_out(digest, pair.worst, name)}."
    )
    if focus.surest != pair.worst:
        load = digest.reps[focus.surest].load_kg
        heavy = "" if load is None else f" ({load_text(load)})"
        told += (
            f" Furthest from the aim was lift {focus.surest + 1}{heavy}, with {read_out(digest, focus.surest, name)}."
        )
    return told
