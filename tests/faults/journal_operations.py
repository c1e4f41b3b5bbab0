"""Everything a journal does to its disk, each failed at its Nth call, N rising until it is clean.

The method is SQLite's own (https://sqlite.org/testing.html, section 3.2, I/O error testing): fail
the Nth operation, once or from then on, N rising until a run meets no failure, and check the file
after each. Here the journal's whole work is failed so: opening, bringing an older file up to date,
recovering what a killed process left, committing all that can be committed, deleting at the size
limit, bringing the log into the database, copying, closing.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import apsw
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from collector.audit.keys import Signer
from collector.core.records import Record, RecordKind
from collector.errors import Bug, JournalDamaged, JournalError, JournalFull, WeirkeeperError
from collector.journal import Journal, connect, schema
from collector.journal.backup import back_up, copies
from collector.journal.items import Alive
from tests.faults.faulty_disk import MEMORY, FailingDisk
from tests.faults.judging import OUTLET, judge, last_number, state_after
from tests.faults.tally import Findings, Tally
from tests.unit.journal.samples import START_US, contact, contacts, wall_us

ROOM_BYTES = 512 << 10
PADDING = "a reason so long that it is written out in each record. " * 4
SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


@dataclass(frozen=True)
class Size:
    """How much is committed, batch by batch.

    Args:
        batches: how many.
        contacts, audited: records of each.
        delivered: whether the outlet's cursor follows.
        files: whether another plant file comes into force each time.
    """

    batches: int
    contacts: int
    audited: int = 1
    delivered: bool = True
    files: bool = True


ONE, FEW, MANY = Size(1, 10), Size(3, 20), Size(4, 60)


@dataclass(frozen=True)
class Fault:
    """What the disk does: SQLite's error, and whether it stays."""

    name: str
    code: int
    for_good: bool
    kind: type[JournalError]

    @property
    def passes(self) -> bool:
        """Whether it is waited out."""
        return self.code == apsw.SQLITE_FULL and not self.for_good


FAULTS = (
    Fault("I/O error once", apsw.SQLITE_IOERR, False, JournalError),
    Fault("I/O error for good", apsw.SQLITE_IOERR, True, JournalError),
    Fault("disk full once", apsw.SQLITE_FULL, False, JournalFull),
    Fault("disk full for good", apsw.SQLITE_FULL, True, JournalFull),
)


class Life:
    """What became of one life of a journal on a disk that fails.

    Attributes:
        acknowledged: the greatest number that was told as committed.
        submitted: the greatest that was handed in.
        error: what was raised, if anything.
    """

    def __init__(self, before: int = 0) -> None:
        self.acknowledged = self.submitted = before
        self.error: Exception | None = None

    def on_commit(self, last: int, records: Sequence[Record]) -> None:
        """As the journal calls it."""
        del last
        self.acknowledged = max(self.acknowledged, last_number(records) or 0)


def batch_of(first: int, last: int, audited: int) -> list[Record]:
    """Contacts, audited records and, where there are any, the wish for a head of the chain."""
    batch = contacts(first, last, padding=PADDING)
    if not audited:
        return batch
    at = contact(last, padding=PADDING)
    day = json.dumps({"day": f"day {first}"})
    batch += [
        replace(at, kind=RecordKind.COLLECTOR, subject="collector", value=f"{first} {n}")
        for n in range(audited)
    ]
    batch.append(replace(at, kind=RecordKind.HEAD, subject="head", value=day))
    return batch


def hand_in(journal: Journal, life: Life, size: Size) -> None:
    """One batch of everything that can be committed, all of it naming its last number."""
    first, last = life.submitted + 1, life.submitted + size.contacts
    at_us = START_US + 1_000_000 * last
    if size.files:
        journal.remember_configuration("plant", f"plant {last}", f"hash of {last}")
    if size.delivered:
        journal.move_cursor(OUTLET, max(0, journal.head - 40))
    journal.quarantine(OUTLET, journal.head, "refused")
    alive = Alive(at_us, at_us, "boot", {"works": at_us})
    if journal.submit(batch_of(first, last, size.audited), state=state_after(last), alive=alive):
        life.submitted = last


def live(path: Path, disk: FailingDisk, life: Life, size: Size, keep_years: float = 5.0) -> None:
    """Open, commit batches and close; a disk that stays full is not waited for."""
    hopeless = disk.for_good and disk.code == apsw.SQLITE_FULL
    try:
        journal = Journal.open(
            path, wall_us=wall_us, commit_period_s=0, size_limit_bytes=ROOM_BYTES, vfs=disk.name,
            on_commit=life.on_commit, outlets=[OUTLET], signer=SIGNER,
            keep_years=keep_years,
        )  # fmt: skip
    except Exception as error:
        life.error = error
        return
    try:
        for _ in range(size.batches):
            hand_in(journal, life, size)
            while not (done := journal.flush(0.02)):
                if disk.fired and hopeless:
                    break
            if not done:
                break
    except Exception as error:
        life.error = error
    try:
        journal.close()
    except Exception as error:
        life.error = error


# --- what is there before, and what is done ------------------------------------------------------


def nothing(path: Path) -> int:
    """No file yet."""
    del path
    return 0


def of_layout_one(path: Path) -> int:
    """A file as the first layout's own script made it, with records."""
    connection = connect.connect_writer(path)
    connect.make_durable(connection, path)
    schema.bring_up_to_date(connection, str(path), wall_us(), schema.MIGRATIONS[:1])
    connection.execute("INSERT INTO subject VALUES (1, ?, 'works.contact_0')",
                       (int(RecordKind.POINT),))  # fmt: skip
    connection.execute("INSERT INTO era VALUES (1, 1500)")
    for number in range(1, 31):
        connection.execute(
            "INSERT INTO record VALUES (?, 1, ?, 900000, 0, ?, 0, NULL, NULL)",
            (number, START_US + 1_000_000 * number, number),
        )
    connection.close()
    return 30


def filled(path: Path, size: Size = FEW, *, leave: bool = False) -> int:
    """A journal with records; left as a killed process leaves it, with its log, if asked for."""
    life = Life()
    source = path.with_name("source")
    journal = Journal.open(
        source, wall_us=wall_us, commit_period_s=0, size_limit_bytes=ROOM_BYTES,
        on_commit=life.on_commit, outlets=[OUTLET], signer=SIGNER,
    )  # fmt: skip
    for _ in range(size.batches):
        hand_in(journal, life, size)
        journal.flush()
    if not leave:
        journal.close()
    for file in path.parent.glob("source*"):
        if file.name in ("source", "source-wal"):
            shutil.copy(file, path.with_name(file.name.replace("source", path.name)))
    if leave:
        journal.close()
    for file in list(path.parent.glob("source*")):
        file.unlink()
    return life.submitted


def killed(path: Path) -> int:
    """What a killed process leaves: the database, and all that is new in its log."""
    return filled(path, leave=True)


def at_its_limit(path: Path) -> int:
    """A journal that has begun to delete."""
    return filled(path, Size(12, 120))


def undelivered(path: Path) -> int:
    """A journal at its limit whose records nobody has taken."""
    return filled(path, Size(12, 120, delivered=False))


def audited(path: Path) -> int:
    """A journal at its limit, most of it audited record."""
    return filled(path, Size(10, 10, 60))


def copied(path: Path, disk: FailingDisk, life: Life) -> None:
    """Copy a journal that is being written to."""
    del disk
    with Journal.open(path, wall_us=wall_us, commit_period_s=0, vfs="unix") as journal:
        journal.on_commit = life.on_commit
        try:
            back_up(path, path.with_name("copies"), "2026-01", 2)
        except SystemError as error:
            # The library's own answer to a layer in Python that raises while a backup is ended;
            # a disk's error comes as a number.
            cause = error.__cause__
            life.error = connect.translate(cause, path) if isinstance(cause, apsw.Error) else error
        except Exception as error:
            life.error = error


def with_a_copy(path: Path) -> int:
    """A journal, and an older copy of it."""
    number = filled(path)
    back_up(path, path.with_name("copies"), "2025-12", 2)
    return number


@dataclass(frozen=True)
class Operation:
    """Something a journal does.

    Args:
        name: for people.
        prepare: makes what is there before; returns the greatest number in it.
        perform: does it, on a disk that fails.
        for_all: its connections name no layer, so all use the failing one.
    """

    name: str
    prepare: Callable[[Path], int]
    perform: Callable[[Path, FailingDisk, Life], None]
    for_all: bool = False


OPERATIONS = (
    Operation("open anew, commit, close", nothing, lambda p, d, life: live(p, d, life, FEW)),
    Operation("bring layout 1 up to date", of_layout_one, lambda p, d, life: live(p, d, life, ONE)),
    Operation("recover a killed one's log", killed, lambda p, d, life: live(p, d, life, ONE)),
    Operation("checkpoint while committing", filled, lambda p, d, life: live(p, d, life, MANY)),
    Operation("delete at the size limit", at_its_limit,
              lambda p, d, life: live(p, d, life, Size(4, 150))),
    Operation("drop what is undelivered", undelivered,
              lambda p, d, life: live(p, d, life, Size(4, 150, delivered=False))),
    Operation("shorten the audited record", audited,
              lambda p, d, life: live(p, d, life, Size(2, 10, 60), keep_years=0.0)),
    Operation("copy while it is written", with_a_copy, copied, for_all=True),
)  # fmt: skip
"""Of everything that a journal does with its disk."""


# --- failing it ----------------------------------------------------------------------------------


@cache
def prepared(operation: Operation) -> tuple[int, dict[str, bytes]]:
    """What is there before an operation: the greatest number, and files by their place."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        folder = Path(name)
        number = operation.prepare(folder / "j")
        files = [file for file in folder.rglob("*") if file.is_file()]
        return number, {str(f.relative_to(folder)): f.read_bytes() for f in files}


def fail_at(operation: Operation, fault: Fault, at: int) -> tuple[bool, Findings]:
    """Fail one call of an operation; whether it came to that, and what was found afterwards."""
    found = Findings()
    number, files = prepared(operation)
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        path = Path(name) / "j"
        for place, content in files.items():
            (path.parent / place).parent.mkdir(exist_ok=True)
            (path.parent / place).write_bytes(content)
        life = Life(number)
        reads = fault.code == apsw.SQLITE_IOERR
        with FailingDisk(
            at, fault.code, fault.for_good, reads=reads, for_all=operation.for_all
        ) as disk:
            operation.perform(path, disk, life)
            fired = disk.fired
        _judge_error(life, fault, fired, found)
        if fault.passes and life.acknowledged < life.submitted:
            found.lost.append("a disk that was full for a moment cost something")
        judge(path, life.acknowledged, life.submitted, found)
        _judge_copies(path, life, found)
    return fired, found


def _judge_error(life: Life, fault: Fault, fired: bool, found: Findings) -> None:
    error = life.error
    if error is None:
        if life.acknowledged < life.submitted:
            found.lost.append(f"{life.submitted} was taken without an error and never committed")
        return
    if not isinstance(error, WeirkeeperError) or isinstance(error, Bug):
        found.crashed.append(f"{type(error).__name__}: {error}")
    elif not isinstance(error, fault.kind) or isinstance(error, JournalDamaged):
        found.wrong.append(f"told as something else: {error}")
    elif not fired:
        found.crashed.append(f"without a fault: {error}")


def _judge_copies(path: Path, life: Life, found: Findings) -> None:
    folder = path.with_name("copies")
    if not folder.is_dir():
        return
    there = copies(path, folder)
    wanted = 1 if life.error is not None else 2
    if len(there) < wanted:
        found.lost.append(f"{len(there)} copies are left, {wanted} should be")
    if left := [file.name for file in folder.iterdir() if file not in there]:
        found.wrong.append(f"left beside the copies: {left}")
    for copy in there:
        with apsw.Connection(str(copy), flags=apsw.SQLITE_OPEN_READONLY) as connection:
            if connection.pragma("integrity_check") != "ok":
                found.wrong.append(f"the copy {copy.name} is not sound")


def fail_each(operation: Operation, fault: Fault, stride: int = 1) -> Iterator[Tally]:
    """Fail every ``stride``-th call of an operation until it meets no failure; one row so far."""
    tally = Tally(f"{fault.name}: {operation.name}")
    at = 1
    while True:
        fired, found = fail_at(operation, fault, at)
        tally.found(found, f"call {at}")
        yield tally
        if not fired:
            return
        at += stride
