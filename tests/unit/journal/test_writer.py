"""The writer: when it commits, whom it tells, what it refuses."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

import apsw
import pytest

from collector.core.records import Record
from collector.errors import Bug, JournalError
from collector.journal import Alive, Cursor, Journal, JournalReader, connect
from collector.journal.intake import Intake
from tests.simulation.whole.growth import reached_by
from tests.unit.journal.samples import (
    START_US,
    contact,
    contacts,
    read_all,
    ticking,
    unnumbered,
    wall_us,
)

FOREVER_S = 3600.0


def test_on_commit_tells_what_is_already_on_the_disk(tmp_path: Path) -> None:
    """When on_commit is called, another connection reads every record it names."""
    path = tmp_path / "j"
    seen: list[bool] = []
    thread: list[str] = []

    def on_commit(last: int, records: Sequence[Record]) -> None:
        with JournalReader(path) as reader:
            seen.append(reader.head() == last)
            seen.append(reader.records_between(records[0].sequence, last, 100) == list(records))
        thread.append(threading.current_thread().name)

    with Journal.open(path, wall_us=wall_us, commit_period_s=0, on_commit=on_commit) as journal:
        for number in range(1, 6):
            journal.submit(contacts(number * 10, number * 10 + 3))
            journal.flush()
    assert seen == [True] * 10
    assert set(thread) == {"journal"}


def test_the_first_submission_is_committed_at_once_and_the_rest_together(tmp_path: Path) -> None:
    """With an endless commit period the first batch is committed without waiting, later ones only
    together when someone asks."""
    commits: list[int] = []
    first = threading.Event()

    def on_commit(last: int, records: Sequence[Record]) -> None:
        commits.append(len(records))
        first.set()

    journal = Journal.open(
        tmp_path / "j", wall_us=wall_us, commit_period_s=FOREVER_S, on_commit=on_commit
    )
    journal.submit(contacts(1, 2))
    assert first.wait(30)
    for number in range(3, 13):
        journal.submit([contact(number)])
    assert journal.backlog >= 10
    assert journal.flush(30)
    assert commits == [2, 10]
    journal.submit(contacts(13, 15))
    journal.close()
    assert commits == [2, 10, 3]


def test_a_full_queue_says_so_and_takes_nothing(tmp_path: Path) -> None:
    """Beyond the limit submit returns False and keeps nothing; what was taken is all committed."""
    path = tmp_path / "j"
    going = threading.Event()

    def on_commit(last: int, records: Sequence[Record]) -> None:
        going.wait(30)

    journal = Journal.open(
        path, wall_us=wall_us, commit_period_s=0, queue_limit=100, on_commit=on_commit
    )
    taken: list[Record] = []
    refused = 0
    for number in range(0, 400, 20):
        batch = contacts(number, number + 19)
        if journal.submit(batch):
            taken += batch
        else:
            refused += 1
            assert journal.full
    assert refused >= 14
    assert journal.backlog <= 100
    going.set()
    journal.flush()
    assert not journal.full
    assert journal.submit(contacts(1000, 1150)), (
        "a batch larger than the queue passes when it is empty"
    )
    journal.close()
    assert unnumbered(read_all(path)) == taken + contacts(1000, 1150)


def test_state_and_alive_stand_at_their_records(tmp_path: Path) -> None:
    """A state is stored with the sequence of the last record submitted with it, even if more
    submissions share its transaction."""
    path = tmp_path / "j"
    alive = Alive(START_US, START_US + 5, "boot-1", {"works": 17, "sump": 12})
    with Journal.open(path, wall_us=wall_us, commit_period_s=FOREVER_S) as journal:
        journal.submit(contacts(1, 3))
        journal.flush()
        journal.submit(contacts(4, 6), state="old")
        journal.submit(contacts(7, 8), state="newer", alive=alive)
        journal.submit(contacts(9, 20))
        journal.flush()
        with JournalReader(path) as reader:
            assert reader.state() == (8, "newer")
            assert reader.alive() == alive
        journal.submit([], alive=Alive(START_US + 9, START_US + 9, "boot-2"))
        journal.flush()
        with JournalReader(path) as reader:
            assert reader.alive() == Alive(START_US + 9, START_US + 9, "boot-2", {})
            assert reader.state() == (8, "newer")


def test_cursors_move_forward_by_themselves(tmp_path: Path) -> None:
    """A moved cursor reaches the disk without any record; it never moves back, the part delivered
    ahead follows the last word."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=ticking()) as journal, JournalReader(path) as reader:
        assert reader.cursor("mqtt") == Cursor("mqtt")
        for delivered in range(1, 500):
            journal.move_cursor("mqtt", delivered, delivered + 10, delivered + 20)
        patience = threading.Event()
        for _ in range(600):
            if reader.cursor("mqtt").delivered == 499:
                break
            patience.wait(0.05)
        assert reader.cursor("mqtt").delivered == 499
        journal.move_cursor("mqtt", 3)
        journal.move_cursor("store", 7, 9, 11)
        journal.flush()
        cursor = reader.cursor("mqtt")
        assert (cursor.delivered, cursor.ahead_from, cursor.ahead_to) == (499, 0, 0)
        assert cursor.moved_utc_us == START_US + 500 * 1_000_000
        assert [c.outlet for c in reader.cursors()] == ["mqtt", "store"]


def test_a_configuration_put_back_is_in_force_again(tmp_path: Path) -> None:
    """A text is kept once, with the time it was first seen; the last remembered is in force."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=ticking()) as journal, JournalReader(path) as reader:
        for hash_, text in [("a", "one"), ("b", "two"), ("a", "one"), ("a", "one")]:
            journal.remember_configuration("plant", text, hash_)
        journal.remember_configuration("rules", "r", "x")
        journal.flush()
        plant = reader.configuration_in_force("plant")
        assert plant is not None
        assert (plant.hash, plant.text, plant.first_utc_us) == ("a", "one", START_US + 1_000_000)
        rules = reader.configuration_in_force("rules")
        assert rules is not None
        assert rules.hash == "x"
        assert reader.configuration_in_force("page") is None
        journal.remember_configuration("plant", "two", "b")
        journal.flush()
        plant = reader.configuration_in_force("plant")
        assert plant is not None
        assert plant.text == "two"


def test_quarantined_records_are_counted_once(tmp_path: Path) -> None:
    """A record refused twice by the same outlet is listed and counted once."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us) as journal, JournalReader(path) as reader:
        journal.quarantine("store", 5, "field type conflict")
        journal.quarantine("store", 5, "again")
        journal.quarantine("store", 9, "too old")
        journal.flush()
        assert [(q.sequence, q.why) for q in reader.quarantined("store", 10)] == [
            (9, "too old"),
            (5, "field type conflict"),
        ]
        assert reader.cursor("store").quarantined == 2
        assert reader.cursor("mqtt").quarantined == 0


def test_numbers_go_on_after_a_restart(tmp_path: Path) -> None:
    """A journal opened again goes on with the next number and the names it knows."""
    path = tmp_path / "j"
    for number in range(4):
        with Journal.open(path, wall_us=wall_us) as journal:
            assert journal.head == 10 * number
            assert journal.checked
            journal.submit(contacts(10 * number + 1, 10 * number + 10))
    assert [record.value for record in read_all(path)] == list(range(1, 41))
    assert [record.sequence for record in read_all(path)] == list(range(1, 41))


def test_a_callback_that_fails_ends_the_writer_with_a_bug(tmp_path: Path) -> None:
    """An error of ours in on_commit is no journal error: ``failed`` carries a Bug, what was
    committed stays, and whoever submits is told."""

    def on_commit(last: int, records: Sequence[Record]) -> None:
        raise KeyError("oops")

    journal = Journal.open(tmp_path / "j", wall_us=wall_us, on_commit=on_commit)
    journal.submit(contacts(1, 3))
    error = journal.failed.exception(timeout=30)
    assert isinstance(error, Bug)
    assert isinstance(error.__cause__, KeyError)
    with pytest.raises(Bug, match="oops"):
        journal.submit([contact(4)])
    with pytest.raises(Bug):
        journal.flush()
    with pytest.raises(Bug):
        journal.close()
    assert len(read_all(tmp_path / "j")) == 3
    with Journal.open(tmp_path / "j", wall_us=wall_us) as again:
        assert again.head == 3


def test_a_closed_journal_refuses_in_a_sentence(tmp_path: Path) -> None:
    """After close nothing is taken any more, and closing again does no harm."""
    journal = Journal.open(tmp_path / "j", wall_us=wall_us)
    journal.close()
    journal.close()
    assert journal.failed.result(0) is None
    with pytest.raises(JournalError, match="is closed"):
        journal.submit([contact(1)])
    with pytest.raises(JournalError, match="is closed"):
        journal.move_cursor("mqtt", 1)


def test_a_journal_locked_by_another_program_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Someone holds a write transaction open with a program of theirs: the journal says so, and
    goes on by itself when they are done."""
    monkeypatch.setattr(connect, "BUSY_TIMEOUT_MS", 20)
    path = tmp_path / "j"
    told: list[str | None] = []
    first, second = threading.Event(), threading.Event()

    def on_trouble(trouble: str | None) -> None:
        told.append(trouble)
        (second if first.is_set() else first).set()

    with Journal.open(path, wall_us=wall_us, commit_period_s=0, on_trouble=on_trouble) as journal:
        other = apsw.Connection(str(path))
        other.execute("BEGIN IMMEDIATE")
        journal.submit(contacts(1, 3))
        assert first.wait(30)
        assert str(told[0]).startswith(
            f"the journal {path} is locked by another program; 3 records"
        )
        other.execute("ROLLBACK")
        other.close()
        assert journal.flush(30)
        assert second.wait(30)
        assert told[1:] == [None]
    assert len(read_all(path)) == 3


def test_progress_grows_while_nothing_happens(tmp_path: Path) -> None:
    """An idle writer still shows a watchdog that it lives."""
    with Journal.open(tmp_path / "j", wall_us=wall_us) as journal:
        before = journal.progress
        patience = threading.Event()
        for _ in range(200):
            if journal.progress > before:
                break
            patience.wait(0.05)
        assert journal.progress > before


def test_many_threads_may_submit(tmp_path: Path) -> None:
    """Records of each submitter stay in its order, none is lost, numbers have no holes."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us, commit_period_s=0) as journal:

        def work(name: str) -> None:
            for number in range(0, 300, 3):
                journal.submit([contact(number + i, name) for i in range(3)])
                journal.move_cursor(name, number)

        threads = [threading.Thread(target=work, args=(f"p.{n}",)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    back = read_all(path)
    assert [record.sequence for record in back] == list(range(1, 1201))
    for n in range(4):
        values = [record.value for record in back if record.subject == f"p.{n}"]
        assert values == list(range(300))


def test_what_waits_is_bounded_by_its_records(tmp_path: Path) -> None:
    """While the disk is full, signs of life and states keep coming: a thousand of them hold no
    more than ten, and the newest of each is what is written in the end."""
    sizes: list[int] = []
    intake = Intake(tmp_path / "j", limit=100)
    assert intake.submit(contacts(1, 90), "state 0", None)
    for number in range(1, 1_001):
        assert intake.submit([], None, Alive(number, number, "boot"))
        assert intake.submit([], f"state {number:4}", None)
        if number in (10, 1_000):
            sizes.append(reached_by(intake))
    assert sizes[1] < sizes[0] + 10  # small numbers are shared
    assert not intake.submit(contacts(91, 110), None, None)
    batch, ticket = intake.take(wait=False)
    assert batch.state == (90, "state 1000")
    assert batch.alive == Alive(1_000, 1_000, "boot")
    assert len(batch.records) == 90
    assert not intake.settle(ticket, 90)
    assert intake.backlog == 0


def test_a_state_that_waits_stands_behind_the_records_before_it(tmp_path: Path) -> None:
    """Of several only the last counts, and none of the records that came later are in it."""
    intake = Intake(tmp_path / "j", limit=100)
    intake.submit(contacts(1, 5), None, None)
    intake.submit([], "after 5", None)
    intake.submit(contacts(6, 8), None, None)
    intake.submit([], "after 8", None)
    intake.submit(contacts(9, 9), None, None)
    batch, _ = intake.take(wait=False)
    assert batch.state == (8, "after 8")
