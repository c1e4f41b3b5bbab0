"""What the demo writes, where it tells people to look, and what it says at the end."""

from __future__ import annotations

import shutil
import socket
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.charts.of_report import pictures_of
from collector.cli import service
from collector.cli.command import Answer
from collector.cli.main import build_parser
from collector.cli.tables import WIDTH, duration, table
from collector.clock import MICROSECONDS
from collector.core.calendar import begin_of, local
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.plant.load import parse_plant
from collector.plant_file import PlantFile
from collector.reports.period_report.files import can_print, write_report
from collector.reports.period_report.period import period_between
from collector.reports.picture import Picture
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
    """Write the record of all whole days on record, and the sheet of the next visit."""
    with JournalReader(journal) as reader:
        configuration = reader.configuration_in_force("plant")
        first, newest = reader.records_after(0, 1), reader.recent(1)
        if configuration is None or not first:
            return ()
        plant = parse_plant(configuration.text, "the plant file on record")
        zone = ZoneInfo(plant.plant.time_zone)
        begin = begin_of("day", first[0].utc_us, zone)
        end = begin_of("day", newest[0].utc_us, zone)
        if end <= begin:  # a history of hours
            end = newest[0].utc_us + 1
        name = "_".join(local(each, zone).strftime("%Y-%m-%d") for each in (begin, end - 1))
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
    lines.append(f"try:     {_program()} alarms --journal {folder / 'weirkeeper.journal'}")
    lines.append("         or in place of alarms: alarms history, service, findings, logbook,")
    lines.append("         runtime, flows --by day, verify; all in another window")
    return lines


def _program() -> str:
    """How this program is called from where the reader is."""
    if shutil.which("weirkeeper"):
        return "weirkeeper"
    beside = Path(sys.executable).with_name("weirkeeper")
    if not beside.exists():
        return f"{sys.executable} -m collector"
    here = Path.cwd()
    return str(beside.relative_to(here) if beside.is_relative_to(here) else beside)


def summary(
    picture: Picture | None,
    counted: Mapping[str, int],
    true_s: Mapping[str, float],
    kept: Path | None,
) -> Answer:
    """What the demo saw, with the truth only a simulation knows.

    Args:
        picture: as it stood at the end; None before the first scan.
        counted: records by kind.
        true_s: true run time by machine, in s.
        kept: the folder, if it is not thrown away.
    """
    if picture is None:
        return Answer("the demo ended before the first scan", None, ExitCode.ANSWER_IS_NO)
    rows = [
        [
            machine.machine, machine.state, duration(machine.run_s or 0.0),
            duration(true_s.get(machine.machine, 0.0)), duration(machine.unknown_s),
            str(machine.starts or 0),
        ]
        for machine in picture.machines
    ]  # fmt: skip
    headings = ("machine", "state", "counted", "true", "unknown", "starts")
    lines = [
        "Summary of the demo",
        *table(headings, rows, frozenset({2, 3, 4, 5})),
        "",
        *textwrap.wrap(
            "records: " + ", ".join(f"{number} {kind}" for kind, number in sorted(counted.items())),
            WIDTH,
        ),
        f"everything is kept in {kept}"
        if kept
        else "everything is thrown away now; --keep DIR keeps it",
        "The plant is invented. This tool watches; it is no safety system.",
    ]
    data = {"picture": asdict(picture), "records": dict(counted), "true_run_s": dict(true_s)}
    return Answer("\n".join(lines), data)
