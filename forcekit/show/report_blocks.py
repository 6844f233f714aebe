"""The pieces of a report, which page and PDF both read: sections of words, tables, figures and cards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Block", "Card", "Picture", "Report", "Section", "TableBlock"]


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure: how it is drawn, its title, what it shows in words; `only` says on which width it is seen.

    `caption` is printed below it in place of the description.
    """

    draw: Callable[[], Figure]
    title: str
    description: str
    caption: str = ""
    only: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One of two lifts side by side."""

    heading: str
    lines: tuple[str, ...]
    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class TableBlock:
    """A table: heads and rows of text; the first cell of a row is its head.

    `marked` are cells (row, column) set in bold; their text carries a sign as well. `note` stands below.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: frozenset[tuple[int, int]] = frozenset()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """A part of a section: paragraphs, a list, labelled lines, a table, pictures, cards."""

    paragraphs: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    labelled: tuple[tuple[str, str], ...] = ()
    table: TableBlock | None = None
    pictures: tuple[Picture, ...] = ()
    cards: tuple[Card, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A section; `kind` "main" is the one thing to work on, "note" the coach's note, "table" the lifts."""

    heading: str
    blocks: tuple[Block, ...]
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """Everything a report tells."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    made_by: str
