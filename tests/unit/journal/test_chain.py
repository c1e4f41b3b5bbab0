"""The journal keeps the audited record as a chain, in the transaction of its records."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import apsw
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.audit.chain import AUDITED, record_of
from collector.audit.keys import Signer
from collector.core.records import Record, RecordKind
from collector.journal import Journal, JournalReader, connect, schema
from collector.journal.ledger import Batch
from tests.unit.journal.samples import any_record, contact, contacts, wall_us, write


def alarm(number: int, **details: str) -> Record:
    """A move of an alarm, at second ``number``."""
    value = {"state": "raised", "happening": "raised", "activation": number, **details}
    return replace(
        contact(number, "collection.high"), kind=RecordKind.ALARM, value=json.dumps(value)
    )


def head(number: int, day: str) -> Record:
    """The wish for a head, as the engine tells it."""
    return replace(contact(number, "head"), kind=RecordKind.HEAD, value=json.dumps({"day": day}))


def check_chain(path: Path) -> int:
    """Reckon every hash anew, by the definition alone; the number of entries."""
    with JournalReader(path) as reader:
        entries = reader.chain_entries(0, 10**6)
        anchor, last = reader.chain_anchor(), reader.chain_head()
        before = anchor.hash
        for number, entry in enumerate(entries, anchor.number + 1):
            assert entry.number == number == json.loads(entry.body)["number"]
            assert entry.sequence == json.loads(entry.body)["sequence"]
            assert entry.hash == sha256(before + entry.body.encode()).digest()
            before = entry.hash
        assert (last.number, last.hash) == (anchor.number + len(entries), before)
        chained = [entry.sequence for entry in entries]
        audited = [record.sequence for record in reader.records_after(0, 10**6, AUDITED)]
        assert chained == sorted(chained)
        assert set(audited) <= set(chained), "an audited record has no entry"
    return len(entries)


def test_audited_records_are_chained_and_others_are_not(tmp_path: Path) -> None:
    """Contacts leave no entry; alarms do, in order, over a restart, and come back as they were."""
    path = tmp_path / "j"
    write(path, [*contacts(1, 5), alarm(6), *contacts(7, 9)], [alarm(10, note="tür")])
    write(path, [alarm(11)])
    assert check_chain(path) == 3
    with JournalReader(path) as reader:
        entries = reader.chain_entries(0, 9)
        assert [entry.sequence for entry in entries] == [6, 10, 11]
        kept = reader.records_after(0, 99, [RecordKind.ALARM])
        for entry, record in zip(entries, kept, strict=True):
            restored = record_of(entry)
            assert json.loads(str(restored.value)) == json.loads(str(record.value))
            assert replace(restored, value=record.value) == record


@settings(max_examples=60, deadline=None)
@given(records=st.lists(any_record(), min_size=1, max_size=8))
def test_any_record_can_be_chained(
    tmp_path_factory: pytest.TempPathFactory, records: list[Record]
) -> None:
    """Whatever the collector could think of: the chain is whole, and an entry gives its record
    back, a whole float perhaps as an integer."""
    path = tmp_path_factory.mktemp("journal") / "j"
    with Journal.open(path, wall_us=wall_us, commit_period_s=0) as journal:
        journal.submit(records)
    check_chain(path)
    with JournalReader(path) as reader:
        kept = {record.sequence: record for record in reader.records_after(0, 99)}
        for entry in reader.chain_entries(0, 99):
            record = kept[entry.sequence]
            assert record_of(entry) == replace(record, high=None)


def test_a_head_says_where_the_chain_stood_and_is_signed(tmp_path: Path) -> None:
    """It names the entry before it and its hash; the signature holds under the public key over the
    canonical JSON of journal, day, number and hash; what is told after the commit is the same."""
    path, signer = tmp_path / "j", Signer(Ed25519PrivateKey.generate())
    told: list[Record] = []

    def on_commit(last: int, records: Sequence[Record]) -> None:
        told.extend(records)

    with Journal.open(
        path, wall_us=wall_us, commit_period_s=0, signer=signer, on_commit=on_commit
    ) as journal:
        journal.submit([alarm(1), head(2, "2026-01-01"), alarm(3)])
    assert check_chain(path) == 3
    with JournalReader(path) as reader:
        first, second, _ = reader.chain_entries(0, 9)
        value = json.loads(second.body)["value"]
        assert (value["day"], value["number"]) == ("2026-01-01", 1)
        assert value["hash"] == first.hash.hex()
        assert value["key"] == signer.key_id
        message = (
            f'{{"day":"2026-01-01","hash":"{first.hash.hex()}",'
            f'"journal":"{reader.journal_id}","number":1}}'
        )
        assert signer.verifier.holds(bytes.fromhex(value["signature"]), message.encode())
        (kept,) = reader.records_after(0, 9, [RecordKind.HEAD])
        assert json.loads(str(kept.value)) == value
        assert [record for record in told if record.kind is RecordKind.HEAD] == [kept]


def test_without_a_key_a_head_says_that_it_is_unsigned(tmp_path: Path) -> None:
    """Neither signature nor key is made up."""
    path = tmp_path / "j"
    write(path, [alarm(1), head(2, "2026-01-01")])
    with JournalReader(path) as reader:
        value = json.loads(reader.chain_entries(1, 1)[0].body)["value"]
    assert value["signature"] is None
    assert value["key"] is None
    assert value["number"] == 1


def test_a_transaction_that_fails_leaves_the_chain_as_it_was(tmp_path: Path) -> None:
    """The next commit goes on behind the last entry that is on the disk."""
    path = tmp_path / "j"
    with Journal.open(path, wall_us=wall_us, commit_period_s=0) as journal:
        journal.submit([alarm(1)])
        journal.flush()
        ledger = journal._ledger

        batch = Batch(records=[alarm(2)])
        ledger.connection.execute(
            "CREATE TEMP TRIGGER no BEFORE INSERT ON record "
            "BEGIN SELECT raise(ABORT, 'played by the test'); END"
        )
        with pytest.raises(apsw.ConstraintError):
            ledger.commit(batch)
        ledger.connection.execute("DROP TRIGGER no")
        journal.submit([alarm(3)])
    assert check_chain(path) == 2


def test_a_journal_of_layout_one_gets_its_chain(tmp_path: Path) -> None:
    """Made by the first layout's own script: it opens, and the chain begins with what comes."""
    path = tmp_path / "j"
    connection = connect.connect_writer(path)
    connect.make_durable(connection, path)
    schema.bring_up_to_date(connection, str(path), wall_us(), schema.MIGRATIONS[:1])
    connection.close()
    write(path, [alarm(1), alarm(2)])
    assert check_chain(path) == 2
