"""``weirkeeper restore``: goes back to a copy of the journal."""

from __future__ import annotations

import argparse
import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from collector.audit.chain import rfc3339
from collector.cli.command import Answer, Command
from collector.cli.options import add_settings, settings_of
from collector.cli.tables import WIDTH
from collector.clock import SystemClock
from collector.errors import CommandLineError
from collector.journal.backup import copies
from collector.journal.holder import held_by
from collector.journal.salvage.restoring import Between, Restored, check_copy, restore

ABOUT = """Stop the collector first; it refuses while one holds the journal. Nothing is
destroyed: the journal in place is set aside under a dated name beside it. The
restored journal keeps its id and numbers new records far above all old ones,
so that nobody takes a new record for a repeat.

Without COPY it lists the copies there are. What was recorded after the copy was
made is only in the file set aside; --salvage takes it over, as far as it can be
read. Alarms and run hours of that time are then on record, and the time from
the last of it until the collector runs again is a gap.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("copy", nargs="?", type=Path, metavar="COPY", help="the copy to go back to")
    parser.add_argument(
        "--to", type=Path, metavar="JOURNAL", help="where; without it, the journal of the settings"
    )
    parser.add_argument(
        "--copies", type=Path, metavar="DIRECTORY",
        help="where copies are looked for; without it, that of the settings",
    )  # fmt: skip
    parser.add_argument(
        "--salvage", action="store_true",
        help="take over what the journal in place holds beyond the copy",
    )  # fmt: skip
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Restore a copy, or list those there are."""
    settings = settings_of(options)
    journal: Path = options.to or settings.journal.path
    if options.copy is None:
        directory: Path | None = options.copies
        if directory is None and settings.backup is not None:
            directory = settings.backup.directory
        if directory is None:
            raise CommandLineError(
                "it needs a COPY, or --copies DIRECTORY to list those there are: the settings "
                "have no section 'backup'"
            )
        return _listed(journal, directory)
    if not options.copy.is_file():
        raise CommandLineError(f"there is no copy at {options.copy}; without COPY they are listed")
    if options.copy.resolve() == journal.resolve():
        raise CommandLineError("the copy and the journal are the same file")
    done = restore(options.copy, journal, SystemClock().wall_us(), salvage=options.salvage)
    return Answer(_wrapped(_told(journal, done)), _data(journal, done))


def _listed(journal: Path, directory: Path) -> Answer:
    if not directory.is_dir():
        raise CommandLineError(f"there is no directory {directory}")
    found = copies(journal, directory)
    if not found:
        return Answer(f"no copies of {journal.name} in {directory}", [])
    lines, data = [], []
    for path in found:
        facts = path.stat()
        made = datetime.fromtimestamp(int(facts.st_mtime), UTC).isoformat().replace("+00:00", "Z")
        lines.append(f"{made}  {facts.st_size >> 10:>9} KiB  {path}")
        data.append({"file": str(path), "made": made, "bytes": facts.st_size})
    newest = check_copy(found[-1])
    ends = "" if newest.newest_utc_us is None else f" of {rfc3339(newest.newest_utc_us)[:19]}Z"
    lines.append(f"the newest is whole and ends with record {newest.newest}{ends}")
    holder = held_by(journal)
    if holder is not None:
        lines.append(f"{holder} holds {journal}: stop it before anything is restored")
    return Answer("\n".join(lines), data)


def _told(journal: Path, done: Restored) -> list[str]:
    lines = [
        (
            f"{journal} is restored from {done.copied.path}: {done.salvaged.records} records, "
            f"{done.salvaged.entries} entries of the audited record; new records are numbered from "
            f"{done.salvaged.begins} on"
        )
    ]
    if done.set_aside is not None:
        lines.append(f"the journal that was in place is {done.set_aside}")
    if done.between is not None:
        lines.append(_beyond(done.between, taken_over=done.taken_over))
    lines.append("start the collector; the time since is a gap")
    return lines


def _beyond(found: Between, *, taken_over: bool) -> str:
    if found.records is None:
        what = "it cannot be read; what it holds beyond the copy cannot be counted"
    elif not found.same:
        return "it is another journal than the one the copy is of"
    elif found.records == 0:
        return "it holds nothing beyond the copy"
    else:
        to = f" to {rfc3339(found.newest_utc_us)[:19]}Z" if found.newest_utc_us is not None else ""
        what = f"it holds {found.records} records beyond the copy, up to {found.newest}{to}"
    if taken_over:
        return f"{what}; what could be read is taken over"
    return f"{what}; nothing of it is taken over (--salvage does)"


def _wrapped(lines: list[str]) -> str:
    return "\n".join(
        part for line in lines for part in textwrap.wrap(line, WIDTH, break_on_hyphens=False)
    )


def _data(journal: Path, done: Restored) -> dict[str, Any]:
    beyond = done.between
    return {
        "journal": str(journal), "copy": str(done.copied.path), "id": done.copied.journal_id,
        "copy_ends_with": done.copied.newest, "records": done.salvaged.records,
        "entries": done.salvaged.entries, "begins_with": done.salvaged.begins,
        "set_aside": str(done.set_aside) if done.set_aside else None,
        "beyond_the_copy": None if beyond is None else beyond.records,
        "taken_over": done.taken_over, "told": done.salvaged.text,
    }  # fmt: skip


COMMAND = Command(
    name="restore",
    summary="go back to a copy of the journal",
    example="weirkeeper restore copies/weirkeeper.journal.2026-07-31.copy",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
