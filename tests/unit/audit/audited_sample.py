"""A journal with an audited record of some days, as a collector would have left it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from collector.audit.keys import Signer
from collector.core.records import Record, RecordKind
from collector.journal import Journal
from collector.plant_file import read_plant_file
from tests.unit.cli.typed import ONE_SUMP
from tests.unit.reports.alarms_on_paper import (
    DAY_US,
    HOUR_US,
    MINUTE_US,
    NOON_US,
    cleared,
    lost,
    moved,
    noted,
    raised,
    returned,
)

NASTY = '=1+1;"quoted", <b>bold</b>\r\n@größer €😀'
MIDNIGHT_US = 11 * HOUR_US  # of London's summer time, after noon


def head(at_us: int, day: str) -> Record:
    """The wish for a head, so long after noon."""
    at_us += NOON_US
    return Record(RecordKind.HEAD, "head", at_us, at_us, at_us, json.dumps({"day": day}))


def days(count: int) -> Iterator[Record]:
    """Each day: alarms raised, acknowledged, cleared and explained, a gap, a head at midnight."""
    number = 0
    for day in range(count):
        noon_us = day * DAY_US
        for hour in range(4):
            number += 1
            at_us = noon_us + hour * HOUR_US
            yield raised(at_us, activation=number, since_us=at_us - MINUTE_US)
            yield moved(
                at_us + 5 * MINUTE_US, "acknowledged", activation=number,
                state="acknowledged", actor="warden",
            )  # fmt: skip
            yield cleared(at_us + 20 * MINUTE_US, activation=number, state="normal")
            if hour != 2:
                yield noted(
                    at_us + 30 * MINUTE_US, activation=number, cause=NASTY,
                    corrective_action="pump pulled and cleared",
                )  # fmt: skip
        yield lost(noon_us + 6 * HOUR_US, noon_us + 5 * HOUR_US)
        yield returned(noon_us + 7 * HOUR_US)
        yield head(noon_us + MIDNIGHT_US, f"2026-07-{day + 1:02d}")


def write_sample(path: Path, signer: Signer | None, count: int = 4) -> None:
    """Write such a record into a new journal."""
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0, signer=signer) as journal:
        plant = read_plant_file(ONE_SUMP)
        journal.remember_configuration("plant", plant.text, plant.hash)
        configuration = replace(head(-HOUR_US, ""), kind=RecordKind.CONFIGURATION,
                                subject="plant", value=plant.hash)  # fmt: skip
        batch = [configuration]
        for record in days(count):
            batch.append(record)
            if record.kind is RecordKind.HEAD:
                journal.submit(batch)
                journal.flush()
                batch = []
        journal.submit(batch)
