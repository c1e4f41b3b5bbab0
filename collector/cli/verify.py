"""``weirkeeper verify``: whether the audited record is what it was."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from collector.audit.chain import Entry, Head
from collector.audit.exported import verify_lines
from collector.audit.keys import Verifier, read_public_key
from collector.audit.verdict import Outcome, Verdict
from collector.audit.verify import read_heads, verify_entries
from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings, journal_path
from collector.cli.progress import progress, share_of
from collector.cli.tables import WIDTH
from collector.errors import CommandLineError, ExitCode
from collector.journal.reader import JournalReader

SQLITE = b"SQLite format 3\0"  # sqlite.org/fileformat.html, section 1.3
PAGE = 5_000
ABOUT = """exit code 1: the record was tampered with, is cut off, or cannot be proven

Give the public key that was handed over when the collector was set up, not the
one that lies beside the record, and heads that a broker or a person kept: only
they show that nobody wrote the whole record anew.
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "file", nargs="?", type=Path, metavar="FILE",
        help="an exported record (JSON lines) or a journal; without it, that of the settings",
    )  # fmt: skip
    parser.add_argument(
        "--public-key", action="append", default=[], type=Path, metavar="PEM",
        help="public key of the heads; several after a change of key",
    )  # fmt: skip
    parser.add_argument(
        "--head", action="append", default=[], type=Path, metavar="FILE",
        help="heads kept outside, JSON as the broker got them; may be given several times",
    )  # fmt: skip
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Verify a file or the journal."""
    if options.file is not None and options.journal is not None:
        raise CommandLineError("give a FILE or --journal, not both")
    keys = [read_public_key(path) for path in options.public_key]
    heads = [head for path in options.head for head in _heads_in(path)]
    if options.file is None:
        path = journal_path(options)
        verdict = _of_journal(path, keys, heads)
    else:
        path = options.file
        try:
            with path.open("rb") as lines:
                is_journal = lines.read(len(SQLITE)) == SQLITE
                lines.seek(0)
                verdict = (
                    _of_journal(path, keys, heads)
                    if is_journal
                    else verify_lines(lines, keys, heads)
                )
        except OSError as error:
            raise CommandLineError(f"cannot read {path}: {error.strerror}") from error
    well = verdict.outcome is Outcome.WHOLE
    return Answer(
        "\n".join(_told(path, verdict)), _data(path, verdict),
        ExitCode.DONE if well else ExitCode.ANSWER_IS_NO,
    )  # fmt: skip


def _heads_in(path: Path) -> list[Head]:
    try:
        return read_heads(path.read_text("utf-8"))
    except OSError as error:
        raise CommandLineError(f"cannot read {path}: {error.strerror}") from error
    except ValueError as error:
        raise CommandLineError(f"{path}: {error}") from error


def _of_journal(path: Path, keys: list[Verifier], heads: list[Head]) -> Verdict:
    with JournalReader(path) as reader:
        # Entries that come while this reads are read too; so the newest record is asked for first.
        newest = reader.newest_audited()
        while True:
            anchor = reader.chain_anchor()
            verdict = verify_entries(
                _entries(reader), reader.journal_id, anchor, keys, heads, newest,
                reader.chain_breaks(),
            )  # fmt: skip
            if reader.chain_anchor() == anchor:  # else entries had to go meanwhile: look again
                return verdict


def _entries(reader: JournalReader) -> Iterator[Entry]:
    number = 0
    with progress("verify") as tell:
        reached = share_of(tell, reader.chain_anchor().number, reader.chain_head().number)
        while page := reader.chain_entries(number, PAGE):
            number = page[-1].number
            reached(number)
            yield from page


def _told(path: Path, verdict: Verdict) -> list[str]:
    lines = [f"{path}: {verdict.outcome}"]
    if verdict.bad_number is not None:
        lines.append(f"first bad entry {verdict.bad_number}: {verdict.wrong}")
    elif verdict.wrong:
        lines.append(verdict.wrong)
    if verdict.last:
        lines.append(f"whole: entries {verdict.first} to {verdict.last}, the last with hash")
        lines.append(verdict.hash)
    if verdict.signed_to:
        lines.append(
            f"signed: up to entry {verdict.signed_to}, by the head of {verdict.signed_day}"
        )
    return [part for line in (*lines, *verdict.notes) for part in textwrap.wrap(line, WIDTH)]


def _data(path: Path, verdict: Verdict) -> dict[str, Any]:
    return {
        "file": str(path), "outcome": verdict.outcome.value, "wrong": verdict.wrong or None,
        "first_bad_entry": verdict.bad_number, "first": verdict.first or None,
        "last": verdict.last or None, "hash": verdict.hash,
        "signed_to": verdict.signed_to or None, "signed_day": verdict.signed_day or None,
        "notes": list(verdict.notes),
    }  # fmt: skip


COMMAND = Command(
    name="verify",
    summary="whether the audited record was changed, cut off or replaced",
    example="weirkeeper verify record.jsonl --public-key weirkeeper.pub --head heads.json",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
