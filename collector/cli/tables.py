"""Plain tables of at most 80 columns, times and durations as people read them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

WIDTH = 80
GAP = "  "
EPOCH = datetime(1970, 1, 1, tzinfo=ZoneInfo("UTC"))


def table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: frozenset[int] = frozenset(),
    width: int = WIDTH,
) -> list[str]:
    """Lay rows out in columns; where ``width`` does not suffice, the widest words are cut.

    Figures are never cut. Names, which stand in the first column, lose their middle, because what
    tells ``pump_1`` from ``pump_2`` is the end.

    Args:
        headings: one for each column.
        rows: cells as text.
        right: columns set to the right, for figures.
        width: most columns of the screen to take.
    """
    widths = [max(len(row[column]) for row in (headings, *rows)) for column in range(len(headings))]
    room = width - len(GAP) * (len(widths) - 1)
    words = [column for column in range(len(widths)) if column not in right]
    while words and sum(widths) > room:
        widest = max(words, key=widths.__getitem__)
        if widths[widest] == 1:
            break
        widths[widest] -= 1
    return [_line(row, widths, right) for row in (headings, *rows)]


def _line(row: Sequence[str], widths: Sequence[int], right: frozenset[int]) -> str:
    cells = []
    for column, (cell, width) in enumerate(zip(row, widths, strict=True)):
        shown = cut(cell, width, middle=column == 0)
        cells.append(shown.rjust(width) if column in right else shown.ljust(width))
    return GAP.join(cells).rstrip()


def cut(text: str, width: int = WIDTH, *, middle: bool = False) -> str:
    """Text of at most ``width`` columns, an ellipsis where something is left out."""
    if len(text) <= width:
        return text
    tail = (width - 1) // 2 if middle else 0
    return f"{text[: width - 1 - tail]}…{text[len(text) - tail :]}"


def local_time(utc_us: int | None, zone: ZoneInfo, today_utc_us: int | None = None) -> str:
    """A time in the plant's zone.

    With ``today_utc_us`` it is short: the time of day if it lies on that day, else the date.
    """
    if utc_us is None:
        return "-"
    at = _maybe_local(utc_us, zone)
    if at is None:
        return "(no date)"
    if today_utc_us is None:
        return f"{at:%Y-%m-%d %H:%M:%S}"
    today = _maybe_local(today_utc_us, zone)
    is_today = today is not None and at.date() == today.date()
    return f"{at:%H:%M:%S}" if is_today else f"{at:%Y-%m-%d}"


def _maybe_local(utc_us: int, zone: ZoneInfo) -> datetime | None:
    """The instant in a zone; None beyond the calendar."""
    try:
        return (EPOCH + timedelta(microseconds=utc_us)).astimezone(zone)
    except OverflowError:
        return None


def duration(seconds: float) -> str:
    """A duration in the two largest units that say something."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 86_400:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} d {whole % 86_400 // 3600} h"


def hours(seconds: float | None) -> str:
    """Run time in hours with three decimals (3.6 s), from 1000 h on with one; or a dash."""
    if seconds is None:
        return "-"
    figure = seconds / 3600
    return f"{figure:.3f}" if figure < 1000 else f"{figure:.1f}"
