"""What a start does about a damaged journal: it is set aside, a fresh one takes its place.

Nothing is ever deleted. The fresh journal is made under a name of its own; only when it is whole
and on the disk is the damaged one renamed, its log with it, and the fresh one put in its place. A
death at any instant between leaves what the next start finishes. If what is there cannot be
salvaged, a fresh journal begins empty; if even that cannot be written, the start fails with one
sentence, and whoever started us tries again later.

A file of another program, or of a newer version, is nobody's damage and is left alone.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import apsw

from collector.audit.chain import Signs, rfc3339
from collector.errors import JournalDamaged, JournalError, JournalFull, JournalHeld, WeirkeeperError
from collector.journal import schema
from collector.journal.holder import Holder
from collector.journal.reserve import Reserve
from collector.journal.salvage.log import log_is_broken
from collector.journal.salvage.pages import Image
from collector.journal.salvage.rebuild import rebuild, rebuild_empty, remove
from collector.journal.salvage.telling import Occasion, Salvaged
from collector.journal.writer import Journal

PART, FRESH, SUSPECT = ".fresh-part", ".fresh-", ".suspect"
DAMAGED, EARLIER = ".damaged-", ".earlier-"
"""What a journal that is set aside is called: a damaged one, and one for which a copy came."""
NOT_DAMAGE = (
    apsw.BusyError, apsw.LockedError, apsw.CantOpenError, apsw.PermissionsError,
    apsw.ReadOnlyError, apsw.FullError, apsw.NoMemError,
)  # fmt: skip
BESIDE = ("-wal", "-journal", "")
"""What belongs to a database, in the order in which it is set aside."""


@dataclass(frozen=True, slots=True)
class Replaced:
    """A journal has been replaced.

    Args:
        set_aside: where the damaged one is now.
        salvaged: what the fresh one holds of it.
        because: what was wrong with it.
    """

    set_aside: Path
    salvaged: Salvaged
    because: str


def open_or_replace(
    path: Path,
    open_it: Callable[[], Journal],
    now_utc_us: int,
    signer: Signs | None = None,
    still_at_it: Callable[[], object] = bool,
) -> tuple[Journal, Replaced | None]:
    """Open a journal; if it is damaged, replace it and open the fresh one.

    Args:
        path: of the journal.
        open_it: opens it.
        now_utc_us: UTC of this instant.
        signer: of the heads.
        still_at_it: called every second or so while this takes long.

    Raises:
        JournalHeld: another process has it.
        JournalError: it cannot be opened, and a fresh one neither.
    """
    replaced = None
    with _held(path, now_utc_us) as holder:
        finish_replacing(path)
        because = _suspected(path, holder)
        if because is not None:
            replaced = replace(path, because, now_utc_us, signer, still_at_it, holder.reached)
    if replaced is not None:
        return open_it(), replaced
    try:
        return open_it(), None
    except (JournalHeld, JournalFull):
        raise
    except Exception as error:
        because = _judged(path, error)
        if because is None:
            raise
    with _held(path, now_utc_us) as holder:
        replaced = replace(path, because, now_utc_us, signer, still_at_it, holder.reached)
    return open_it(), replaced


def mark_suspect(path: Path, because: str) -> None:
    """Have the next start replace a journal in which damage was found while it was used."""
    with contextlib.suppress(OSError):
        path.with_name(path.name + SUSPECT).write_text(because, encoding="utf-8")


def damaged_files(path: Path) -> list[Path]:
    """Damaged journals that were set aside and still lie beside the one in use, oldest first."""
    found = set(path.parent.glob(f"{path.name}{DAMAGED}*"))
    logs = {one for one in found if one.name.endswith(BESIDE[:2])}
    # A log counts where nothing is left of its database.
    alone = {one for one in logs if one.with_name(one.name.rpartition("-")[0]) not in found}
    return sorted(found - logs | alone)


def replace(
    path: Path,
    because: str,
    now_utc_us: int,
    signer: Signs | None = None,
    still_at_it: Callable[[], object] = bool,
    reached: tuple[int, str] | None = None,
) -> Replaced:
    """Put a fresh journal in the place of a damaged one; its lock is held.

    Args:
        path, now_utc_us, signer, still_at_it: see ``open_or_replace``.
        because: what is wrong with it.
        reached: how far it is known to have got, and its id.

    Raises:
        JournalError: no fresh one can be made; all is as it was.
    """
    stamp = free_stamp(path, DAMAGED, now_utc_us)
    set_aside = path.with_name(path.name + DAMAGED + stamp)
    part = path.with_name(path.name + PART)
    Reserve(path, 0).release()
    occasion = Occasion(
        because, set_aside.name, now_utc_us, above=0 if reached is None else reached[0]
    )
    try:
        remove(part)
        try:
            salvaged = rebuild([path], part, occasion, signer, still_at_it)
        except Exception as failed:
            # Whatever it is, a bug of ours included: the plant is to be watched.
            remove(part)
            said = f"{because}; it could not be salvaged ({failed}), the file is kept"
            salvaged = rebuild_empty(part, Occasion(said, set_aside.name, now_utc_us), signer)
        put_in_place(path, part, stamp)
    except (apsw.Error, OSError, WeirkeeperError) as error:
        with contextlib.suppress(OSError):
            remove(part)
        raise JournalError(
            f"the journal {path} is damaged ({because}), and no fresh one can be made: {error}"
        ) from error
    return Replaced(set_aside, salvaged, because)


def put_in_place(path: Path, part: Path, stamp: str, aside: str = DAMAGED) -> None:
    """Have a fresh journal that is whole take the place of another, which is set aside.

    Args:
        path: the place.
        part: the fresh one.
        stamp: what the name of the other one ends with.
        aside: what stands before it.

    Raises:
        OSError: it cannot be renamed.
    """
    fresh = path.with_name(f"{path.name}{FRESH}{aside.strip('.-')}-{stamp}")
    os.rename(part, fresh)
    _sync(path.parent)
    finish_replacing(path)


def finish_replacing(path: Path) -> None:
    """Finish what a death has interrupted, from the fresh journal's name alone.

    Raises:
        JournalError: it cannot be renamed.
    """
    try:
        for fresh, set_aside in _unfinished(path):
            for ending in BESIDE:
                beside = path.with_name(path.name + ending)
                if beside.exists():
                    os.rename(beside, set_aside.with_name(set_aside.name + ending))
            path.with_name(path.name + "-shm").unlink(missing_ok=True)
            path.with_name(path.name + SUSPECT).unlink(missing_ok=True)
            _sync(path.parent)
            os.rename(fresh, path)
            _sync(path.parent)
    except OSError as error:
        raise JournalError(
            f"cannot put the fresh journal in the place of {path}: {error.strerror}"
        ) from error


def _unfinished(path: Path) -> list[tuple[Path, Path]]:
    """Fresh journals that are whole and not in their place, and where what is there goes."""
    found = []
    for aside in (DAMAGED, EARLIER):
        start = f"{path.name}{FRESH}{aside.strip('.-')}-"
        for fresh in sorted(path.parent.glob(f"{start}*Z*")):
            if "-" not in fresh.name.removeprefix(start):  # else it only stands beside one
                stamp = fresh.name.removeprefix(start)
                found.append((fresh, path.with_name(path.name + aside + stamp)))
    return found


def free_stamp(path: Path, aside: str, now_utc_us: int) -> str:
    """The date as the end of a name that is not taken."""
    stamp = rfc3339(now_utc_us)[:19].translate({ord("-"): None, ord(":"): None}) + "Z"
    found, count = stamp, 1
    while path.with_name(path.name + aside + found).exists():
        count += 1
        found = f"{stamp}.{count}"
    return found


@contextlib.contextmanager
def _held(path: Path, now_utc_us: int) -> Iterator[Holder]:
    holder = Holder(path, now_utc_us)
    try:
        yield holder
    finally:
        holder.release()


def _suspected(path: Path, holder: Holder) -> str | None:
    """What is known to be wrong before the journal is opened, None if nothing is."""
    try:
        return path.with_name(path.name + SUSPECT).read_text(encoding="utf-8") or "found in use"
    except FileNotFoundError:
        pass
    except (OSError, UnicodeDecodeError):
        return "found in use"
    if log_is_broken(path.with_name(path.name + "-wal")):
        return "its log is damaged"
    if _size(path) == 0 and _size(path.with_name(path.name + "-wal")) > 0:
        return "its database is gone, its log is still there"
    if path.exists() and _size(path) == 0 and holder.reached is not None:
        return "it is empty"
    return None


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _judged(path: Path, error: Exception) -> str | None:
    """In words, what makes an error at opening damage; None if it is something else."""
    cause = error.__cause__
    if isinstance(error, JournalDamaged):
        return error.found
    if isinstance(cause, apsw.NotADBError):
        return "it is no SQLite database"
    if isinstance(cause, (*NOT_DAMAGE, OSError)) or not path.is_file():
        return None
    if isinstance(cause, apsw.Error) or not isinstance(error, WeirkeeperError):
        return str(cause or repr(error))
    if isinstance(error, JournalError) and _is_ours(path):
        return "its header is not what it was"
    return None


def _is_ours(path: Path) -> bool:
    """Whether a file whose header says otherwise has the tables of this program, and no others."""
    fresh = apsw.Connection(":memory:")
    for script in schema.MIGRATIONS:
        fresh.execute(script)
    texts = fresh.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")
    ours = {str(sql) for (sql,) in texts}
    fresh.close()
    try:
        image = Image(path, path.with_name(path.name + "-wal"))
    except OSError:
        return False
    with contextlib.closing(image):
        found = {
            str(cell.values[4])
            for number, page in image.pages()
            for cell in image.cells(number, page)
            if len(cell.values) == 5 and cell.values[0] in ("table", "index") and cell.values[4]
        }
    return bool(found) and found <= ours


def _sync(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
