"""A report as one HTML page that needs nothing else: no network, no script, figures inside."""

from __future__ import annotations

from importlib import resources

from forcekit.show.report_blocks import Picture, Report
from forcekit.show.svg import inline_svg

__all__ = ["report_html"]


def report_html(report: Report) -> str:
    """Write a report as a page; the same report gives the same bytes.

    Parameters
    ----------
    report : Report
    """
    import jinja2
    from markupsafe import Markup

    n = 0

    def svg(picture: Picture) -> Markup:
        nonlocal n
        n += 1
        # Only what matplotlib wrote is taken as markup; it escapes the text it draws.
        return Markup(inline_svg(picture.draw(), f"f{n}", picture.title, picture.description))

    source = (resources.files("forcekit.show") / "report.html.j2").read_text(encoding="utf-8")
    page = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True)
    return page.from_string(source).render(report=report, svg=svg)
