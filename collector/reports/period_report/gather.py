"""Gathers a period's record from the journal, each kind of record read once.

Nothing here reads a clock: what is not finished is told by the journal's own last sign, so that the
same journal always gives the same record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_history import read_history
from collector.reports.findings import read_findings
from collector.reports.logbook import read_entries
from collector.reports.period_report.machines import machines_section, process_section
from collector.reports.period_report.period import Period
from collector.reports.period_report.record import (
    alarms_section,
    findings_section,
    gaps_section,
    record_section,
    service_section,
    tasks_at_end,
)
from collector.reports.period_report.spans import Known
from collector.reports.period_report.summary import Gathered, summary_of
from collector.reports.period_report.tables import PeriodReport, Section
from collector.reports.period_report.water import sums_of, water_section
from collector.reports.totals import read_totals

CAUTIONS = Section(
    "cautions", "Cautions",
    (
        ("This record watches contacts through a panel. It is no safety system and no custody "
        "meter; derived figures are estimates with the bounds told beside them."),
        ("A figure or a drawing never proves isolation or a safe atmosphere. Wet wells, tanks and "
        "sumps are permit-required confined spaces (29 CFR 1910.146); isolate, lock out and verify "
        "before touching a machine that may start (29 CFR 1910.147)."),
        ("Discharge and compliance decisions rest with the licensed operator and the local "
        "authority; local codes take precedence."),
    ),
)  # fmt: skip

Pictures = Callable[[Period], Iterable[tuple[str, str, str]]]
"""Draws for a period: key of the section, title, SVG."""


def gather(
    reader: JournalReader, plant: Plant, period: Period, pictures: Pictures | None = None
) -> PeriodReport:
    """The record of a period.

    Args:
        reader: of the journal.
        plant: the plant file in force now; the table of files tells of others.
        period: which.
        pictures: None for none.
    """
    lines = read_totals(reader, period.eras, "day", period.from_utc_us, period.to_utc_us)
    sums = sums_of(lines, period)
    history = read_history(reader, period.from_utc_us, period.to_utc_us)
    findings = read_findings(reader, period.from_utc_us, period.to_utc_us)
    entries = [
        line for line in read_entries(reader)
        if period.from_utc_us <= line.done_utc_us < period.to_utc_us
    ]  # fmt: skip
    first = reader.records_after(0, 1)
    began_us = first[0].utc_us if first else period.to_utc_us
    known = Known(plant, history.gaps, period, began_us)
    tasks = tasks_at_end(reader, period)
    titles = {name: part.title for name, part in plant.equipment.items()}
    titles |= {"plant": plant.plant.title}
    titles |= {name: panel.title or name for name, panel in plant.panels.items()}
    sections = [
        water_section(plant, sums, known, period),
        machines_section(plant, sums, known, findings, period),
        process_section(reader, plant, sums, period),
        alarms_section(history, period),
        findings_section(findings, titles, period),
        service_section(tasks, entries, titles, period),
        gaps_section(plant, history.gaps, known, period),
        record_section(reader, period),
        CAUTIONS,
    ]
    if pictures is not None:
        drawn = list(pictures(period))
        sections = [_with_pictures(section, drawn) for section in sections]
    gathered = Gathered(plant, period, sums, known, history, findings, entries, tasks, began_us)
    return PeriodReport(
        plant.plant.name, plant.plant.title, period.name,
        f"{period.text(period.from_utc_us)} to {period.text(period.to_utc_us)}",
        f"{period.text(period.known_to_utc_us)}, journal {reader.journal_id}",
        _unfinished(period, began_us), tuple(summary_of(gathered)),
        tuple(each for each in sections if each.sentences or each.tables or each.pictures),
    )  # fmt: skip


def _with_pictures(section: Section, drawn: Iterable[tuple[str, str, str]]) -> Section:
    of_it = tuple((title, svg) for key, title, svg in drawn if key == section.key)
    return Section(section.key, section.title, section.sentences, section.tables, of_it)


def _unfinished(period: Period, began_us: int) -> str:
    said = []
    if began_us > period.from_utc_us:
        said.append(f"Watching began at {period.text(min(began_us, period.to_utc_us))}.")
    if period.known_to_utc_us < period.to_utc_us:
        said.append(
            f"The record ends at {period.text(period.known_to_utc_us)}: the period is not "
            "finished, or the collector has stood since."
        )
    return " ".join(said)
