"""Somebody without the key who reckons hashes anew gets no further than the last signed head."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from collector.audit.chain import Anchor, Entry, canonical, hash_of
from collector.audit.exported import lines_of, verify_lines
from collector.audit.keys import Verifier, open_signer
from collector.audit.verdict import Outcome, Verdict
from collector.journal import JournalReader
from tests.unit.audit.audited_sample import write_sample

DAYS = 7
Change = Callable[[dict[str, Any]], dict[str, Any] | None]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, list[Entry], Verifier]:
    """Journal id, entries and public key of a week with signed heads."""
    path = tmp_path_factory.mktemp("week") / "journal"
    signer = open_signer(path.with_name("journal.key"))
    write_sample(path, signer, DAYS)
    with JournalReader(path) as reader:
        return reader.journal_id, reader.chain_entries(0, 10_000), signer.verifier


def verdict_on(journal: str, entries: list[Entry], key: Verifier) -> Verdict:
    """What is said of these entries as an exported file."""
    return verify_lines(lines_of({"journal": journal}, Anchor(), entries), [key])


def heads(entries: list[Entry]) -> list[int]:
    """Numbers of the entries that are heads."""
    return [entry.number for entry in entries if json.loads(entry.body)["kind"] == "head"]


def forged(entries: list[Entry], after: int, change: Change) -> list[Entry]:
    """The entries up to ``after``, and the rest changed and reckoned anew."""
    kept = entries[:after]
    last = Anchor(after, kept[-1].hash)
    for entry in entries[after:]:
        body = change(json.loads(entry.body))
        if body is None:
            continue
        body["number"] = last.number + 1
        text = canonical(body).decode()
        last = Anchor(body["number"], hash_of(last.hash, text.encode()))
        kept.append(Entry(last.number, entry.sequence, text, last.hash))
    return kept


def without_heads(body: dict[str, Any]) -> dict[str, Any] | None:
    """Leave the heads out and hide a cause."""
    if body["kind"] == "head":
        return None
    if body["kind"] == "action":
        body["value"] = {**body["value"], "cause": "mains failure"}
    return body


def heads_of_nothing(body: dict[str, Any]) -> dict[str, Any] | None:
    """Let the heads be there, but say nothing."""
    return {**body, "value": None} if body["kind"] == "head" else body


def test_what_was_signed_daily_is_whole(record: tuple[str, list[Entry], Verifier]) -> None:
    """A day under way after the last head is no reason for doubt."""
    journal, entries, key = record
    assert verdict_on(journal, entries, key).outcome is Outcome.WHOLE
    under_way = [entry for entry in entries if entry.number < heads(entries)[-1]]
    assert verdict_on(journal, under_way, key).outcome is Outcome.WHOLE


@pytest.mark.parametrize("change", [without_heads, heads_of_nothing])
def test_days_without_a_signed_head_prove_nothing(
    record: tuple[str, list[Entry], Verifier], change: Change
) -> None:
    """From the third day on what follows the last signed head, however well it is reckoned, is
    unproven, and the verdict names how far the signatures reach."""
    journal, entries, key = record
    after = heads(entries)[2]
    verdict = verdict_on(journal, forged(entries, after, change), key)
    assert verdict.outcome is Outcome.UNPROVEN
    assert verdict.signed_to == after - 1
    assert "no head is signed for more than two days" in verdict.wrong


def test_a_change_before_a_signed_head_is_found(
    record: tuple[str, list[Entry], Verifier],
) -> None:
    """Reckoned anew to the end, heads included, it does not fit the first signature after it."""
    journal, entries, key = record
    after = heads(entries)[2]
    said = {"hash": ""}

    def change(body: dict[str, Any]) -> dict[str, Any] | None:
        if body["kind"] == "head":
            body["value"] = {**body["value"], **said}
        return {**body, "reason": "nothing"}

    changed = forged(entries[: heads(entries)[3] - 1], after, change)
    said["hash"] = changed[-1].hash.hex()
    verdict = verdict_on(journal, forged(entries[: heads(entries)[3]], after, change), key)
    assert (verdict.outcome, verdict.bad_number) == (Outcome.TAMPERED, heads(entries)[3])
    assert "the signature" in verdict.wrong
