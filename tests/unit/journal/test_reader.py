"""Reading: pages, kinds, stretches of time, and never in the writer's way."""

from __future__ import annotations

import os
import tempfile
import threading
from dataclasses import replace
from pathlib import Path

import apsw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.core.records import Record, RecordKind
from collector.journal import Journal, JournalReader, reader
from tests.unit.journal.samples import START_US, contact, contacts, unnumbered, wall_us, write

MIXED = [RecordKind.POINT, RecordKind.EVENT, RecordKind.POINT, RecordKind.DERIVED]


def mixed(count: int) -> list[Record]:
    """Records whose kinds take turns."""
    return [
        replace(contact(number, f"s.{number % 6}"), kind=MIXED[number % len(MIXED)])
        for number in range(1, count + 1)
    ]


def test_pages_follow_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading page by page gives every record once, with all kinds or some, across stretches."""
    monkeypatch.setattr(reader, "STRETCH_RECORDS", 50)
    records = mixed(333)
    write(tmp_path / "j", records)
    with JournalReader(tmp_path / "j") as view:
        for kinds in (
            None,
            [RecordKind.EVENT],
            {RecordKind.EVENT, RecordKind.DERIVED},
            set(),
            None,
        ):
            wanted = [r for r in records if kinds is None or r.kind in kinds]
            for size in (1, 7, 1000):
                back: list[Record] = []
                while page := view.records_after(back[-1].sequence if back else 0, size, kinds):
                    assert len(page) <= size
                    back += page
                assert unnumbered(back) == wanted
            assert unnumbered(view.recent(20, kinds)) == wanted[::-1][:20]
        assert unnumbered(view.records_between(10, 20, 100)) == records[9:20]
        assert unnumbered(view.records_between(10, 20, 5)) == records[9:14]
        assert (view.first(), view.head(), view.record_count) == (1, 333, 333)


def test_latest_is_the_newest_of_each_subject(tmp_path: Path) -> None:
    """The same name under two kinds counts as two subjects."""
    records = mixed(100)
    write(tmp_path / "j", records)
    expected = {(record.kind, record.subject): record for record in records}
    with JournalReader(tmp_path / "j") as view:
        newest = view.latest()
        assert {key: replace(record, sequence=0) for key, record in newest.items()} == expected
        events = view.latest([RecordKind.EVENT])
        assert set(events) == {key for key in expected if key[0] is RecordKind.EVENT}


def test_an_empty_journal_has_nothing(tmp_path: Path) -> None:
    """No record, no state, no sign of life; no error either."""
    write(tmp_path / "j")
    with JournalReader(tmp_path / "j") as view:
        assert view.records_after(0, 10) == []
        assert view.recent(10) == view.recent(10, [RecordKind.POINT]) == []
        assert view.history("x", 0, 2**60, 10) == view.history_by_utc("x", 0, 2**60, 10) == []
        assert view.latest() == {}
        assert view.state() is None
        assert view.alive() is None
        assert view.cursors() == []
        assert (view.first(), view.head(), view.record_count) == (0, 0, 0)


TIMES = st.lists(
    st.tuples(
        st.integers(0, 40),  # plant time; mostly rising, but the order is not promised
        st.sampled_from([0, 0, 0, 5, -3, 1000]),
        st.sampled_from(["a", "b"]),
    ),
    max_size=40,
)


@settings(deadline=None, max_examples=60)
@given(TIMES, st.booleans(), st.integers(-5, 45), st.integers(-5, 45), st.integers(1, 50))
def test_history_finds_what_a_full_search_finds(
    items: list[tuple[int, int, str]], sort: bool, from_us: int, to_us: int, limit: int
) -> None:
    """Between two plant times or two dates, in whatever order the records came and however the wall
    clock was stepped, exactly the records a search through all of them finds."""
    if sort:
        items = sorted(items, key=lambda item: item[0])
    records = [
        Record(RecordKind.POINT, subject, at, at + offset, at) for at, offset, subject in items
    ]
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "j"
        write(path, records[:15], records[15:])
        with JournalReader(path) as view:
            found = view.history("a", from_us, to_us, limit)
            dated = view.history_by_utc("a", from_us, to_us, limit)
    mine = [record for record in records if record.subject == "a"]
    assert unnumbered(found) == [r for r in mine if from_us <= r.at_us <= to_us][:limit]
    assert unnumbered(dated) == [r for r in mine if from_us <= r.utc_us <= to_us][:limit]


def test_a_journal_is_read_while_its_writer_runs_and_after_it_died(tmp_path: Path) -> None:
    """Reading needs no writer, leaves the log alone, and a journal left by a dead process with an
    unfinished log is complete."""
    path, copy = tmp_path / "j", tmp_path / "copy"
    with Journal.open(path, wall_us=wall_us) as journal:
        journal.submit(contacts(1, 50))
        journal.flush()
        for ending in ("", "-wal"):
            Path(f"{copy}{ending}").write_bytes(Path(f"{path}{ending}").read_bytes())
    log_bytes = os.stat(f"{copy}-wal").st_size
    assert log_bytes > 0
    for name in (path, copy):
        with JournalReader(name) as view:
            assert [record.value for record in view.records_after(0, 100)] == list(range(1, 51))
    assert os.stat(f"{copy}-wal").st_size == log_bytes


def test_a_reader_in_the_middle_of_a_statement_does_not_stop_the_writer(tmp_path: Path) -> None:
    """A foreign program that keeps a statement open delays only the cutting of the log; when it
    goes, the log is cut."""
    path = tmp_path / "j"
    limit = 8 << 20
    log_limit = limit // 8
    with Journal.open(path, wall_us=wall_us, size_limit_bytes=limit, commit_period_s=0) as journal:
        journal.submit(contacts(1, 100), state="s")
        journal.flush()
        lingering = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
        cursor = lingering.cursor()
        cursor.execute("SELECT * FROM record")
        next(cursor)
        for number in range(1, 101):
            journal.submit(contacts(100 * number + 1, 100 * number + 100), state="s")
            assert journal.flush(30)
        grown = os.stat(f"{path}-wal").st_size
        assert grown > log_limit
        cursor.close()
        lingering.close()
        for number in range(101, 201):
            journal.submit(contacts(100 * number + 1, 100 * number + 100), state="s")
            assert journal.flush(30)
        assert os.stat(f"{path}-wal").st_size <= log_limit


def test_the_log_stays_bounded_while_readers_work(tmp_path: Path) -> None:
    """Two readers paging all the time: the log's file stays near its limit."""
    path = tmp_path / "j"
    limit = 8 << 20
    sizes: list[int] = []
    stop = threading.Event()
    read = [0, 0]

    def page(index: int) -> None:
        with JournalReader(path) as view:
            last = 0
            while not stop.is_set():
                found = view.records_after(last, 200)
                read[index] += len(found)
                last = found[-1].sequence if found else 0

    with Journal.open(path, wall_us=wall_us, size_limit_bytes=limit, commit_period_s=0) as journal:
        readers = [threading.Thread(target=page, args=(n,)) for n in range(2)]
        for thread in readers:
            thread.start()
        for number in range(100):
            journal.submit(contacts(300 * number, 300 * number + 299))
            journal.flush()
            sizes.append(os.stat(f"{path}-wal").st_size)
        stop.set()
        for thread in readers:
            thread.join()
    assert min(read) > 0
    assert max(sizes) <= limit // 4, "unbounded it would be three times as much"


def test_records_are_dated_as_people_date_them(tmp_path: Path) -> None:
    """After the wall clock is stepped an hour, records carry the new date beside plant time."""
    hour_us = 3_600_000_000
    stepped = [replace(r, utc_us=r.utc_us - hour_us) for r in contacts(11, 20, subjects=1)]
    write(tmp_path / "j", contacts(1, 10, subjects=1), stepped)
    with JournalReader(tmp_path / "j") as view:
        back = view.history("works.contact_0", START_US, START_US + hour_us, 100)
        assert [record.value for record in back] == list(range(1, 21))
        before = view.history_by_utc("works.contact_0", START_US - hour_us, START_US, 100)
        assert [record.value for record in before] == list(range(11, 21))


def test_rare_kinds_are_found_as_if_all_were_gone_through(tmp_path: Path) -> None:
    """The way by the index gives the same records, page by page, as reading everything does."""
    path = tmp_path / "j"
    records = contacts(1, 400)
    for place in range(5, 400, 7):
        kind = (RecordKind.ACTION, RecordKind.FINDING)[place % 2]
        records[place] = replace(records[place], kind=kind, subject=f"eq_{place % 3}.x", value="{}")
    write(path, records)
    with JournalReader(path) as opened:
        whole = opened.records_after(0, 1_000)
        for kinds in ((RecordKind.ACTION,), (RecordKind.FINDING,), tuple(reader.RARE)):
            wanted = [record for record in whole if record.kind in kinds]
            found: list[Record] = []
            while page := opened.records_after(found[-1].sequence if found else 0, 6, kinds):
                found += page
            assert found == wanted
            assert wanted
