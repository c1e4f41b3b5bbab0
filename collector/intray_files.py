"""The folder of the in-tray: its files, written whole, looked at with distrust.

Only who may write into the folder can hand something in: it is open to the owner of the journal
alone (mode 0700). What does not belong there is set aside in ``refused``, never followed and never
trusted.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import structlog

from collector.clock import MICROSECONDS
from collector.core.alarms.action_form import LARGEST_BYTES

FOLDER = ".intray"
REFUSED = "refused"
MOST_A_SECOND = 100
MOST_SET_ASIDE = 500
LOOKED_AT = 2_000  # names in the folder; a flood beyond it waits
# What a command writes; any other name was left by somebody else.
NAME = re.compile(r"\d{16,20}-[A-Za-z0-9_-]{1,64}\.json")
UNFINISHED = ".tmp"
ABANDONED_US = 3_600 * MICROSECONDS

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A file that waits.

    Args:
        name: its name in the folder.
        data: what it holds.
    """

    name: str
    data: bytes


def folder_of(journal: Path) -> Path:
    """The in-tray of a journal."""
    return Path(f"{journal}{FOLDER}")


def write(folder: Path, name: str, text: bytes) -> None:
    """Write a file so that it is there complete, and on the disk, or not at all.

    Raises:
        OSError: it cannot be written.
    """
    unfinished = folder / f"{name}{UNFINISHED}"
    handle = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    try:
        with open(handle, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _give_to_owner_of(folder, unfinished)
        os.rename(unfinished, folder / name)
    except BaseException:
        with contextlib.suppress(OSError):
            unfinished.unlink()
        raise
    _sync(folder)


def make_folder(journal: Path) -> None:
    """Make the in-tray where there is none, open to its owner alone.

    Raises:
        OSError: it cannot be made.
    """
    folder = folder_of(journal)
    for place in (folder, folder / REFUSED):
        with contextlib.suppress(FileExistsError):
            place.mkdir(mode=0o700)
            _give_to_owner_of(journal, place)


def waiting(journal: Path, limit: int = MOST_A_SECOND) -> Iterator[Waiting]:
    """What waits in the in-tray, the oldest first; what does not belong there is set aside.

    Args:
        journal: the journal.
        limit: most files to look into.
    """
    folder = folder_of(journal)
    try:
        with os.scandir(folder) as entries:
            names = sorted(entry.name for entry in islice(entries, LOOKED_AT))
    except FileNotFoundError:
        return
    except OSError as error:
        log.warning("in-tray cannot be read", folder=str(folder), because=error.strerror)
        return
    looked_into = 0
    for name in names:
        if name == REFUSED or name.endswith(UNFINISHED):
            continue
        looked_into += 1
        if looked_into > limit:
            return
        found = _read(folder, name)
        if isinstance(found, bytes):
            yield Waiting(name, found)
        elif found:
            set_aside(journal, name, found)


def _read(folder: Path, name: str) -> bytes | str:
    """What a file holds, or why it is none of ours; empty if it has gone meanwhile."""
    if not NAME.fullmatch(name):
        return "a file that no command has left here"
    try:
        handle = os.open(folder / name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return ""
    except OSError as error:
        if error.errno == errno.ELOOP:
            return "a link, which is not followed"
        return f"a file that cannot be read ({error.strerror})"
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            return "something that is no file"
        data = os.read(handle, LARGEST_BYTES + 1)  # of a regular file all at once
    except OSError as error:
        return f"a file that cannot be read ({error.strerror})"
    finally:
        os.close(handle)
    if len(data) > LARGEST_BYTES:
        return f"more than {LARGEST_BYTES} bytes"
    return data


def set_aside(journal: Path, name: str, why: str) -> None:
    """Put a file where it is not looked at again, with the reason beside it."""
    folder = folder_of(journal)
    aside = folder / REFUSED
    log.warning("set aside from the in-tray", file=name[:120], because=why)
    try:
        make_folder(journal)
        os.rename(folder / name, aside / name)
        (aside / f"{name[:200]}.why").write_text(why + "\n", encoding="utf-8")
        _keep_few(aside)
    except OSError as error:
        log.warning("could not be set aside", file=name[:120], because=error.strerror)


def _keep_few(aside: Path) -> None:
    """Let the oldest of what was set aside go, so that nobody can fill the disk with it."""
    names = sorted(os.listdir(aside))
    for name in names[: max(0, len(names) - 2 * MOST_SET_ASIDE)]:
        with contextlib.suppress(OSError):
            (aside / name).unlink()


def done(journal: Path, name: str) -> None:
    """Take a file away whose action is on record."""
    try:
        (folder_of(journal) / name).unlink(missing_ok=True)
    except OSError as error:
        log.warning("could not be removed from the in-tray", file=name, because=error.strerror)


def clear_unfinished(journal: Path, wall_us: int) -> None:
    """Remove what commands that were killed have left unfinished an hour ago or longer."""
    folder = folder_of(journal)
    with contextlib.suppress(OSError):
        for name in os.listdir(folder):
            if name.endswith(UNFINISHED):
                with contextlib.suppress(OSError):
                    written_us = os.lstat(folder / name).st_mtime_ns // 1_000
                    if written_us < wall_us - ABANDONED_US:
                        (folder / name).unlink()


def _give_to_owner_of(model: Path, path: Path) -> None:
    """Let a file belong to whom another belongs, where we may: root hands in for the daemon."""
    if os.geteuid() == 0:
        with contextlib.suppress(OSError):
            owner = os.stat(model)
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
