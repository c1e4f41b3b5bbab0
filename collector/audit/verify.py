"""Verification of a journal's own chain, and of the heads somebody kept outside."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from collector.audit.chain import Anchor, Break, Entry, Head, deleted_text, head_of
from collector.audit.checking import Checking
from collector.audit.keys import Verifier
from collector.audit.verdict import NotWhole, Outcome, Verdict


def verify_entries(
    entries: Iterable[Entry],
    journal: str,
    anchor: Anchor,
    keys: Sequence[Verifier] = (),
    heads: Sequence[Head] = (),
    newest_audited: int = 0,
    breaks: Sequence[Break] = (),
) -> Verdict:
    """Verify the chain of a journal.

    Args:
        entries: all there are, in order.
        journal: its id.
        anchor: where the chain begins.
        keys: public keys that may have signed; none looks at no signature.
        heads: kept outside.
        newest_audited: sequence of the newest audited record of the journal; its entry must be
            there.
        breaks: entries that were lost with a damaged journal.
    """
    checking: Checking | None = None
    found: NotWhole | None = None
    sequence, told = 0, not anchor.number
    lost = {gap.first: gap for gap in breaks}
    gone = f"..{deleted_text(0, anchor.number).partition('..')[2]}"
    try:
        checking = Checking(journal, anchor, {key.key_id: key for key in keys}, heads)
        for entry in entries:
            sequence = entry.sequence
            while entry.number > checking.last.number + 1 and checking.last.number + 1 in lost:
                checking.skip(lost[checking.last.number + 1])
            checking.take(entry.body.encode(), entry.hash, row=entry)
            told = told or ('"kind":"collector"' in entry.body and gone in entry.body)
        if sequence < newest_audited:
            raise NotWhole(
                f"the journal has audited records up to {newest_audited}, the chain ends at "
                f"record {sequence}",
                outcome=Outcome.CUT_OFF,
            )
        if not told:
            raise NotWhole(
                f"entries 1 to {anchor.number} are gone, and the record does not say that they "
                "had to go"
            )
        if checking.untold:
            raise NotWhole(f"{checking.untold[0].text}, and the record does not say why")
        checking.finish()
    except NotWhole as error:
        found = error
    if checking is None:
        checking = Checking(journal, anchor, {}, ())
    if anchor.number:
        checking.notes.append(f"entries 1 to {anchor.number} were deleted to make room")
    return checking.verdict(found)


def read_heads(text: str) -> list[Head]:
    """The heads in a file: one JSON object, a list, or one a line; bare or as a broker got them.

    Raises:
        ValueError: it holds none, with a sentence.
    """
    try:
        told = json.loads(text)
        several = told if isinstance(told, list) else [told]
    except ValueError:
        several = list(_lines(text))
    found = []
    for one in several:
        inner = one.get("head", one) if isinstance(one, dict) else None
        journal = one.get("journal", "") if isinstance(one, dict) else ""
        head = head_of(inner, str(journal)) if isinstance(inner, dict) else None
        if head is None:
            raise ValueError(
                "expected heads as JSON objects with day, number and hash, "
                f"found {json.dumps(one, ensure_ascii=False)[:60]}"
            )
        found.append(head)
    if not found:
        raise ValueError("expected heads, found none")
    return found


def _lines(text: str) -> Iterator[Any]:
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip():
            try:
                yield json.loads(line)
            except ValueError:
                raise ValueError(
                    f"line {number}: expected a JSON object, found {line[:60]}"
                ) from None
