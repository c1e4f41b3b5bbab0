"""Going back to a copy of the journal: checked first, and nothing of what is there is destroyed.

The restored journal is made as a salvaged one is (``rebuild.py``): the same id, so that what is
sent again is known as a repeat, and new numbers far above all that were ever given, so that none
comes again with other content. The journal that was in place is set aside; with ``salvage`` what it
holds beyond the copy is taken over, as far as it can be read.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import apsw

from collector.audit.chain import rfc3339
from collector.audit.verdict import Outcome
from collector.audit.verify import verify_entries
from collector.errors import JournalDamaged, JournalError
from collector.journal import connect, schema
from collector.journal.holder import Holder
from collector.journal.reader import JournalReader
from collector.journal.reserve import Reserve
from collector.journal.salvage.opening import (
    EARLIER,
    PART,
    finish_replacing,
    free_stamp,
    put_in_place,
)
from collector.journal.salvage.rebuild import rebuild, remove
from collector.journal.salvage.telling import RESTORED, Occasion, Salvaged

ALL = 1 << 40


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was checked.

    Args:
        path: of it.
        journal_id: of the journal it is of.
        newest: its last sequence, 0 if it holds none; ``newest_utc_us`` its date.
        chain: what the check of its audited record came to.
    """

    path: Path
    journal_id: str
    newest: int
    newest_utc_us: int | None
    chain: Outcome


@dataclass(frozen=True, slots=True)
class Between:
    """What the journal in place holds beyond a copy.

    Args:
        records: how many, None if it cannot be read by the usual way.
        newest: its last sequence.
        newest_utc_us: its date.
        same: whether it is the journal of which the copy is.
    """

    records: int | None
    newest: int = 0
    newest_utc_us: int | None = None
    same: bool = True


@dataclass(frozen=True, slots=True)
class Restored:
    """What was done.

    Args:
        copied: the copy.
        between: what the journal in place held beyond it, None if there was none.
        set_aside: where that one is now.
        salvaged: what the restored one holds.
        taken_over: whether the newer records were taken over.
    """

    copied: Copied
    between: Between | None
    set_aside: Path | None
    salvaged: Salvaged
    taken_over: bool


def check_copy(path: Path) -> Copied:
    """Check a copy as a whole: the file, whose it is, its audited record.

    Raises:
        JournalError: it is not there, not ours, of a newer version, or damaged.
    """
    connection = connect.connect_reader(path)
    try:
        version = schema.check_owner(connection, str(path))
        if version == 0:
            raise JournalError(f"the copy {path} is empty")
        found = connection.execute("PRAGMA integrity_check(1)").get
        if found != "ok":
            raise connect.damaged(path, str(found))
    except apsw.Error as error:
        raise connect.translate(error, path, connection, "read") from error
    finally:
        connect.close(connection)
    if version != schema.VERSION:
        return _older(path)
    with JournalReader(path) as reader:
        verdict = verify_entries(
            reader.chain_entries(0, ALL), reader.journal_id, reader.chain_anchor(), (), (),
            reader.newest_audited(), reader.chain_breaks(),
        )  # fmt: skip
        newest = reader.recent(1)
        return Copied(
            path, reader.journal_id, newest[0].sequence if newest else 0,
            newest[0].utc_us if newest else None, verdict.outcome,
        )  # fmt: skip


def _older(path: Path) -> Copied:
    """A copy of an older layout, which only the start of the collector brings up to date."""
    connection = connect.connect_reader(path)
    with closing(connection):
        begun = connection.execute("SELECT began_utc_us FROM journal").get
        newest = connection.execute("SELECT coalesce(max(sequence), 0) FROM record").get
    return Copied(path, f"{begun:x}", newest, None, Outcome.UNPROVEN)


def between(copied: Copied, journal: Path) -> Between | None:
    """What a journal holds beyond a copy of it; None where there is no journal."""
    if not journal.exists():
        return None
    try:
        with JournalReader(journal) as reader:
            newest = reader.recent(1)
            return Between(
                sum(1 for _ in _numbers(reader, copied.newest)),
                newest[0].sequence if newest else 0, newest[0].utc_us if newest else None,
                reader.journal_id == copied.journal_id,
            )  # fmt: skip
    except JournalError:
        return Between(None)


def _numbers(reader: JournalReader, after: int) -> list[int]:
    found: list[int] = []
    while page := reader.records_after(after, 5_000):
        found += [record.sequence for record in page]
        after = page[-1].sequence
    return found


def restore(copy: Path, journal: Path, now_utc_us: int, *, salvage: bool = False) -> Restored:
    """Put a copy in the place of a journal.

    Args:
        copy: a copy that the collector has made.
        journal: the place; what stands there is set aside.
        now_utc_us: UTC of this instant.
        salvage: take over what the journal in place holds beyond the copy.

    Raises:
        JournalHeld: a daemon has the journal.
        JournalDamaged: the copy is damaged, or its audited record was tampered with.
        JournalError: it cannot be done; the journal in place is as it was.
    """
    connect.check_path(journal, writing=True)
    holder = Holder(journal, now_utc_us)
    try:
        finish_replacing(journal)
        copied = check_copy(copy)
        if copied.chain in (Outcome.TAMPERED, Outcome.CUT_OFF):
            raise JournalDamaged(f"the audited record in {copy} is {copied.chain}: it is not used")
        beyond = between(copied, journal)
        if salvage and beyond is not None and not beyond.same:
            raise JournalError(
                f"{journal} is not the journal of which {copy} is: nothing can be taken over"
            )
        taking = salvage and beyond is not None
        above = max(copied.newest, beyond.newest if beyond and beyond.same else 0)
        if holder.reached is not None and holder.reached[1] == copied.journal_id:
            above = max(above, holder.reached[0])
        return _put(copied, journal, now_utc_us, beyond, above, taking=taking)
    finally:
        holder.release()


def _put(
    copied: Copied, journal: Path, now_utc_us: int, beyond: Between | None, above: int, *,
    taking: bool,
) -> Restored:  # fmt: skip
    stamp = free_stamp(journal, EARLIER, now_utc_us)
    set_aside = journal.with_name(journal.name + EARLIER + stamp) if beyond is not None else None
    part = journal.with_name(journal.name + PART)
    Reserve(journal, 0).release()
    dated = "" if copied.newest_utc_us is None else f" ({rfc3339(copied.newest_utc_us)[:19]}Z)"
    because = f"restored from the copy {copied.path.name}, which ends with {copied.newest}{dated}"
    occasion = Occasion(because, set_aside.name if set_aside else "", now_utc_us, RESTORED, above)
    sources = [journal, copied.path] if taking else [copied.path]
    try:
        remove(part)
        salvaged = rebuild(sources, part, occasion)
        if salvaged.newest < copied.newest:
            raise JournalError(f"only {salvaged.newest} of {copied.newest} could be restored")
        put_in_place(journal, part, stamp, EARLIER)
    except (apsw.Error, OSError) as error:
        remove(part)
        raise JournalError(f"the journal {journal} cannot be restored: {error}") from error
    return Restored(copied, beyond, set_aside, salvaged, taking)
