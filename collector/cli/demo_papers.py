"""What the demo writes and where it tells people to look."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.charts.of_report import pictures_of
from collector.cli import service
from collector.cli.main import build_parser
from collector.clock import MICROSECONDS
from collector.core.calendar import begin_of, local
from collector.journal.reader import JournalReader
from collector.plant.load import parse_plant
from collector.plant_file import PlantFile
from collector.reports.period_report.files import can_print, write_report
from collector.reports.period_report.period import period_between
from collector.rule_files import RuleFiles
from collector.settings import Settings
from simulator.plant import OsierBend

PAGE_PORT = 8710


@dataclass(frozen=True, slots=True)
class Beginning:
    """What the live part of the demo begins with.

    Args:
        plant: the simulated plant, which goes on.
        papers: what was written of its past, the record first.
    """

    plant_file: PlantFile
    rules: RuleFiles
    plant: OsierBend
    papers: Sequence[Path]


def free_port(wanted: int = 0) -> int:
    """A loopback port nobody listens on: the one wanted, if it is free."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    return 0


def show_faults(plant: OsierBend) -> None:
    """Put in what can be seen soon after the start: a gap, then a tripped pump."""
    begin_us = plant.now_us
    for fault, target, from_s, to_s in (
        ("link_dead", "meadow", 32, 47),
        ("tripped", "meadow_pump_1", 75, 165),
    ):
        plant.inject(
            fault, target, begin_us + from_s * MICROSECONDS, begin_us + to_s * MICROSECONDS
        )


def write_papers(journal: Path, folder: Path) -> tuple[Path, ...]:
    """Write the record of all that is on record, and the sheet of the next visit."""
    with JournalReader(journal) as reader:
        configuration = reader.configuration_in_force("plant")
        first, newest = reader.records_after(0, 1), reader.recent(1)
        if configuration is None or not first:
            return ()
        plant = parse_plant(configuration.text, "the plant file on record")
        zone = ZoneInfo(plant.plant.time_zone)
        begin = begin_of("day", first[0].utc_us, zone)
        end = newest[0].utc_us + 1
        name = "_".join(local(each, zone).strftime("%Y-%m-%d") for each in (begin, end))
        period = period_between(name, begin, end, reader, zone)
        papers = write_report(
            reader, plant, period, folder / "record", pdf=can_print(),
            pictures=pictures_of(reader, plant),
        )  # fmt: skip
    sheet = folder / "service-sheet.html"
    options = build_parser([service.COMMAND]).parse_args(
        ["service", "sheet", "--journal", str(journal), "--out", str(sheet)]
    )
    service.execute(options)
    return (*papers, sheet)


def places_to_look(settings: Settings, folder: Path, papers: Sequence[Path]) -> list[str]:
    """Where to look, in a few lines."""
    lines = []
    if settings.page is not None:
        lines.append(f"page:    http://{settings.page.host}:{settings.page.port}/")
    if papers:
        lines.append(f"record:  {papers[0]}")
        lines.append(f"sheet:   {papers[-1]}")
    lines.append(f"try:     weirkeeper alarms --journal {folder / 'weirkeeper.journal'}")
    return lines
