"""``weirkeeper alarms export``: the audited record as a file for somebody outside.

JSON lines are the record itself and can be verified; CSV and HTML are made from it for people.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from collector import __version__
from collector.audit.chain import Anchor, Break, Entry, head_of, record_of, rfc3339
from collector.audit.exported import lines_of
from collector.audit.keys import default_key_path, public_path
from collector.cli.command import Answer
from collector.cli.options import add_journal, add_settings, journal_path, settings_of
from collector.cli.spans import Span, add_span, open_journal, rfc3339_local, span_of
from collector.clock import SystemClock
from collector.core.records import RecordKind
from collector.errors import CommandLineError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_export import (
    Covered,
    cannot_know,
    csv_export,
    lacking,
)
from collector.reports.alarm_history import History, read_history
from collector.reports.alarm_sheet import html_export
from collector.reports.eras import ALL, EVER_US

FORMATS = ("jsonl", "csv", "html")
FILE_MODE = 0o600
PAGE = 5_000
CONFIGURATION_KINDS = ("plant", "rules")
BEYOND_PERIOD = "up to the next signed head, so that the entries of the period are covered by it"


def add_export_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--format", choices=FORMATS, default="jsonl",
        help="jsonl is the record itself, which 'verify' takes; csv and html are for people",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE",
        help="a new file, readable by you alone",
    )  # fmt: skip
    add_span(parser)
    add_journal(parser)
    add_settings(parser)


def export(options: argparse.Namespace) -> Answer:
    """Write the file and say what it holds."""
    if options.out.exists():
        raise CommandLineError(f"{options.out} is there already, expected a new file")
    reader, plant = open_journal(options)
    with reader:
        span = _span(options, reader, plant)
        history = read_history(reader, span.from_utc_us, span.to_utc_us)
        covered = _covered(reader, plant, span)
        if options.format == "jsonl":
            first, last = _numbers(reader, span)
            header = _header(options, reader, history, covered, last)
            lines = lines_of(header, _before(reader, first), _entries(reader, first, last))
            what = f"{max(0, last - first + 1)} entries"
            if last >= first:
                what += f", {first} to {last}"
        else:
            text = (csv_export if options.format == "csv" else html_export)(history, covered)
            lines = iter([text.encode()])
            what = f"{len(history.activations)} activations"
        _write(options.out, lines)
    missing = sum(bool(lacking(one)) for one in history.activations)
    said = [f"{options.out}: {what}, {rfc3339_local(span.from_utc_us, span.zone)}",
            f"to {rfc3339_local(span.to_utc_us, span.zone)}"]  # fmt: skip
    if missing:
        said.append(f"{missing} of the activations lack a cause or a corrective action")
    data = {"file": str(options.out), "format": options.format, "holds": what,
            "to_complete": missing}  # fmt: skip
    return Answer("\n".join(said), data)


def _span(options: argparse.Namespace, reader: JournalReader, plant: Plant) -> Span:
    """The time asked for; the whole record where no begin is given."""
    newest, alive = reader.recent(1), reader.alive()
    newest_us = max(newest[0].utc_us if newest else 0, alive.utc_us if alive else 0)
    if options.from_text is None:
        first = reader.chain_entries(0, 1)
        began_us = record_of(first[0]).utc_us if first else newest_us
        options.from_text = rfc3339(began_us)
    return span_of(options, plant, newest_us)


def _numbers(reader: JournalReader, span: Span) -> tuple[int, int]:
    """First and last entry: those of the time, and on to the head that covers them."""
    first, last = reader.chain_between(span.from_utc_us, span.to_utc_us)
    if last < first:
        return first, last
    return first, reader.head_after(last) or last


def _before(reader: JournalReader, first: int) -> Anchor:
    anchor = reader.chain_anchor()
    if first - 1 <= anchor.number:
        return anchor
    for gap in reader.chain_breaks():
        if gap.number == first - 1:
            return Anchor(gap.number, gap.hash)
    entry = reader.chain_entries(first - 2, 1)[0]
    return Anchor(entry.number, entry.hash)


def _entries(reader: JournalReader, first: int, last: int) -> Iterator[Entry | Break]:
    number = first - 1
    lost = {gap.first: gap for gap in reader.chain_breaks() if gap.number < last}
    while number < last and (page := reader.chain_entries(number, min(PAGE, last - number))):
        for entry in page:
            while number + 1 in lost and entry.number > number + 1:
                gap = lost[number + 1]
                number = gap.number
                yield gap
            number = entry.number
            yield entry


def _covered(reader: JournalReader, plant: Plant, span: Span) -> Covered:
    head = reader.chain_head()
    return Covered(
        plant=plant.plant.title, zone=span.zone, program=f"weirkeeper {__version__}",
        made_utc_us=SystemClock().wall_us(),
        configurations=[
            each for kind in CONFIGURATION_KINDS for each in _in_force(reader, kind, span)
        ],
        first_number=reader.chain_anchor().number + 1 if head.number else 0,
        last_number=head.number, chain_hash=head.hash.hex(), signed=_signed(reader),
    )  # fmt: skip


def _in_force(reader: JournalReader, kind: str, span: Span) -> Iterator[tuple[str, str]]:
    """Hashes of the files of a kind that were in force in the time, and from when if in between."""
    hash_before = ""
    changes: list[tuple[str, str]] = []
    for record in reader.history(kind, -EVER_US, EVER_US, ALL):
        if record.kind is not RecordKind.CONFIGURATION or record.utc_us >= span.to_utc_us:
            continue
        digest = str(record.value)
        if record.utc_us <= span.from_utc_us:
            hash_before = digest
        elif digest != (changes[-1][1] if changes else hash_before):
            changes.append((f"{kind} from {rfc3339_local(record.utc_us, span.zone)}", digest))
    if hash_before:
        yield kind, hash_before
    yield from changes


def _signed(reader: JournalReader) -> str:
    """The newest signed head in words, empty if there is none."""
    for record in reader.latest([RecordKind.HEAD]).values():
        value = json.loads(str(record.value))
        head = head_of(value, reader.journal_id)
        if head is not None and head.signature is not None:
            return (
                f"signed head: of {head.day} over entries up to {head.number}, key {head.key}, "
                f"signature {head.signature}"
            )
    return ""


def _header(
    options: argparse.Namespace, reader: JournalReader, history: History, covered: Covered,
    last: int,
) -> dict[str, Any]:  # fmt: skip
    """What the file of JSON lines covers."""
    zone, head = covered.zone, reader.chain_head()
    dates = {"from": history.from_utc_us, "to": history.to_utc_us, "made": covered.made_utc_us}
    unknown = cannot_know(history, covered)
    return {
        **{name: rfc3339(utc_us) for name, utc_us in dates.items()},
        "plant": covered.plant, "journal": reader.journal_id, "time_zone": zone.key,
        "program": covered.program,
        "configurations": dict(covered.configurations),
        "last": last, "beyond_period": BEYOND_PERIOD,
        "chain_head": {"number": head.number, "hash": head.hash.hex()},
        "public_key": _public_key(options),
        "gaps": [
            {
                "panel": gap.panel, "from": rfc3339(gap.from_utc_us),
                "to": None if gap.to_utc_us is None else rfc3339(gap.to_utc_us),
                "reason": gap.reason,
            }
            for gap in history.gaps
        ],
        "to_complete": [
            {"alarm": one.subject, "activation": one.activation, "missing": missing}
            for one in history.activations
            if (missing := lacking(one))
        ],
        "cannot_know": unknown,
    }  # fmt: skip


def _public_key(options: argparse.Namespace) -> str | None:
    """The public key that lies beside the private one, None if none does."""
    key_file = settings_of(options).audit.key_file or default_key_path(journal_path(options))
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return public_path(key_file).read_text("ascii")
    return None


def _write(path: Path, lines: Iterable[bytes]) -> None:
    """Write a new file; nothing is left where that fails."""
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
    except OSError as error:
        raise CommandLineError(f"cannot write {path}: {error.strerror}") from error
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.writelines(lines)
            file.flush()
            os.fsync(file.fileno())
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise CommandLineError(f"cannot write {path}: {error.strerror}") from error
        raise
