"""A period's record as one HTML page: nothing from elsewhere, prints on A4 and Letter.

Everything that comes from files or people is escaped by the template library; pictures are SVG of
our own drawing.
"""

from __future__ import annotations

from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from collector.reports.period_report.tables import Cell, Column, PeriodReport, Table, written


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
    environment.globals.update(kind=_kind, lower=_lower, picture=_picture, written=written)
    return environment.get_template("period_report.html").render(
        report=report,
        fonts=Markup(fonts),  # noqa: S704 — of our own making
    )


def _kind(column: Column) -> str:
    """Class of a cell: how it is set."""
    if column.key in ("day", "unit", "by"):
        return "whole"
    return "figure" if column.decimals is not None else "wide" if column.wide else "word"


def _lower(table: Table, row: Sequence[Cell]) -> list[tuple[str, str]]:
    """Headings and sentences of the cells that stand in a line below their row."""
    told = []
    for column, cell in zip(table.columns, row, strict=True):
        if column.key in table.below and cell:
            text = written(cell, column)
            told.append((column.heading, text if text.endswith((".", "!", "?")) else f"{text}."))
    return told


def _picture(svg: str) -> Markup:
    """SVG within a page, without the prolog that only a file has."""
    return Markup(svg[svg.index("<svg") :])  # noqa: S704 — of our own drawing
