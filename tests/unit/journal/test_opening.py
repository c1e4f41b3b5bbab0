"""Opening: one sentence for whatever stands in the way, and nobody else's file touched."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw
import pytest

from collector.errors import JournalDamaged, JournalError, JournalHeld
from collector.journal import Journal, JournalReader, connect, schema
from tests.unit.journal.samples import contact, contacts, read_all, wall_us, write

REPOSITORY = Path(__file__).parents[3]
NOBODY = 65534


@pytest.mark.parametrize(
    ("version", "affected"),
    [
        ("3.6.23", False), ("3.7.0", True), ("3.40.1", True), ("3.44.5", True), ("3.44.6", False),
        ("3.45.0", True), ("3.50.6", True), ("3.50.7", False), ("3.51.2", True), ("3.51.3", False),
        ("3.52.0", False), ("3.54.1", False), ("4.0.0", False),
    ],
)  # fmt: skip
def test_versions_with_the_wal_reset_bug_are_known(version: str, affected: bool) -> None:
    """3.7.0 to 3.51.2 but for the repaired 3.44.6 and 3.50.7 (sqlite.org/wal.html#walresetbug)."""
    assert connect.has_wal_reset_bug(version) is affected


def test_an_affected_library_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Writer and reader both refuse before they touch the file."""
    write(tmp_path / "j", [contact(1)])
    monkeypatch.setattr(apsw, "sqlite_lib_version", lambda: "3.40.1")
    with pytest.raises(JournalError, match=r"SQLite 3\.40\.1 can corrupt a journal"):
        Journal.open(tmp_path / "new", wall_us=wall_us)
    with pytest.raises(JournalError, match=r"3\.51\.3 or newer"):
        JournalReader(tmp_path / "j")
    assert not (tmp_path / "new").exists()


def foreign(path: Path) -> None:
    """Somebody else's database."""
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE theirs (a)")
    connection.close()


def newer(path: Path) -> None:
    """A journal of a later version of this program."""
    write(path, [contact(1)])
    connection = apsw.Connection(str(path))
    connection.pragma("user_version", schema.VERSION + 1)
    connection.close()


def text(path: Path) -> None:
    """No database at all."""
    path.write_text("panels:\n  works:\n" * 200)


NEWER = (
    "the journal {path} has layout 4, this program knows up to 3: it was written by a newer "
    "version; install that one, or give another path"
)


@pytest.mark.parametrize(
    ("prepare", "sentence"),
    [
        (foreign, "{path} is a SQLite database of another program, not a journal"),
        (newer, NEWER),
        (text, "{path} is not a journal: it is no SQLite database"),
        (Path.mkdir, "the journal {path} is a directory, a file is needed"),
    ],
    ids=["another program's", "newer", "text", "directory"],
)  # fmt: skip
def test_what_is_no_journal_of_ours_is_left_alone(
    tmp_path: Path, prepare: Callable[[Path], None], sentence: str
) -> None:
    """Writer and reader refuse it with the same sentence, and not a byte of it changes."""
    path = tmp_path / "j"
    prepare(path)
    before = path.read_bytes() if path.is_file() else None
    names = {*os.listdir(tmp_path), "j.holder", "j-wal", "j-shm"}
    for attempt in (lambda: Journal.open(path, wall_us=wall_us), lambda: JournalReader(path)):
        with pytest.raises(JournalError) as caught:
            attempt()
        assert str(caught.value) == sentence.format(path=path)
        assert (path.read_bytes() if path.is_file() else None) == before
    assert set(os.listdir(tmp_path)) <= names


def test_missing_places_are_named(tmp_path: Path) -> None:
    """A missing directory for the writer, a missing file for the reader."""
    with pytest.raises(JournalError) as caught:
        Journal.open(tmp_path / "no" / "j", wall_us=wall_us)
    assert str(caught.value) == f"the directory {tmp_path / 'no'} for the journal j does not exist"
    with pytest.raises(JournalError) as caught:
        JournalReader(tmp_path / "j")
    assert str(caught.value) == f"there is no journal at {tmp_path / 'j'}"
    write(tmp_path / "empty")
    (tmp_path / "nothing").touch()
    with pytest.raises(
        JournalError, match="has layout 0, this program reads 3: start the collector"
    ):
        JournalReader(tmp_path / "nothing")


ATTEMPT = """
import os
from collector.errors import JournalError
from collector.journal import Journal, JournalReader
if os.geteuid() == 0:
    os.setgid({nobody})
    os.setuid({nobody})
try:
    {call}
except JournalError as error:
    print(error)
"""


def as_ordinary_user(call: str) -> str:
    """What a process without the rights of root says."""
    done = subprocess.run(
        [sys.executable, "-c", ATTEMPT.format(nobody=NOBODY, call=call)],
        cwd=REPOSITORY, capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout.strip()


@pytest.fixture
def public_directory() -> Iterator[Path]:
    """A directory any user may enter."""
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        directory.chmod(0o755)
        yield directory


def test_missing_permission_is_a_sentence(public_directory: Path) -> None:
    """No right to the directory, to the file for writing, to the file for reading. Run as an
    ordinary user, because root may do anything."""
    locked = public_directory / "locked"
    locked.mkdir(mode=0o555)
    said = as_ordinary_user(f"Journal.open({str(locked / 'j')!r}, wall_us=lambda: 0)")
    assert said == f"no permission to write in {locked}, where the journal belongs"
    unlocked = public_directory / "unlocked"
    unlocked.mkdir()
    unlocked.chmod(0o777)
    path = unlocked / "j"
    write(path, [contact(1)])
    path.chmod(0o444)
    said = as_ordinary_user(f"Journal.open({str(path)!r}, wall_us=lambda: 0)")
    assert said == f"no permission to write the journal {path}"
    path.chmod(0o000)
    said = as_ordinary_user(f"JournalReader({str(path)!r})")
    assert said == f"no permission to read the journal {path}"


HOLD = """
import sys
from collector.journal import Journal
journal = Journal.open(sys.argv[1], wall_us=lambda: 1_767_225_600_000_000)
print("held", flush=True)
sys.stdin.read()
journal.close()
"""


def test_the_second_process_is_told_who_holds_the_journal(tmp_path: Path) -> None:
    """The second writer is refused with the first one's process number and the time it began; when
    the first is killed the journal is free at once. Readers are never refused."""
    path = tmp_path / "j"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], cwd=REPOSITORY,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdin is not None
    assert holder.stdout is not None
    with holder:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(JournalHeld) as caught:
            Journal.open(path, wall_us=wall_us)
        assert str(caught.value) == (
            f"the journal {path} is held by process {holder.pid} since 2026-01-01T00:00:00Z"
        )
        assert read_all(path) == []
        holder.kill()
        holder.wait()
    with Journal.open(path, wall_us=wall_us) as journal:
        with pytest.raises(JournalHeld, match=f"process {os.getpid()} since"):
            Journal.open(path, wall_us=wall_us)
        assert journal.submit([contact(1)])
    assert len(read_all(path)) == 1


def test_files_are_for_their_owner_alone(tmp_path: Path) -> None:
    """Every file of the journal has mode 0600."""
    with Journal.open(tmp_path / "j", wall_us=wall_us) as journal:
        journal.submit(contacts(1, 10))
        journal.flush()
        names = sorted(os.listdir(tmp_path))
        assert names == ["j", "j-shm", "j-wal", "j.holder", "j.reserve"]
        for name in names:
            assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


@pytest.mark.parametrize("page", [2, 5, 9])
def test_a_damaged_file_is_refused_in_a_sentence(tmp_path: Path, page: int) -> None:
    """A page overwritten with rubbish is found at opening, by the check or already on the way."""
    path = tmp_path / "j"
    write(path, contacts(1, 3000))
    with path.open("r+b") as file:
        file.seek(4096 * page)
        file.write(b"\xa5" * 4096)
    with pytest.raises(JournalDamaged, match=r"is damaged \(.*\); the next start of the collector"):
        Journal.open(path, wall_us=wall_us)
    with pytest.raises(JournalDamaged):
        Journal.open(path, wall_us=wall_us)  # the lock was let go


def test_a_check_that_takes_too_long_goes_on_while_the_journal_is_in_use(tmp_path: Path) -> None:
    """Opening does not wait for the check of a large file; it is gone through all the same."""
    path = tmp_path / "j"
    write(path, contacts(1, 60_000))
    with Journal.open(path, wall_us=wall_us, check_s=0.0) as journal:
        assert not journal.checked
        assert journal.head == 60_000
        deadline_s = time.monotonic() + 20.0
        while not journal.checked and time.monotonic() < deadline_s:
            assert journal.submit(contacts(1, 1))
            journal.flush()
        assert journal.checked


def test_damage_found_later_ends_the_writer(tmp_path: Path) -> None:
    """What the check finds when the journal is in use already is not kept to itself."""
    path = tmp_path / "j"
    write(path, contacts(1, 60_000))
    with path.open("r+b") as file:
        file.seek(-20 * 4096, os.SEEK_END)
        file.write(b"\xa5" * 4096)
    journal = Journal.open(path, wall_us=wall_us, check_s=0.0)
    assert isinstance(journal.failed.exception(20), JournalDamaged)
    with pytest.raises(JournalDamaged):
        journal.close()


def test_a_journal_is_closed_in_the_middle_of_its_check(tmp_path: Path) -> None:
    """The end does not wait for a check under way."""
    path = tmp_path / "j"
    write(path, contacts(1, 60_000))
    with Journal.open(path, wall_us=wall_us, check_s=0.0) as journal:
        journal.submit(contacts(1, 5))
    assert len(read_all(path)) == 60_005
