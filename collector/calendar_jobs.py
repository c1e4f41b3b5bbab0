"""The calendar work there is: a copy of the journal each day, and a look whether a day was closed.

Closing a day itself, its totals and its signed head, needs no scheduler: the engine does both when
the day ends by plant time, also after a stop. The look is there because nobody else would notice
that they are missing.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.calendar_work import CalendarWork, Ending
from collector.core.calendar import instant_us
from collector.core.calendar_keys import CalendarJob
from collector.journal.backup import back_up
from collector.journal.reader import JournalReader
from collector.reports.eras import ALL, read_eras
from collector.reports.totals import read_totals
from collector.settings import BackupSettings

# After the hours in which zones change their clocks, and after the last total of a day is told.
BACKUP = CalendarJob("backup", time(4, 10))
PERIOD_CHECK = CalendarJob("period_check", time(3, 40), ended=True, every_missed=True)
DAY = timedelta(days=1)
HEAD_SEARCHED_US = 40 * 86_400_000_000
"""A head is looked for from a little before its day to so long after: a stop may lie between."""


def calendar_works(
    journal: Path, backup: BackupSettings | None, zone: ZoneInfo, reader: JournalReader
) -> list[CalendarWork]:
    """All calendar work of a plant.

    Args:
        journal: its file.
        backup: where copies go, None for no copies.
        zone: the plant's time zone.
        reader: of the journal.
    """
    check = CalendarWork(PERIOD_CHECK, lambda key, _: missing_of_day(reader, key, zone), True)
    found = [check]
    if backup is not None:
        found.append(CalendarWork(BACKUP, _copying(journal, backup.directory, backup.keep)))
    return found


def _copying(journal: Path, directory: Path, keep: int) -> Callable[[str, Ending], str]:
    def do(key: str, ending: Ending) -> str:
        back_up(journal, directory, key, keep, ending)
        return ""

    return do


def missing_of_day(reader: JournalReader, day: str, zone: ZoneInfo) -> str:
    """What is not on record of a plant day that has ended; empty if all is there.

    Args:
        reader: of the journal.
        day: such as ``2026-07-01``.
        zone: the plant's time zone.
    """
    first = date.fromisoformat(day)
    begin_us, end_us = (
        instant_us(datetime.combine(each, time(0), zone)) for each in (first, first + DAY)
    )
    eras = read_eras(reader)
    missing = []
    if not read_totals(reader, eras, "day", begin_us, end_us):
        missing.append("no totals of the day")
    plant_us = eras.earliest_plant_us(begin_us)
    heads = [
        told
        for record in reader.history("head", plant_us, plant_us + HEAD_SEARCHED_US, ALL)
        if isinstance(record.value, str)
        and isinstance(told := json.loads(record.value), dict)
        and told.get("day") == day
    ]
    if not heads:
        missing.append("no head of the day")
    elif not any(told.get("signature") for told in heads):
        missing.append("the head of the day is not signed")
    return "; ".join(missing)
