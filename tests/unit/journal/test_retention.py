"""The journal keeps within its size and never silently lets go of what is still needed."""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from collector.core.records import Quality, Record, RecordKind
from collector.journal import Journal, JournalReader
from tests.unit.journal.samples import WALL_OFFSET_US, contact, contacts, wall_us

LIMIT = 4 << 20
PADDING = "a reason so long that it is written out in each record. " * 8


def footprint(path: Path) -> int:
    """Bytes of all files of a journal but the memory shared with readers."""
    names = [path.with_name(path.name + end) for end in ("", "-wal", ".reserve", ".holder")]
    return sum(name.stat().st_size for name in names if name.exists())


def fill(journal: Journal, first: int, count: int, *, state: bool = True) -> None:
    """Submit ``count`` records of about 600 bytes, with the engine's state after each batch."""
    for number in range(first, first + count, 200):
        batch = contacts(number, number + 199, padding=PADDING)
        assert journal.submit(batch, state=f"state at {number + 199}" if state else None)
        journal.flush()


def settle(journal: Journal) -> None:
    """Let the writer tidy up, one step a flush, until nothing changes any more."""
    unchanged, before = 0, -1
    while unchanged < 40:
        journal.submit([])
        journal.flush()
        now = footprint(journal.path)
        unchanged = unchanged + 1 if now == before else 0
        before = now


def test_the_size_stays_bounded_and_the_newest_records_stay(tmp_path: Path) -> None:
    """Several times more than fits: never above the limit, what remains is the unbroken newest
    part, and the file is sound."""
    path = tmp_path / "j"
    sizes: list[int] = []
    with Journal.open(path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0) as journal:
        for first in range(1, 40_000, 1000):
            fill(journal, first, 1000)
            sizes.append(footprint(path))
        head = journal.head
    assert max(sizes) <= LIMIT
    assert head == 40_000
    with JournalReader(path) as reader:
        kept = reader.records_after(0, 100_000)
        numbers = [record.sequence for record in kept]
        assert numbers == list(range(numbers[0], head + 1))
        assert len(numbers) * 600 > LIMIT // 2
        assert all(record.value == record.sequence for record in kept)
    connection = apsw.Connection(str(path))
    assert connection.execute("PRAGMA integrity_check").get == "ok"
    connection.close()


def test_the_newest_of_each_subject_and_every_configuration_stay(tmp_path: Path) -> None:
    """A contact that has not moved since the first day keeps its record, a configuration too; when
    the contact moves again, its old record may go."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0) as journal:
        rare = [contact(1, f"sump.rare_{n}") for n in range(30)]
        plant = replace(contact(2, "plant.yaml"), kind=RecordKind.CONFIGURATION)
        again = replace(contact(3, "plant.yaml"), kind=RecordKind.CONFIGURATION)
        journal.submit([*rare, plant, again], state="s")
        fill(journal, 100, 20_000)
        settle(journal)
        with JournalReader(path) as reader:
            newest = reader.latest()
            for n in range(30):
                assert newest[RecordKind.POINT, f"sump.rare_{n}"].sequence == n + 1
            assert [r.sequence for r in reader.records_after(0, 32)] == list(range(1, 33))
            assert reader.records_after(32, 1)[0].sequence > 5_000
        journal.submit([contact(50_000, f"sump.rare_{n}") for n in range(30)], state="s")
        fill(journal, 60_000, 10_000)
        settle(journal)
        with JournalReader(path) as reader:
            assert [r.sequence for r in reader.records_after(0, 2)] == [31, 32]
            assert len(reader.history("sump.rare_7", 0, 2**62, 9)) == 1


def test_what_a_restart_replays_stays(tmp_path: Path) -> None:
    """Records after the last engine state are kept, over the limit if need be; the journal says
    why, and frees itself when the next state comes."""
    path = tmp_path / "j"
    said: list[str | None] = []
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, on_trouble=said.append
    ) as journal:
        fill(journal, 1, 1000)
        fill(journal, 1001, 20_000, state=False)
        settle(journal)
        with JournalReader(path) as reader:
            assert reader.state() == (1000, "state at 1000")
            after = reader.records_after(1000, 100_000)
            assert [record.sequence for record in after] == list(range(1001, 21_001))
        assert footprint(path) > LIMIT
        assert "all of it is still needed" in str(journal.trouble)
        fill(journal, 21_001, 200)
        settle(journal)
        assert footprint(path) <= LIMIT
    assert [text is None for text in said] == [False, True]


def test_undelivered_records_go_last_and_the_journal_says_so(tmp_path: Path) -> None:
    """One outlet stands still: what the other has delivered is kept for it until nothing else is
    left; then the oldest go, one record tells which and for whom, the count is kept, the cursor
    stands before the oldest record that is left."""
    path = tmp_path / "j"
    committed: list[Record] = []

    def on_commit(last: int, records: Sequence[Record]) -> None:
        assert last == records[-1].sequence
        committed.extend(records)

    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, on_commit=on_commit,
        outlets=["mqtt", "store"],
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        fill(journal, 1, 2000)
        journal.move_cursor("store", 1200)
        journal.move_cursor("mqtt", 2000)
        for first in range(2001, 12_001, 1000):
            fill(journal, first, 1000)
            journal.move_cursor("mqtt", journal.head)
        settle(journal)
        assert footprint(path) <= LIMIT
        store, mqtt = reader.cursor("store"), reader.cursor("mqtt")
        notes = [r for r in reader.recent(50_000) if r.kind is RecordKind.COLLECTOR][::-1]
        assert notes
        assert mqtt.dropped == 0
        assert store.dropped == sum(int(str(note.value)) for note in notes) > 0
        assert all(note.quality is Quality.UNCERTAIN for note in notes)
        assert notes[-1].reason.startswith("undelivered records dropped for outlet store: ")
        assert notes[0].reason.startswith("undelivered records dropped for outlet store: 1201..")
        last_lost = int(notes[-1].reason.rpartition("..")[2])
        left = reader.records_after(store.delivered, 1)[0].sequence
        assert left == store.delivered + 1 == last_lost + 1
        assert 12_000 + len(notes) - last_lost == len(reader.records_after(last_lost, 50_000))
        assert [r.sequence for r in committed] == list(range(1, journal.head + 1))
        assert [r for r in committed if r.kind is RecordKind.COLLECTOR] == notes


def test_delivered_records_go_before_undelivered_ones(tmp_path: Path) -> None:
    """As long as the delivered part is enough, nothing undelivered is touched."""
    path = tmp_path / "j"
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, outlets=["store"]
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        for first in range(1, 30_001, 1000):
            fill(journal, first, 1000)
            journal.move_cursor("store", max(0, first - 2000))
        settle(journal)
        assert reader.cursor("store").dropped == 0
        undelivered = reader.records_after(reader.cursor("store").delivered, 50_000)
        assert [r.sequence for r in undelivered] == list(range(27_002, 30_001))


def test_an_outlet_no_longer_configured_holds_nothing_back(tmp_path: Path) -> None:
    """Its cursor stays, but the journal does not wait for it."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us, outlets=["old"]) as journal:
        journal.submit(contacts(1, 100), state="s")
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, outlets=[]
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        fill(journal, 101, 20_000)
        settle(journal)
        assert reader.records_after(0, 1)[0].sequence > 100
        assert [c.outlet for c in reader.cursors()] == ["old"]
        assert not [r for r in reader.recent(9) if r.kind is RecordKind.COLLECTOR]


def test_records_delivered_ahead_do_not_count_as_lost(tmp_path: Path) -> None:
    """What an outlet confirmed before its turn is not announced when it goes."""
    path = tmp_path / "j"
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, outlets=["store"]
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        journal.move_cursor("store", 0, 101, 50_000)
        fill(journal, 1, 12_000)
        settle(journal)
        assert reader.cursor("store").dropped == 100
        notes = reader.recent(50_000, [RecordKind.COLLECTOR])
        assert [note.value for note in notes] == [100]
        newest = contact(notes[0].sequence - 1)
        assert (notes[0].at_us, notes[0].after_us) == (newest.at_us, newest.at_us)
        assert notes[0].utc_us == notes[0].at_us + WALL_OFFSET_US


def test_a_smaller_limit_shrinks_the_file(tmp_path: Path) -> None:
    """Opened with a smaller limit, the journal gives disk space back by and by."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us, commit_period_s=0) as journal:
        fill(journal, 1, 30_000)
    assert path.stat().st_size > 2 * LIMIT
    with Journal.open(path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0) as journal:
        settle(journal)
        assert journal.head == 30_000
    assert os.stat(path).st_size <= LIMIT


def test_quarantine_notes_go_with_their_records(tmp_path: Path) -> None:
    """The list of refused records does not outgrow the journal; the count stays."""
    path = tmp_path / "j"
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        for sequence in range(1, 101):
            journal.quarantine("store", sequence, "field type conflict")
        journal.move_cursor("store", 10**6)
        fill(journal, 1, 20_000)
        settle(journal)
        assert reader.quarantined("store", 1000) == []
        assert reader.cursor("store").quarantined == 100


@pytest.mark.parametrize("seed", range(5))
def test_random_lives_keep_their_promises(tmp_path: Path, seed: int) -> None:
    """Whatever the order of writing, saving states and moving cursors: the size is kept, each
    subject has its newest record, and every record missing after a cursor was announced."""
    rng = random.Random(seed)
    path = tmp_path / "j"
    newest: dict[str, int] = {}
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, outlets=["a", "b"]
    ) as journal, JournalReader(path) as reader:  # fmt: skip
        at = 0
        for _ in range(80):
            batch = []
            for _ in range(rng.randrange(1, 500)):
                at += 1
                subject = f"s.{min(int(rng.expovariate(0.2)), 60)}"
                batch.append(contact(at, subject, padding=PADDING))
                newest[subject] = at
            journal.submit(batch, state="s" if rng.random() < 0.7 else None)
            journal.flush()
            for outlet in ("a", "b"):
                if rng.random() < 0.3:
                    delivered = reader.cursor(outlet).delivered
                    journal.move_cursor(outlet, rng.randint(delivered, journal.head))
        journal.submit([], state="s")
        settle(journal)
        assert footprint(path) <= LIMIT
        latest = reader.latest([RecordKind.POINT])
        assert {subject: record.value for (_, subject), record in latest.items()} == newest
        for outlet in ("a", "b"):
            cursor = reader.cursor(outlet)
            rest = [r.sequence for r in reader.records_after(cursor.delivered, 10**6)]
            missing = set(range(cursor.delivered + 1, journal.head + 1)) - set(rest)
            notes = reader.recent(10**6, [RecordKind.COLLECTOR])
            told: set[int] = set()
            for note in notes:
                name, span = note.reason.rpartition("outlet ")[2].split(": ")
                first, _, last = span.partition("..")
                if name == outlet:
                    told |= set(range(int(first), int(last) + 1))
            assert missing <= told
