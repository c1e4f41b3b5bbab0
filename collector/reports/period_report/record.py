"""Alarms, findings, service, logbook, gaps, files in force and the chain, as tables."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

from collector.audit.chain import head_of
from collector.core.records import AWAY, RecordKind
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_export import lacking, note_text
from collector.reports.alarm_history import Gap, History
from collector.reports.eras import ALL, EVER_US
from collector.reports.findings import FindingLine
from collector.reports.logbook import EntryLine
from collector.reports.period_report.period import Period
from collector.reports.period_report.spans import Known
from collector.reports.period_report.tables import Cell, Column, Section, Table
from collector.reports.service import TaskLine, line_of

STANDS = "stands"
CONFIGURATIONS = ("plant", "rules", "service")


def alarms_section(history: History, period: Period) -> Section:
    """Every activation of the period: when, how long, why, and what was done."""
    columns = (
        Column("priority", "Priority"),
        Column("title", "Alarm", wide=True),
        Column("alarm", "Name", means="equipment.rule#activation"),
        Column("began", "Began"),
        Column("ended", "Ended"),
        Column("stood_least_s", "Stood", 0, means="least it stood within the period", length=True),
        Column("stood_most_s", "at most", 0, means="and when nobody knew, within it", length=True),
        Column("acknowledged", "Acknowledged"),
        Column("acknowledged_by", "Acknowledged by"),
        Column("cause", "Cause", wide=True),
        Column("action", "Action", wide=True),
        Column("remarks", "Remarks", wide=True),
    )
    rows: list[Sequence[Cell]] = []
    for one in history.activations:
        marks = [f"no {what}" for what in lacking(one)]
        if one.covered:
            marks.append("raised while shelved, suppressed or out of service")
        if one.follows:
            marks.append(f"came after {one.follows}")
        if len(one.notes) > 1 or any(note.comment for note in one.notes):
            marks += [note_text(note, period.zone) for note in one.notes]
        rows.append(
            [one.priority, one.title, f"{one.subject}#{one.activation}",
             period.text(one.began_utc_us), period.text(one.ended_utc_us) or STANDS,
             one.low_s, one.high_s, period.text(one.acknowledged_utc_us),
             one.acknowledged_by, one.cause, one.corrective_action, "; ".join(marks)]
        )  # fmt: skip
    said = (
        "No alarm was raised or stood."
        if not rows
        else (
            "Begin and end are those of the record; how long an alarm stood is cut to the period."
        )
    )
    below = frozenset({"alarm", "acknowledged", "acknowledged_by", "cause", "action", "remarks"})
    table = Table("alarms", "Each alarm", columns, rows, below=below)
    tables = (table,) if rows else ()
    return Section("alarms", "Alarms", (said,), tables)


def findings_section(
    findings: Sequence[FindingLine], titles: Mapping[str, str], period: Period
) -> Section:
    """Diagnoses that held at some time of the period."""
    columns = (
        Column("equipment", "Equipment"),
        Column("since", "Since"),
        Column("ended", "Until"),
        Column("text", "What was seen", wide=True),
        Column("quality", "Quality"),
    )
    rows = [
        [titles.get(line.equipment, line.equipment), period.text(line.since_utc_us),
         period.text(line.ended_utc_us) or STANDS, line.text, line.quality]
        for line in findings
    ]  # fmt: skip
    said = (
        "Nothing looked wrong."
        if not rows
        else (
            "Diagnoses from contacts and run times, each with its evidence; a person has to look."
        )
    )
    table = Table("findings", "Each finding", columns, rows, below=frozenset({"text"}))
    tables = (table,) if rows else ()
    return Section("findings", "What looked wrong", (said,), tables)


def tasks_at_end(reader: JournalReader, period: Period) -> list[TaskLine]:
    """Service as it stood at the end of the period, the most urgent first."""
    newest = reader.latest((RecordKind.SERVICE,), period.before).values()
    return sorted((line_of(record) for record in newest), key=lambda line: line.rank)


def service_section(
    tasks: Iterable[TaskLine], entries: Sequence[EntryLine], titles: Mapping[str, str],
    period: Period,
) -> Section:  # fmt: skip
    """What was entered as done, and what is due."""
    columns = (
        Column("task", "Task", wide=True),
        Column("state", "State"),
        Column("because", "Why", wide=True),
        Column("due_early", "Due, cautious"),
        Column("due_likely", "likely"),
        Column("name", "Name"),
    )
    waiting = [line for line in tasks if line.state in ("due", "overdue", "due soon")]
    due = [
        [line.title, line.state, line.because,
         None if line.early is None else line.early.isoformat(),
         None if line.likely is None else line.likely.isoformat(),
         f"{line.equipment}.{line.task}"]
        for line in waiting
    ]  # fmt: skip
    logbook = (
        Column("done", "Done"),
        Column("about", "About"),
        Column("what", "What"),
        Column("said", "Figures and words", wide=True),
        Column("by", "By"),
        Column("entered", "Entered"),
        Column("remarks", "Remarks", wide=True),
    )
    rows = [
        [period.text(line.done_utc_us), titles.get(line.about, line.about),
         line.verb.replace("_", " "), line.said, line.by, period.text(line.told_utc_us),
         "; ".join(_remarks(line))]
        for line in entries
    ]  # fmt: skip
    tables = []
    if rows:
        below = frozenset({"remarks"})
        tables.append(Table("logbook", "Logbook and service done", logbook, rows, below=below))
    if due:
        tables.append(Table("service_due", "Service due at the end", columns, due))
    said = () if rows else ("Nothing was entered in the logbook.",)
    return Section("service", "Service and logbook", said, tuple(tables))


def _remarks(line: EntryLine) -> Iterable[str]:
    if line.void:
        yield "declared void"
    if line.corrected_by:
        yield f"corrected by {', '.join(line.corrected_by)}"
    if line.late:
        yield "entered late"


def gaps_section(plant: Plant, gaps: Sequence[Gap], known: Known, period: Period) -> Section:
    """When panels were not known, and how much of the time they were."""
    shares = (
        Column("panel", "Panel"),
        Column("title", "", wide=True),
        Column("known_percent", "Known, %", 3, means="share of the period in which it answered"),
        Column("gaps", "Gaps", 0),
        Column("longest_gap_s", "Longest", 0, means="longest gap", length=True),
    )
    columns = (
        Column("panel", "Panel"),
        Column("from", "Last known"),
        Column("to", "Known again"),
        Column("length_s", "Length", 0, means="within the period", length=True),
        Column("reason", "Reason", wide=True),
    )

    def length_s(gap: Gap) -> float:
        end_us = period.known_to_utc_us if gap.to_utc_us is None else gap.to_utc_us
        return (
            max(0.0, min(end_us, period.to_utc_us) - max(gap.from_utc_us, period.from_utc_us)) / 1e6
        )

    rows = [
        [gap.panel, period.text(gap.from_utc_us), period.text(gap.to_utc_us) or "not yet",
         length_s(gap), gap.reason]
        for gap in gaps
        if gap.reason != AWAY
    ]  # fmt: skip
    of_panels: list[Sequence[Cell]] = []
    for name, panel in plant.panels.items():
        lengths = [length_s(gap) for gap in gaps if gap.panel == name]
        share = 100.0 * known.share(name, period.from_utc_us, period.to_utc_us)
        of_panels.append([name, panel.title or name, share, float(len(lengths)),
                          max(lengths, default=0.0)])  # fmt: skip
    sentences = (
        (
            "Within a gap nothing is known of the panel's contacts: run hours, starts and volumes "
            "leave it out, their upper bounds count it in; alarms may have come and gone unseen."
        ),
    )
    tables = [Table("availability", "How much was known", shares, of_panels)]
    if rows:
        away = any(gap.reason == AWAY for gap in gaps)
        note = "Times away of a panel that only visits are not listed one by one." if away else ""
        tables.append(Table("gaps", "Gaps", columns, rows, note))
    return Section("gaps", "What is not known", sentences, tuple(tables))


def record_section(reader: JournalReader, period: Period) -> Section:
    """The files in force, and how the record can be verified."""
    columns = (
        Column("file", "File"),
        Column("since", "In force since"),
        Column("sha256", "SHA-256", wide=True),
    )
    rows: list[Sequence[Cell]] = []
    for kind in CONFIGURATIONS:
        in_force: list[Sequence[Cell]] = []
        for record in reader.history(kind, -EVER_US, EVER_US, ALL):
            if record.kind is RecordKind.CONFIGURATION and record.utc_us < period.to_utc_us:
                line = [kind, period.text(record.utc_us), str(record.value)]
                if record.utc_us <= period.from_utc_us:
                    in_force = [line]
                elif not in_force or in_force[-1][2] != line[2]:
                    in_force.append(line)
        rows += in_force
    first, last = reader.chain_between(period.from_utc_us, period.to_utc_us)
    sentences = ["Alarms, actions, gaps and the files in force are kept in a chain of hashes."]
    if last >= first:
        entry = reader.chain_entries(last - 1, 1)[0]
        sentences.append(
            f"This period's entries are {first} to {last}; the hash of the last is "
            f"{entry.hash.hex()}."
        )
        sentences.append(_signed(reader, last))
    else:
        sentences.append("This period has no entries of its own.")
    sentences.append(
        "'weirkeeper alarms export --format jsonl' writes them to a file, and 'weirkeeper verify' "
        "checks it with the public key alone."
    )
    return Section("record", "The record itself", tuple(sentences),
                   (Table("files", "Files in force", columns, rows),) if rows else ())  # fmt: skip


def _signed(reader: JournalReader, last: int) -> str:
    number = reader.head_after(last - 1)
    if number is None:
        return "No head covers all of them yet; one is made at the end of each plant day."
    body = json.loads(reader.chain_entries(number - 1, 1)[0].body)
    value = body["value"]
    head = head_of(value if isinstance(value, dict) else json.loads(value), reader.journal_id)
    if head is None or head.signature is None:
        return "The head that covers them is not signed, since no key was at hand."
    return f"The head of {head.day} covers them, signed with the key {head.key}."
