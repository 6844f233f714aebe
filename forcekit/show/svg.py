"""A figure as a piece of SVG that stands inside an HTML page: text stays text, ids are unique, bytes are the same."""

from __future__ import annotations

import html
import io
import re
from typing import TYPE_CHECKING

from forcekit.show.charts import drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["inline_svg"]

_HEAD = re.compile(r"^.*?(?=<svg)", re.S)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.S)
_STYLE = re.compile(r"\s*<defs>\s*<style.*?</style>\s*</defs>", re.S)
_TAG = re.compile(r"<[^>]+>")
_COMMENT = re.compile(r"\s*<!--.*?-->", re.S)
_OPEN = re.compile(r"<svg\b[^>]*>")
_BOX = re.compile(r'viewBox="([^"]+)"')
_ID = re.compile(r'\bid="([^"]+)"')
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_FONT = re.compile(r"'DejaVu Sans'[^;\"]*")


def inline_svg(figure: Figure, name: str, title: str, description: str) -> str:
    """Write a figure as an SVG element for an HTML page.

    Parameters
    ----------
    figure : Figure
    name : str
        Letters and digits, another one for each figure of a page; all ids begin with it.
    title, description : str
        What a reader hears who cannot see it.
    """
    made = io.StringIO()
    with drawing({"svg.fonttype": "none", "path.simplify_threshold": 0.6, "svg.hashsalt": name}):
        figure.savefig(made, format="svg", metadata={"Date": None, "Creator": None})
    text = _HEAD.sub("", made.getvalue(), count=1)
    for part in (_METADATA, _COMMENT, _STYLE):  # a style inside would hold for the whole page
        text = part.sub("", text)
    box = _BOX.search(text)
    for old in set(_ID.findall(text)):
        new = f"{name}-{old}"
        for before, after in ((f'id="{old}"', f'id="{new}"'), (f"(#{old})", f"(#{new})"), (f'"#{old}"', f'"#{new}"')):
            text = text.replace(before, after)
    text = _TAG.sub(_shorter, text)
    opening = (
        f'<svg viewBox="{box.group(1) if box else "0 0 100 100"}" role="img" aria-labelledby="{name}-t {name}-d">'
        f'<title id="{name}-t">{html.escape(title)}</title><desc id="{name}-d">{html.escape(description)}</desc>'
    )
    return _OPEN.sub(lambda _: opening, text, count=1).strip()


def _shorter(tag: re.Match[str]) -> str:
    """One tag with two decimals of a point, a fiftieth of a pixel, and the page's own letters."""
    return _FONT.sub("var(--sans)", _NUMBER.sub(lambda m: f"{float(m.group()):.2f}", tag.group()))
