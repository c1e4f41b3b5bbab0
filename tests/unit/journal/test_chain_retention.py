"""The audited record outlives everything else, and what at last has to go leaves the rest whole."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from collector.audit.chain import record_of
from collector.audit.verdict import Outcome
from collector.audit.verify import verify_entries
from collector.core.records import Record, RecordKind
from collector.journal import Journal, JournalReader
from collector.journal.ledger import Batch, Ledger
from collector.journal.retention import YEAR_US, Retention
from tests.unit.journal.samples import START_US, contacts, wall_us
from tests.unit.journal.test_chain import alarm, check_chain

LIMIT = 2 << 20
PADDING = "a reason so long that it is written out in each record. " * 8
LONG = "a note so long that a few thousand of them fill the room. " * 4


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """A journal's database side, without a thread."""
    ledger = Ledger(tmp_path / "j", START_US, 20.0, None)
    yield ledger
    ledger.close()


def alarms(first: int, last: int, at_us: int = START_US) -> list[Record]:
    """Moves of alarms with long notes, one each second from an instant on."""
    made = []
    for number in range(first, last + 1):
        at = at_us + 1_000_000 * (number - first)
        record = alarm(number, note=LONG)
        made.append(replace(record, at_us=at, after_us=at, utc_us=at))
    return made


def commit(ledger: Ledger, records: Sequence[Record]) -> None:
    """Commit records in batches, each with the engine's state."""
    for first in range(0, len(records), 200):
        batch = list(records[first : first + 200])
        ledger.commit(Batch(records=batch, state=(len(batch), "s")))


def shorten(ledger: Ledger, *, disk_full: bool = False) -> Retention:
    """Let the journal keep within its size until nothing more can be done."""
    retention = Retention(ledger, LIMIT, 0, [], 5.0)
    for _ in range(500):
        if not retention.step(disk_full=disk_full)[0]:
            break
    return retention


def verified(path: Path) -> tuple[int, int]:
    """First and last entry of the chain, which is whole."""
    with JournalReader(path) as reader:
        verdict = verify_entries(
            reader.chain_entries(0, 10**6), reader.journal_id, reader.chain_anchor(),
            newest_audited=reader.newest_audited(),
        )  # fmt: skip
    assert (verdict.outcome, verdict.wrong) == (Outcome.WHOLE, "")
    return verdict.first, verdict.last


def test_size_bounded_retention_leaves_the_record_alone(ledger: Ledger) -> None:
    """Several times more contacts than fit: alarms are gone from the ordinary records and all
    there in the chain."""
    commit(ledger, alarms(1, 300))
    for first in range(1, 20_001, 1000):
        commit(ledger, contacts(first, first + 999, padding=PADDING))
        shorten(ledger)
    with JournalReader(ledger.path) as reader:
        assert len(reader.records_after(0, 10**6, [RecordKind.ALARM])) == 1  # the newest stays
        kept = [record_of(entry) for entry in reader.chain_entries(0, 10**6)]
    assert [json.loads(str(record.value))["activation"] for record in kept] == list(range(1, 301))
    assert verified(ledger.path) == (1, 300)


def test_entries_go_after_their_years_oldest_first_and_the_record_says_so(ledger: Ledger) -> None:
    """Seven years of alarms in too small a room: what is older than five years goes, nothing
    younger does, the rest verifies from the anchor, and an audited record tells what went."""
    for year in range(7):
        commit(ledger, alarms(1, 1_000, START_US + int(year * YEAR_US)))
    shorten(ledger)
    first, last = verified(ledger.path)
    assert check_chain(ledger.path) == last - first + 1
    with JournalReader(ledger.path) as reader:
        entries = [record_of(entry) for entry in reader.chain_entries(0, 10**6)]
        oldest_us = START_US + int(1 * YEAR_US) + 999_000_000  # the newest minus five years
        assert oldest_us <= entries[0].utc_us < oldest_us + 1_000_000
        told = [record for record in entries if record.kind is RecordKind.COLLECTOR]
        gone = [record.reason.split()[1] for record in told]
        assert gone[0].startswith("1..")
        assert gone[-1].endswith(f"..{first - 1}")
        assert sum(int(str(record.value)) for record in told) == first - 1
        assert told[0].reason.endswith("of the audited record deleted: older than 5 years")
        assert reader.chain_anchor().number == first - 1


def test_old_entries_stay_while_there_is_room(ledger: Ledger) -> None:
    """Age alone deletes nothing."""
    commit(ledger, alarms(1, 10))
    commit(ledger, alarms(11, 20, START_US + int(9 * YEAR_US)))
    shorten(ledger)
    assert verified(ledger.path) == (1, 20)


def test_young_entries_are_kept_beyond_the_size_and_go_only_when_the_disk_is_full(
    ledger: Ledger,
) -> None:
    """Too much for the room within a year: all of it stays, and it is said to press long before;
    with the disk full the oldest go, said so, until the journal is within its size."""
    commit(ledger, alarms(1, 500))
    assert not shorten(ledger).record_presses
    commit(ledger, alarms(501, 3_000))
    assert shorten(ledger).record_presses
    commit(ledger, alarms(3_001, 9_000))
    retention = shorten(ledger)
    assert retention.stuck
    assert verified(ledger.path) == (1, 9_000)
    freed = shorten(ledger, disk_full=True)
    assert not freed.stuck
    assert not freed.over
    first, last = verified(ledger.path)
    assert first > 1_000
    with JournalReader(ledger.path) as reader:
        newest = record_of(reader.chain_entries(last - 1, 1)[0])
    assert newest.reason.startswith("entries ")
    assert newest.reason.endswith(f"..{first - 1} of the audited record deleted: the disk is full")


def test_after_a_restart_the_chain_goes_on_from_what_is_left(tmp_path: Path) -> None:
    """Anchor, last hash and size are found again; the newest entry is never taken."""
    path = tmp_path / "j"
    with Journal.open(
        path, wall_us=wall_us, size_limit_bytes=LIMIT, commit_period_s=0, outlets=[]
    ) as journal:
        in_danger = [journal.record_in_danger]
        for year in range(7):
            for first in range(1, 2_000, 200):
                at_us = START_US + int(year * YEAR_US) + first * 1_000_000
                journal.submit(alarms(first, first + 199, at_us), state="s")
                journal.flush()
        in_danger.append(journal.record_in_danger)
    assert in_danger == [False, True]
    first, _ = verified(path)
    assert first > 1
    with Journal.open(path, wall_us=wall_us, size_limit_bytes=LIMIT, outlets=[]) as journal:
        assert journal.record_in_danger
        assert journal.submit(alarms(1, 1, START_US + int(8 * YEAR_US)), state="s")
    assert verified(path)[0] >= first
    check_chain(path)
