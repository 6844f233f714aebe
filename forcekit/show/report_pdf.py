"""A report as PDF with text that can be selected: words are set on pages, figures put into the room kept for them.

Words and tables are laid out by fpdf2, figures are drawn by matplotlib as vector graphics and merged in by pypdf; none
of them needs a library of the system.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from forcekit.errors import InputError
from forcekit.show.charts import drawing
from forcekit.show.report_blocks import Block, Card, Picture, Report, Section, TableBlock

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["PAPERS", "report_pdf"]

PAPERS = ("A4", "letter")
MARGIN_MM = 15.0
GAP_MM = 7.0
MM_PER_IN = 25.4
MOST_HIGH_MM = 84.0
"""Highest figure in a column; a higher one is made smaller, to letters of 6 points in the highest there is."""
INK, SOFT, EDGE = (29, 29, 27), (85, 85, 79), (213, 94, 0)
WHITE = (255, 255, 255)
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
"""Stands for the time of writing, so that the same report gives the same bytes."""


@dataclass(frozen=True, slots=True)
class _Placed:
    """Room for a figure: page from 0, left and top edge, width (mm)."""

    page: int
    x: float
    y: float
    width: float


@dataclass(slots=True)
class _Pages:
    """The document being set, and the figures to be put in."""

    pdf: Any
    figures: Any
    placed: list[_Placed] = field(default_factory=list)

    @property
    def width(self) -> float:
        """Width of the text (mm)."""
        return float(self.pdf.epw)

    def room(self, high_mm: float) -> None:
        """Begin a new page if so much does not fit on this one."""
        if self.pdf.get_y() + high_mm > self.pdf.h - MARGIN_MM:
            self.pdf.add_page()

    def text(
        self, words: str, size: float = 10.0, *, bold: bool = False, colour: Sequence[int] = INK,
        x: float | None = None, width: float | None = None, after: float = 1.5, lead: bool = False,
    ) -> None:  # fmt: skip
        """Set a paragraph; `lead` sets what stands between two stars in bold."""
        p = self.pdf
        p.set_font("sans", "B" if bold else "", size)
        p.set_text_color(*colour)
        p.set_x(p.l_margin if x is None else x)
        p.multi_cell(width or 0, size * 0.5, words, align="L", new_x="LMARGIN", new_y="NEXT", markdown=lead)
        p.set_y(p.get_y() + after)

    def figure(self, drawn: Figure, x: float, width: float) -> float:
        """Keep room for a figure at the present height; gives its height (mm)."""
        wide, high = (float(v) for v in drawn.get_size_inches())
        height = width * high / wide
        self.placed.append(_Placed(self.pdf.page_no() - 1, x, self.pdf.get_y(), width))
        self.figures.savefig(drawn)
        return height


def report_pdf(report: Report, *, paper: str = "A4") -> bytes:
    """Write a report as PDF; the same report gives the same bytes.

    Parameters
    ----------
    report : Report
    paper : {"A4", "letter"}

    Raises
    ------
    InputError
        If the paper is another one.
    """
    import fpdf

    if paper not in PAPERS:
        raise InputError(f'the paper is "{paper}"; {" and ".join(PAPERS)} are allowed.')
    head = f"{report.title}, {report.subtitle}"

    class Paged(fpdf.FPDF):
        """Pages with title and number below."""

        def footer(self) -> None:
            self.set_font("sans", "", 7.5)
            self.set_text_color(*SOFT)
            self.set_y(-10.0)
            self.cell(self.epw - 20.0, 4.0, head)
            self.cell(20.0, 4.0, f"{self.page_no()} of {{nb}}", align="R")

    pdf = Paged(format=paper, unit="mm")
    pdf.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    pdf.set_auto_page_break(True, MARGIN_MM)
    fonts = _fonts()
    pdf.add_font("sans", "", fonts / "DejaVuSans.ttf")
    pdf.add_font("sans", "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.set_title(head)
    pdf.set_lang("en")
    pdf.set_creation_date(EPOCH)
    pdf.add_page()
    drawn = io.BytesIO()
    with _drawing(drawn) as figures:
        pages = _Pages(pdf, figures)
        pages.text(report.title, 17, bold=True, after=0.5)
        pages.text(report.subtitle, 10, colour=SOFT, after=2)
        for section in _paper_order(report.sections):
            _section(pages, section)
        pages.pdf.ln(4)
        pages.text(report.made_by, 8, colour=SOFT)
    return _merged(bytes(pdf.output()), drawn.getvalue(), pages.placed, float(pdf.h))


def _paper_order(sections: Sequence[Section]) -> list[Section]:
    """On paper the table of the lifts fills the first page, below the one thing to work on and the note."""
    first = [s for s in sections if s.kind == "table"]
    rest = [s for s in sections if s.kind != "table"]
    after = 1 + max((i for i, s in enumerate(rest) if s.kind in ("main", "note")), default=len(rest) - 1)
    return [*rest[:after], *first, *rest[after:]]


def _fonts() -> Path:
    """The letters that come with matplotlib, free to embed."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


# ------------------------------------------------------------------------------------------------------- parts


def _section(pages: _Pages, section: Section) -> None:
    main, boxed = section.kind == "main", section.kind in ("main", "note")
    first = section.blocks[0]
    if first.cards or any(b.cards for b in section.blocks):
        pages.room(69.0 + MOST_HIGH_MM)  # heading, words, one row of figures, its captions
    elif any(b.pictures for b in section.blocks):
        pages.room(120.0)
    elif section.kind == "table":
        pages.room(40.0)
    else:
        pages.room(60.0 if boxed else 24.0)
    pages.pdf.ln(3)
    page, top = pages.pdf.page_no(), pages.pdf.get_y()
    pages.pdf.start_section(section.heading)
    indent = pages.pdf.l_margin + (4.0 if boxed else 0.0)
    width = pages.width - (5.0 if boxed else 0.0)
    pages.text(section.heading, 13, bold=True, x=indent, width=width)
    for block in section.blocks:
        _block(pages, block, indent, width, main)
    if boxed and pages.pdf.page_no() == page:
        pages.pdf.set_draw_color(*(EDGE if main else SOFT))
        pages.pdf.set_line_width(1.2 if main else 0.3)
        pages.pdf.line(pages.pdf.l_margin + 1.0, top, pages.pdf.l_margin + 1.0, pages.pdf.get_y())


def _block(pages: _Pages, block: Block, x: float, width: float, main: bool) -> None:
    for text in block.paragraphs:
        pages.text(text, x=x, width=width, after=2)
    for i, (label, text) in enumerate(block.labelled):
        pages.room(14.0)
        pages.text(label, 9, bold=True, x=x, width=width, after=0)
        loud = main and i == 0
        pages.text(text, 13 if loud else 10, bold=loud, x=x, width=width, after=1.5)
    for text in block.items:
        pages.room(10.0)
        top = pages.pdf.get_y()
        pages.text("•", 9.5, x=x + 2.0, width=4.0, after=0)
        pages.pdf.set_y(top)
        pages.text(text, 9.5, x=x + 6.0, width=width - 6.0, after=1)
    if block.table:
        _table(pages, block.table)
    for picture in block.pictures:
        if picture.only != "narrow":
            _picture(pages, picture)
    if block.cards:
        _cards(pages, block.cards)


def _picture(pages: _Pages, picture: Picture) -> None:
    """One figure with its caption; one for a column no wider than its own size."""
    drawn = picture.draw()
    wide, high = (float(v) * MM_PER_IN for v in drawn.get_size_inches())
    width = min(wide, pages.width)
    pages.room(width * high / wide + 14.0)
    height = pages.figure(drawn, float(pages.pdf.l_margin), width)
    pages.pdf.set_y(pages.pdf.get_y() + height + 1.0)
    pages.text(_caption(picture), 8, colour=SOFT, after=2, lead=True)


def _caption(picture: Picture) -> str:
    """Words below a figure, the title set in bold by the two stars."""
    return f"**{picture.title}.** {picture.caption or picture.description}"


def _cards(pages: _Pages, cards: Sequence[Card]) -> None:
    """Columns side by side, row by row, so that the same figure of each stands at the same height."""
    column = (pages.width - GAP_MM * (len(cards) - 1)) / max(2, len(cards))
    left = [float(pages.pdf.l_margin) + i * (column + GAP_MM) for i in range(len(cards))]
    _row(pages, [(x, column, card.heading, 10.5, True) for x, card in zip(left, cards, strict=True)])
    for lines in zip_longest(*(card.lines for card in cards), fillvalue=""):
        _row(pages, [(x, column, line, 9.5, False) for x, line in zip(left, lines, strict=True)])
    for row in zip_longest(*(card.pictures for card in cards)):
        drawn = [None if p is None else p.draw() for p in row]
        ratios = [0.0 if d is None else float(d.get_figheight() / d.get_figwidth()) for d in drawn]
        width = min(column, MOST_HIGH_MM / max(ratios))
        pages.room(width * max(ratios) + 27.0)
        heights = [0.0 if d is None else pages.figure(d, x, width) for x, d in zip(left, drawn, strict=True)]
        pages.pdf.set_y(pages.pdf.get_y() + max(heights) + 1.0)
        told = ["" if p is None else _caption(p) for p in row]
        _row(pages, [(x, column, text, 8, False) for x, text in zip(left, told, strict=True)])
        pages.pdf.ln(2)


def _row(pages: _Pages, cells: Sequence[tuple[float, float, str, float, bool]]) -> None:
    """Texts side by side: left edge, width, words, size, bold."""
    top, bottom = pages.pdf.get_y(), pages.pdf.get_y()
    for x, width, words, size, bold in cells:
        pages.pdf.set_y(top)
        if words:
            pages.text(
                words, size, bold=bold, colour=INK if size > 8 else SOFT, x=x, width=width, after=1, lead=size <= 8
            )
        bottom = max(bottom, pages.pdf.get_y())
    pages.pdf.set_y(bottom)


def _table(pages: _Pages, table: TableBlock) -> None:
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    pages.pdf.set_text_color(*INK)
    pages.pdf.set_fill_color(*WHITE)
    pages.pdf.set_font("sans", "", 7.5 if len(table.heads) > 7 else 8.5)
    pages.pdf.set_draw_color(*SOFT)
    pages.pdf.set_line_width(0.1)
    rows = (table.heads, *table.rows)
    # In letters: a cell up to 13, every word whole, words of the bold head a third wider.
    wide = [
        max(
            min(max(len(row[i]) for row in table.rows), 13),
            *(len(w) for row in table.rows for w in row[i].split()),
            *(1.35 * len(w) for w in table.heads[i].split()),
        )
        for i in range(len(table.heads))
    ]
    with pages.pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES, text_align="LEFT",
        headings_style=FontFace(emphasis="BOLD", fill_color=WHITE),
        line_height=4.2, padding=0.8, col_widths=tuple(n + 3 for n in wide), width=pages.width,
    ) as made:  # fmt: skip
        for i, row in enumerate(rows):
            line = made.row()
            for j, cell in enumerate(row):
                line.cell(cell, style=FontFace(emphasis="BOLD") if (i - 1, j) in table.marked else None)
    pages.pdf.ln(2)
    if table.note:
        pages.text(table.note, 8, colour=SOFT, after=2)


# ----------------------------------------------------------------------------------------------------- figures


@contextmanager
def _drawing(into: io.BytesIO) -> Iterator[Any]:
    """One document for all figures, so that each font is embedded once; letters stay letters (TrueType)."""
    from matplotlib.backends.backend_pdf import PdfPages

    with drawing({"pdf.fonttype": 42}), PdfPages(into, metadata={"CreationDate": None}) as figures:
        yield figures


def _merged(document: bytes, drawn: bytes, placed: Sequence[_Placed], page_high_mm: float) -> bytes:
    """Put the figures, page by page of their document, into the room kept for them."""
    from pypdf import PdfReader, PdfWriter
    from pypdf.generic import ArrayObject, DecodedStreamObject, DictionaryObject, NameObject

    points = 72.0 / MM_PER_IN
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(document)))
    figures = PdfReader(io.BytesIO(drawn)).pages if placed else []
    for i, (one, figure) in enumerate(zip(placed, figures, strict=True)):
        form = DecodedStreamObject()
        contents = figure.get_contents()
        form.set_data(b"" if contents is None else contents.get_data())
        form[NameObject("/Type")], form[NameObject("/Subtype")] = NameObject("/XObject"), NameObject("/Form")
        form[NameObject("/BBox")] = ArrayObject(figure.mediabox)
        form[NameObject("/Resources")] = figure["/Resources"].clone(writer)
        name = NameObject(f"/Figure{i}")
        page = writer.pages[one.page]
        # The page gets a dictionary of its own: fpdf2 gives all pages the same one.
        resources = DictionaryObject(cast("DictionaryObject", page["/Resources"].get_object()))
        shapes = DictionaryObject(cast("DictionaryObject", resources.get("/XObject", DictionaryObject())))
        shapes[name] = writer._add_object(form.flate_encode())
        resources[NameObject("/XObject")] = shapes
        page[NameObject("/Resources")] = resources
        scale = one.width * points / float(figure.mediabox.width)
        y = (page_high_mm - one.y) * points - float(figure.mediabox.height) * scale
        put = DecodedStreamObject()
        put.set_data(f"q {scale:.5f} 0 0 {scale:.5f} {one.x * points:.3f} {y:.3f} cm {name} Do Q\n".encode())
        old = page["/Contents"]
        streams = list(old) if isinstance(old, ArrayObject) else [page.raw_get("/Contents")]
        page[NameObject("/Contents")] = ArrayObject([*streams, writer._add_object(put)])
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()
