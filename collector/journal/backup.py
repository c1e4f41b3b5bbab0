"""Copies of the journal: taken while it is written, checked before they count, the oldest leave.

A copy is made in steps of SQLite's backup, so that the writer never waits for it, in a file beside
the place where it will stand. It is checked, brought to the disk and only then renamed; so under
the name of a copy there is a whole one or none. Its name holds the key of the period it belongs to:
to make it again is to replace it.

All of it is copied as it was at one instant: a read transaction is held meanwhile. Without it every
commit between two steps would have the copy begin again, and that of a large journal never ended.
The price is that the journal's log is not brought into the database as long as the copy takes.

Source: sqlite.org/backup.html (backups begin again), sqlite.org/isolation.html (readers of a WAL).
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

import apsw

from collector.errors import JournalError, JournalFull
from collector.journal import connect

PAGES_A_STEP = 4_096
ENDING = ".copy"
UNFINISHED = ".part"


class BackupInterrupted(JournalError):
    """The collector is about to end; the copy is made another time."""


def copy_path(journal: Path, directory: Path, key: str) -> Path:
    """Where the copy of a period stands."""
    return directory / f"{journal.name}.{key}{ENDING}"


def back_up(
    journal: Path, directory: Path, key: str, keep: int, ending: Callable[[], bool] = bool
) -> Path:
    """Make the copy of a period and let the oldest go.

    Args:
        journal: the file; its writer may be at work.
        directory: where copies are kept; made if it is not there.
        key: of the period.
        keep: how many copies stay.
        ending: whether it should give up.

    Returns:
        where it stands.

    Raises:
        BackupInterrupted: it gave up.
        JournalError: it could not be made, or is not whole.
    """
    target = copy_path(journal, directory, key)
    part = target.with_name(target.name + UNFINISHED)
    try:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        for left in directory.glob(f"{journal.name}.*{ENDING}{UNFINISHED}*"):
            left.unlink()
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        try:
            _copy(journal, part, ending)
            _to_disk(part)
            os.replace(part, target)
            _to_disk(directory)
        except BaseException:
            for left in directory.glob(f"{part.name}*"):  # with what SQLite keeps beside it
                with contextlib.suppress(OSError):
                    left.unlink()
            raise
        for oldest in copies(journal, directory)[:-keep]:
            if oldest != target:
                oldest.unlink()
    except OSError as error:
        raise JournalError(f"no copy of the journal at {target}: {error.strerror}") from error
    return target


def copies(journal: Path, directory: Path) -> list[Path]:
    """The copies there are, the one made longest ago first.

    By when they were made, not by their keys: those of a wrong clock would stay for ever.
    """
    found = directory.glob(f"{journal.name}.*{ENDING}")
    return sorted(found, key=lambda path: (path.stat().st_mtime_ns, path.name))


def _copy(journal: Path, part: Path, ending: Callable[[], bool]) -> None:
    """Copy into a file that is there and empty, and check it."""
    source = connect.connect_reader(journal)
    try:
        target = apsw.Connection(str(part), flags=apsw.SQLITE_OPEN_READWRITE)
        try:
            source.execute("BEGIN")
            source.execute(
                "SELECT count(*) FROM journal"
            ).fetchall()  # from here on it stands still
            with target.backup("main", source, "main") as backup:
                while not backup.done:
                    if ending():
                        raise BackupInterrupted(f"the copy {part.name} was given up at the end")
                    with contextlib.suppress(apsw.BusyError, apsw.LockedError):
                        backup.step(PAGES_A_STEP)
            # A file by itself: it can be opened where nothing may be written beside it.
            target.pragma("journal_mode", "delete")
            found = target.pragma("quick_check")
            if found != "ok":
                own = source.pragma("quick_check(1)")
                if own != "ok":
                    raise connect.damaged(journal, str(own))
                raise JournalError(
                    f"the copy {part.name} came out damaged although the journal is whole "
                    f"({found}): look at the disk of {part.parent}"
                )
        finally:
            target.close(True)
    except apsw.Error as error:
        translated = connect.translate(error, journal, source, "copy")
        if isinstance(translated, JournalFull):
            raise JournalFull(f"no room on the disk for the copy {part}") from error
        raise translated from error
    finally:
        connect.close(source)


def _to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
