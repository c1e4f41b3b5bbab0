"""Opening the journal's file, and saying in one sentence why that did not work.

SQLite 3.7.0 to 3.51.2 can corrupt a database in WAL mode when one connection resets the log while
another writes (https://sqlite.org/wal.html#walresetbug); 3.44.6 and 3.50.7 carry the repair.
Every connection, readers' too, refuses to work with one of those.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

import apsw

from collector.errors import JournalDamaged, JournalError, JournalFull

BUSY_TIMEOUT_MS = 5_000
FILE_MODE = 0o600
NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def has_wal_reset_bug(version: str) -> bool:
    """Whether a SQLite version has the WAL-reset bug. Source: sqlite.org/wal.html#walresetbug."""
    parts = [int(part) for part in version.split(".")] + [0, 0]
    number = (parts[0], parts[1], parts[2])
    if not (3, 7, 0) <= number < (3, 51, 3):
        return False
    repaired_by_series = {(3, 44): 6, (3, 50): 7}
    least = repaired_by_series.get(number[:2])
    return least is None or number[2] < least


def check_library() -> None:
    """Refuse a SQLite that can corrupt the journal.

    Raises:
        JournalError: the library has the WAL-reset bug.
    """
    version = apsw.sqlite_lib_version()
    if has_wal_reset_bug(version):
        raise JournalError(
            f"SQLite {version} can corrupt a journal (its WAL-reset bug); "
            "3.51.3 or newer is needed: install the apsw release this program pins"
        )


def damaged(path: str | Path, found: str) -> JournalDamaged:
    """The error for a damaged journal, from what SQLite found."""
    found = " ".join(found.removeprefix("*** in database main ***").split())
    return JournalDamaged(
        f"the journal {path} is damaged ({found}); the next start of the collector sets it aside "
        "and salvages what can be read",
        found,
    )


def translate(error: apsw.Error, path: str | Path, connection: apsw.Connection | None = None,
              doing: str = "use") -> JournalError:  # fmt: skip
    """Turn SQLite's error into ours, in one sentence."""
    if isinstance(error, apsw.FullError):
        return JournalFull(f"no room on the disk for the journal at {path}")
    if isinstance(error, apsw.NotADBError):
        return JournalError(f"{path} is not a journal: it is no SQLite database")
    if isinstance(error, apsw.CorruptError | apsw.ConstraintError):
        # Nothing is ever written twice: where a constraint fails, an index is not what it was.
        return damaged(path, str(error))
    if isinstance(error, apsw.IOError):
        number = connection.system_errno if connection is not None else 0
        if number in NO_ROOM:
            return JournalFull(f"no room on the disk for the journal at {path}")
        cause = os.strerror(number) if number else str(error)
        return JournalError(f"the disk failed while writing or reading the journal {path}: {cause}")
    if isinstance(error, apsw.BusyError | apsw.LockedError):
        return JournalError(f"the journal {path} is locked by another program")
    if isinstance(error, apsw.CantOpenError | apsw.PermissionsError | apsw.ReadOnlyError):
        return JournalError(f"cannot {doing} the journal {path}: {error}")
    return JournalError(f"cannot {doing} the journal {path}: {error}")


def check_path(path: Path, *, writing: bool) -> None:
    """Say what is wrong with a path before SQLite says it in its own words.

    Raises:
        JournalError: no directory, no file, no permission.
    """
    directory = path.parent
    if not directory.is_dir():
        raise JournalError(f"the directory {directory} for the journal {path.name} does not exist")
    if path.is_dir():
        raise JournalError(f"the journal {path} is a directory, a file is needed")
    if writing and not os.access(directory, os.W_OK | os.X_OK):
        raise JournalError(f"no permission to write in {directory}, where the journal belongs")
    if path.exists():
        if not os.access(path, os.R_OK | (os.W_OK if writing else 0)):
            doing = "write" if writing else "read"
            raise JournalError(f"no permission to {doing} the journal {path}")
    elif not writing:
        raise JournalError(f"there is no journal at {path}")


def connect_writer(path: Path, vfs: str | None = None) -> apsw.Connection:
    """Open the one connection that writes; nothing is written to the file yet.

    Raises:
        JournalError: with a sentence for the screen.
    """
    check_library()
    check_path(path, writing=True)
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))
    except OSError as error:
        raise JournalError(f"cannot open the journal {path}: {error.strerror}") from error
    try:
        connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READWRITE, vfs=vfs)
    except apsw.Error as error:
        raise translate(error, path, None, "open") from error
    connection.set_busy_timeout(BUSY_TIMEOUT_MS)
    return connection


def make_durable(connection: apsw.Connection, path: Path) -> None:
    """Set a writer's connection up so that what is committed is on the disk.

    Raises:
        JournalError: the file system cannot do it.
        apsw.Error: anything else.
    """
    if connection.pragma("auto_vacuum") != 2:  # else it would be written again, for nothing
        connection.pragma("auto_vacuum", 2)  # incremental; only a new file takes it
    if connection.pragma("journal_mode", "wal") != "wal":
        raise JournalError(f"the file system of {path} cannot hold a journal (no shared memory)")
    connection.pragma("synchronous", 2)  # full
    connection.wal_autocheckpoint(0)  # the writer does it, after it has told what is committed


def close(connection: apsw.Connection) -> None:
    """Close a connection, the writer's bringing the log into the database.

    If that fails nothing is lost: what is committed then stays in the log.
    """
    with contextlib.suppress(apsw.Error):
        connection.close(True)


def connect_reader(path: Path, vfs: str | None = None) -> apsw.Connection:
    """Open a connection that only reads and never checkpoints.

    Raises:
        JournalError: with a sentence for the screen.
    """
    check_library()
    check_path(path, writing=False)
    try:
        connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY, vfs=vfs)
        connection.set_busy_timeout(BUSY_TIMEOUT_MS)
        connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
    except apsw.Error as error:
        raise translate(error, path, None, "open") from error
    return connection
