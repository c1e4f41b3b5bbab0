"""The period a record covers, on the plant's calendar, and what of it the journal knows."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from collector.core.calendar import begin_of, end_of, instant_us, local
from collector.errors import CommandLineError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.eras import Eras, read_eras

FORM = re.compile(r"(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?")
DAY_US = 86_400_000_000
MOST_DAYS_BY_DAY = 62
PAGE = 5_000


@dataclass(frozen=True, slots=True)
class Period:
    """One period of a plant.

    Args:
        name: as asked for, part of file names.
        from_utc_us, to_utc_us: its begin and end; the end is not part of it.
        known_to_utc_us: the last sign of the collector, if it lies before the end, else the end.
        eras: which plant time had which date.
        before: a sequence before which nothing is younger than the end, for what stood then.
    """

    name: str
    from_utc_us: int
    to_utc_us: int
    known_to_utc_us: int
    zone: ZoneInfo
    eras: Eras
    before: int

    @property
    def by(self) -> str:
        """Whether figures are listed by day or, where that were too many, by month."""
        long = self.to_utc_us - self.from_utc_us > MOST_DAYS_BY_DAY * DAY_US
        return "month" if long else "day"

    @property
    def length_s(self) -> float:
        """Its length, in s."""
        return (self.to_utc_us - self.from_utc_us) / 1e6

    def days(self) -> list[int]:
        """Begin of each of its days or months, up to what is known; UTC in microseconds."""
        found, at = [], begin_of(self.by, self.from_utc_us, self.zone)
        while at < min(self.to_utc_us, self.known_to_utc_us):
            found.append(at)
            at = end_of(self.by, at, self.zone)
        return found

    def day_text(self, utc_us: int) -> str:
        """A day as ``2026-10-05``, a month as ``2026-10``."""
        return local(utc_us, self.zone).strftime("%Y-%m-%d" if self.by == "day" else "%Y-%m")

    def ended(self, utc_us: int | None) -> bool:
        """Whether what ended then, None for not at all, was over by the end of the period."""
        return utc_us is not None and utc_us < self.to_utc_us

    def text(self, utc_us: int | None) -> str | None:
        """An instant with the plant's offset, to the second; None for None."""
        if utc_us is None:
            return None
        return local(utc_us, self.zone).isoformat(sep=" ", timespec="seconds")


def period_named(name: str, reader: JournalReader, plant: Plant) -> Period:
    """The year, month or day of a name.

    Args:
        name: ``2026``, ``2026-10`` or ``2026-10-05``.
        reader: of the journal.
        plant: for its time zone.

    Raises:
        CommandLineError: it is none.
    """
    zone = ZoneInfo(plant.plant.time_zone)
    found = FORM.fullmatch(name)
    try:
        if found is None:
            raise ValueError
        year, month, day = int(found[1]), int(found[2] or 1), int(found[3] or 1)
        first = date(year, month, day)
        if found[3]:
            after = first + timedelta(days=1)
        elif found[2]:
            after = date(year + month // 12, month % 12 + 1, 1)
        else:
            after = date(year + 1, 1, 1)
    except (ValueError, OverflowError):
        raise CommandLineError(
            f"--period: found '{name}', expected a year, month or day such as 2026, 2026-10 or "
            "2026-10-05"
        ) from None
    begin, end = (
        instant_us(datetime(each.year, each.month, each.day, tzinfo=zone))
        for each in (first, after)
    )
    return period_between(name, begin, end, reader, zone)


def period_between(
    name: str, from_utc_us: int, to_utc_us: int, reader: JournalReader, zone: ZoneInfo
) -> Period:
    """A period between two instants, UTC in microseconds."""
    eras = read_eras(reader)
    alive, newest = reader.alive(), reader.recent(1)
    signs = [alive.utc_us] if alive is not None else []
    signs += [newest[0].utc_us] if newest else []
    known_us = min(to_utc_us, max(signs, default=from_utc_us))
    before = reader.sequence_at(eras.plant_us(to_utc_us)) if newest else 1
    page = reader.records_between(before, before + PAGE, PAGE)
    before = max([before - 1, *(each.sequence for each in page if each.utc_us < to_utc_us)]) + 1
    return Period(name, from_utc_us, to_utc_us, known_us, zone, eras, before)
