"""What a period's record is made of: sections of sentences and tables, without any layout.

A cell is a figure, a text, a day, or None where nothing is known; how a figure is written is said
once by its column. So page, CSV and PDF cannot tell different figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.reports.view_figures import length_text

Cell = float | int | str | None
UNKNOWN = "unknown"
NONE = "–"
"""In a cell for which there can be no figure."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Args:
        key: its name in the CSV file, with its unit.
        heading: the same for people.
        decimals: of its figures; None for texts.
        wide: whether its texts are sentences.
        means: one line for the list of columns.
        length: whether it is a length in s, which people read in longer units.
    """

    key: str
    heading: str
    decimals: int | None = None
    wide: bool = False
    means: str = ""
    length: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One table; its key names its CSV file.

    Args:
        total: a last row, for people alone.
        below: keys of columns that the page sets in a line below the others of a row.
    """

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Cell]]
    note: str = ""
    total: Sequence[Cell] = ()
    below: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the record: sentences, then tables, then pictures (SVG)."""

    key: str
    title: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PeriodReport:
    """The record of one period.

    Args:
        plant, title: name and title of the plant.
        period: as it was asked for, ``2026-10``; part of file names.
        covers: begin and end in words.
        as_of: up to when the journal knows, in words.
        unfinished: what is missing of the period, in a sentence; empty if nothing is.
        summary: what there is to know, in plain sentences.
    """

    plant: str
    title: str
    period: str
    covers: str
    as_of: str
    unfinished: str
    summary: tuple[str, ...]
    sections: tuple[Section, ...] = field(default=())

    def tables(self) -> list[Table]:
        """All tables, in order."""
        return [table for section in self.sections for table in section.tables]


def written(cell: Cell, column: Column) -> str:
    """A cell as people read it."""
    if cell is None:
        return NONE if column.decimals is None else UNKNOWN
    if isinstance(cell, str):
        return cell
    return length_text(cell) if column.length else f"{cell:.{column.decimals or 0}f}"
