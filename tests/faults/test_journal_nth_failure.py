"""Every single write, sync and cut of a journal's life fails once, or from then on.

The journal says so, keeps what was acknowledged, and goes on with a disk that works.

The method is SQLite's own (https://sqlite.org/testing.html, section 3.2, I/O error testing): fail
the Nth operation, N rising until a run meets no failure, and check the file after each.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import apsw
import pytest

from collector.core.records import Record
from collector.errors import JournalDamaged, JournalError, JournalFull, WeirkeeperError
from collector.journal import Journal, JournalReader
from tests.faults.faulty_disk import MEMORY, FailingDisk
from tests.unit.journal.samples import contact, contacts, unnumbered, wall_us

PADDING = "a reason so long that it is written out in each record. "
BATCHES = [contacts(n, n + 19, padding=PADDING) for n in range(1, 100, 20)]


@pytest.fixture
def directory() -> Iterator[Path]:
    """A directory in memory: what a disk would do is played by the test."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


class Life:
    """One short life of a journal on a disk that may fail."""

    def __init__(self, path: Path, disk: FailingDisk) -> None:
        self.acknowledged = 0
        self.error: WeirkeeperError | None = None
        self.submitted = 0
        never_again = disk.for_good and disk.code == apsw.SQLITE_FULL
        try:
            journal = Journal.open(
                path, wall_us=wall_us, commit_period_s=0, size_limit_bytes=512 << 10,
                on_commit=self._on_commit, vfs=disk.name,
            )  # fmt: skip
        except WeirkeeperError as error:
            self.error = error
            return
        try:
            for batch in BATCHES:
                journal.submit(batch, state=f"after {batch[-1].value}")
                self.submitted += len(batch)
                journal.move_cursor("store", 3)
                while not (done := journal.flush(0.02)):
                    if disk.fired and never_again:
                        break
                if not done:
                    break  # it waits for room that will never come
        except WeirkeeperError as error:
            self.error = error
        try:
            journal.close()
        except WeirkeeperError as error:
            self.error = error

    def _on_commit(self, last: int, records: Sequence[Record]) -> None:
        self.acknowledged = last


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    ("code", "kind"),
    [(apsw.SQLITE_IOERR, JournalError), (apsw.SQLITE_FULL, JournalFull)],
    ids=["broken", "full"],
)
def test_any_operation_may_fail(
    directory: Path, code: int, kind: type[JournalError], for_good: bool
) -> None:
    """Whatever fails: an error of the right kind or none, nothing acknowledged lost, no damage, and
    the next start goes on. A disk that was full for a moment costs nothing at all."""
    at, errors = 0, 0
    everything = [record for batch in BATCHES for record in batch]
    while True:
        at += 1
        path = directory / f"{at}"
        with FailingDisk(at, code, for_good) as disk:
            life = Life(path, disk)
            fired = disk.fired
        if life.error is not None:
            errors += 1
            assert isinstance(life.error, kind), f"operation {at}: {life.error!r}"
            assert not isinstance(life.error, JournalDamaged)
            assert str(path) in str(life.error)
        with Journal.open(path, wall_us=wall_us) as journal:
            assert journal.checked
            head = journal.head
            assert head >= life.acknowledged
            assert journal.submit([contact(head + 1)])
        with JournalReader(path) as reader:
            kept = reader.records_after(0, 10**6)
            assert unnumbered(kept[:-1]) == everything[:head]
            assert kept[-1].value == kept[-1].sequence == head + 1
        if life.error is None:
            assert head == life.submitted
        if life.submitted and code == apsw.SQLITE_FULL and not for_good:
            assert life.acknowledged == life.submitted, f"operation {at}"
        if not fired:
            break
    assert at > 100
    assert errors > (5 if code == apsw.SQLITE_FULL and not for_good else at // 2)
