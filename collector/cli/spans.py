"""The options of commands that list the past: from, to, by period, of which equipment."""

from __future__ import annotations

import argparse
import csv
import io
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from collector.cli.command import near
from collector.cli.options import add_journal, add_settings, journal_path
from collector.core.calendar import PERIODS, begin_of, instant_us, local
from collector.errors import CommandLineError, JournalError
from collector.journal.reader import JournalReader
from collector.plant.load import parse_plant
from collector.plant.model import Plant

# Where nothing is said: so many days up to the newest record.
USUAL_DAYS = {"hour": 1, "day": 7, "month": 365}
DAY_US = 86_400_000_000
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the past to list.

    Args:
        from_utc_us, to_utc_us: begin and end; the end is not part of it.
        period: hour, day or month.
        zone: the plant's time zone.
    """

    from_utc_us: int
    to_utc_us: int
    period: str
    zone: ZoneInfo


def add_span(parser: argparse.ArgumentParser) -> None:
    """``--from``, ``--to``."""
    parser.add_argument(
        "--from",
        dest="from_text",
        type=when,
        metavar="WHEN",
        help="begin: a date of the plant's time zone (2026-07-01) or an RFC 3339 instant",
    )
    parser.add_argument(
        "--to",
        dest="to_text",
        type=when,
        metavar="WHEN",
        help="end: a date, which is included, or an instant",
    )


def add_listing(parser: argparse.ArgumentParser) -> None:
    """All options of a command that lists periods."""
    add_span(parser)
    parser.add_argument(
        "--by", choices=PERIODS, default="day", help="by hour, plant day or month (day)"
    )
    parser.add_argument(
        "--equipment",
        action="append",
        default=[],
        metavar="NAME",
        help="only this; may be given several times",
    )
    parser.add_argument("--csv", action="store_true", help="print CSV (RFC 4180)")
    add_journal(parser)
    add_settings(parser)


def open_journal(options: argparse.Namespace) -> tuple[JournalReader, Plant]:
    """The journal a command means and the plant it watches now.

    Raises:
        JournalError: there is none, or no plant has been watched yet.
    """
    path = journal_path(options)
    reader = JournalReader(path)
    configuration = reader.configuration_in_force("plant")
    if configuration is None:
        reader.close()
        raise JournalError(f"{path}: no plant has been watched yet")
    return reader, parse_plant(configuration.text, "the plant file on record")


def span_of(options: argparse.Namespace, plant: Plant, newest_utc_us: int) -> Span:
    """The span the options mean.

    Args:
        newest_utc_us: date of the newest record, where the options leave the end open.

    Raises:
        CommandLineError: a begin after the end.
    """
    zone = ZoneInfo(plant.plant.time_zone)
    period = getattr(options, "by", "day")
    to_us = newest_utc_us + 1
    if options.to_text is not None:
        to_us = _instant(options.to_text, zone, after=True)
    if options.from_text is not None:
        from_us = _instant(options.from_text, zone, after=False)
    else:
        wanted_us = to_us - USUAL_DAYS[period] * DAY_US
        from_us = begin_of(period, wanted_us, zone)
    if from_us >= to_us:
        end = f"before {rfc3339_local(to_us, zone)}"
        raise CommandLineError(f"--from is {options.from_text}, expected an instant {end}")
    return Span(from_us, to_us, period, zone)


def when(text: str) -> str:
    """A date or an instant, for an option's ``type``; which one, the plant's zone decides."""
    try:
        _instant(text, UTC, after=False)
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"found '{text}', expected a date such as 2026-07-01 "
            "or an instant such as 2026-07-01T06:00:00+01:00"
        ) from None
    return text


def instant_of(text: str, zone: tzinfo) -> int:
    """The instant a text of ``when`` means, a date its begin; UTC in microseconds."""
    return _instant(text, zone, after=False)


def _instant(text: str, zone: tzinfo, *, after: bool) -> int:
    if DATE.fullmatch(text):
        day = date.fromisoformat(text) + timedelta(days=1 if after else 0)
        return instant_us(datetime.combine(day, time(), zone))
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError("an instant without its offset from UTC")
    return instant_us(at)


def check_equipment(wanted: Collection[str], valid: Collection[str], what: str) -> None:
    """Refuse names of ``--equipment`` that are none of ``valid``.

    Raises:
        CommandLineError: with the nearest valid name.
    """
    for name in wanted:
        if name not in valid:
            raise CommandLineError(f"there is no {what} '{name}'{near(name, valid)}")


def begin_text(utc_us: int, period: str, zone: ZoneInfo) -> str:
    """The begin of a period as people write it; hours with the offset, since one may come twice."""
    at = local(utc_us, zone)
    if period == "hour":
        return f"{at:%Y-%m-%d %H:%M%z}"
    return f"{at:%Y-%m-%d}" if period == "day" else f"{at:%Y-%m}"


def rfc3339_local(utc_us: int, zone: ZoneInfo) -> str:
    """An instant with the plant's offset, to the second."""
    return local(utc_us, zone).isoformat(timespec="seconds")


def figure(value: float | None, decimals: int) -> str:
    """A figure for a table; a dash where there is none."""
    return "-" if value is None else f"{value:.{decimals}f}"


def csv_text(columns: Sequence[str], rows: Sequence[dict[str, Any]]) -> str:
    """CSV of the columns of some rows, without the last line break."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().rstrip("\n")
