"""A period's record as one HTML page: nothing from elsewhere, prints on A4 and Letter.

Everything that comes from files or people is escaped by the template library; pictures are SVG of
our own drawing.
"""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from collector.reports.period_report.tables import Column, PeriodReport, written


def report_html(report: PeriodReport, fonts: str = "") -> str:
    """The page.

    Args:
        report: what it says.
        fonts: CSS that brings fonts, where the printer is not to choose them.
    """
    environment = Environment(
        loader=PackageLoader("collector.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals.update(kind=_kind, picture=_picture, sentence=_sentence, written=written)
    return environment.get_template("period_report.html").render(
        report=report,
        fonts=Markup(fonts),  # noqa: S704 — of our own making
    )


def _kind(column: Column) -> str:
    """Class of a cell: how it is set."""
    if column.key == "day":
        return "day"
    return "figure" if column.decimals is not None else "wide" if column.wide else "word"


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _picture(svg: str) -> Markup:
    """SVG within a page, without the prolog that only a file has."""
    return Markup(svg[svg.index("<svg") :])  # noqa: S704 — of our own drawing
