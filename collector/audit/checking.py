"""What is looked at, entry by entry, when an audited record is verified.

What it finds by itself is any change that did not reckon every later hash anew. Against somebody
who did, only signed heads help (a public key is given) and heads that were kept outside. It tells a
record that was cut off (a copy that was interrupted, a disk that lost its end) from one that was
tampered with, as far as that can be told: what is missing at the end, all before it being whole, is
cut off. Where entries were lost with a damaged journal, the record says so in an entry behind them:
that is a break, told from tampering.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.audit.chain import Anchor, Break, Entry, Head, hash_of, head_of
from collector.audit.keys import Verifier
from collector.audit.verdict import NotWhole, Outcome, Verdict

LONGEST_NUMBER = 30
LONGEST_UNSIGNED_US = 2 * 86_400_000_000
"""A signed head comes each plant day; a record that goes on for longer without one, although there
is a key, may be somebody's who has no key. In plant time; a day has at most 25 hours, and where the
collector stood over a midnight the head comes with the start."""


@dataclass(slots=True)
class Checking:
    """Takes the entries of a record in order; what is wrong is raised as ``NotWhole``.

    Args:
        journal: id of the journal they are of.
        anchor: the entry before the first.
        keys: public keys by id; empty looks at no signature.
        heads: kept outside.
    """

    journal: str
    anchor: Anchor
    keys: Mapping[str, Verifier]
    heads: Sequence[Head]
    last: Anchor = field(init=False)
    first: int = 0
    signed_to: int = 0
    signed_day: str = ""
    signed: int = 0
    unsigned: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    breaks: list[Break] = field(default_factory=list)
    untold: list[Break] = field(default_factory=list)
    _sequence: int = 0
    _signed_at: int = 0  # of the newest signed head; before any, of the first entry
    _last_at: int = 0
    _expected: dict[int, list[Head]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.last = self.anchor
        for head in self.heads:
            if head.journal not in ("", self.journal):
                raise NotWhole(
                    f"the head of {head.day} kept outside is of journal {head.journal}, "
                    f"this record is of {self.journal}"
                )
            if self.keys and head.signature is not None:
                self._check_signature(head, None, "kept outside")
            self._expected.setdefault(head.number, []).append(head)
        self._meet(self.anchor)

    def take(self, body: bytes, digest: bytes, *, row: Entry | None = None) -> None:
        """Look at the next entry.

        Args:
            body, digest: as they stand there.
            row: of a journal, whose table repeats number and sequence.
        """
        wanted = self.last.number + 1
        told = _told(body)
        if told is None:
            raise NotWhole("it is no entry of an audited record", wanted)
        number, sequence = told["number"], told["sequence"]
        if number != wanted:
            raise NotWhole(_out_of_order(number, wanted), wanted)
        if hash_of(self.last.hash, body) != digest:
            raise NotWhole(
                "its content, its hash and the hash before it do not fit: something was changed",
                wanted,
            )
        if row is not None and (row.number, row.sequence) != (number, sequence):
            raise NotWhole("the journal files it under other numbers than it says", wanted)
        if sequence <= self._sequence:
            raise NotWhole("it is of a record that is not younger than the one before", wanted)
        if told["kind"] == "head":
            self._head(told, wanted)
        if told["kind"] == "collector" and self.untold:
            said = str(told.get("reason"))
            self.untold = [gap for gap in self.untold if gap.text not in said]
        self._sequence = sequence
        self._last_at = int(told["at"])
        if not self.first:
            self.first, self._signed_at = wanted, self._last_at
        if self.signed_to == self.last.number > 0:
            self._signed_at = self._last_at
        self.last = Anchor(wanted, digest)
        self._meet(self.last)

    def skip(self, gap: Break) -> None:
        """Pass over entries that were lost; an entry behind them has to say that they were."""
        wanted = self.last.number + 1
        if gap.first != wanted or gap.number < wanted:
            raise NotWhole(f"it should be the first after a loss of others ({gap.text})", wanted)
        self.breaks.append(gap)
        self.untold.append(gap)
        self.last = Anchor(gap.number, gap.hash)

    def _lost(self, number: int) -> bool:
        return any(gap.first <= number <= gap.number for gap in self.breaks)

    def _head(self, told: dict[str, Any], number: int) -> None:
        """A head within the record says what stands before it, and is signed."""
        value = told["value"]
        head = head_of(value, self.journal) if isinstance(value, dict) else None
        if head is None:
            return  # written by a program that could not fill it in
        if (head.number, head.hash) != (self.last.number, self.last.hash.hex()):
            raise NotWhole(f"the head of {head.day} names another entry before it", number)
        if head.signature is None:
            self.unsigned.append(number)
            if self.keys and self.signed:
                raise NotWhole(
                    f"the head of {head.day} is unsigned, although earlier ones are signed", number
                )
            return
        if self.keys:
            self._check_signature(head, number, "in the record")
            self.signed_to, self.signed_day = head.number, head.day
        self.signed += 1

    def _check_signature(self, head: Head, number: int | None, where: str) -> None:
        key = self.keys.get(head.key or "")
        if key is None:
            raise NotWhole(
                f"the head of {head.day} {where} is signed with key {head.key}, "
                f"which is none of those given ({', '.join(self.keys)})",
                number,
            )
        of_here = Head(self.journal, head.day, head.number, head.hash)
        try:
            signature = bytes.fromhex(head.signature or "")
        except ValueError:
            signature = b""
        if not key.holds(signature, of_here.message):
            raise NotWhole(f"the signature of the head of {head.day} {where} is false", number)

    def _meet(self, here: Anchor) -> None:
        """Compare with what was kept outside of this entry."""
        for head in self._expected.pop(here.number, ()):
            if head.hash != here.hash.hex():
                raise NotWhole(
                    f"its hash is not that of the head of {head.day} kept outside: it, or one "
                    "before it, is not what it was",
                    here.number,
                )

    def finish(self, ends_early: bool = False) -> None:
        """Look at what should be there and is not.

        Args:
            ends_early: whether the record is known to end before the newest entry (an export of a
                period), so that later heads tell nothing.
        """
        late = [head for number in sorted(self._expected) for head in self._expected[number]]
        for head in late:
            if head.number < self.anchor.number:
                self.notes.append(f"the head of {head.day} kept outside is of entries not here")
            elif self._lost(head.number):
                self.notes.append(f"the head of {head.day} kept outside is of a lost entry")
            elif ends_early:
                self.notes.append(f"the head of {head.day} kept outside is of later entries")
            else:
                raise NotWhole(
                    f"the head of {head.day} kept outside tells of {head.number} entries, "
                    f"here the last is {self.last.number}",
                    outcome=Outcome.CUT_OFF,
                )
        if not self.keys:
            self.notes.append(
                "without a public key no signature was looked at: the chain alone shows no "
                "change by somebody who reckoned it anew"
            )
            return
        lasts_long = self._last_at - self._signed_at > LONGEST_UNSIGNED_US
        if not self.signed and (self.unsigned or lasts_long):
            raise NotWhole(
                "none of its heads is signed, although a key was given", outcome=Outcome.UNPROVEN
            )
        if lasts_long:
            raise NotWhole(
                f"after entry {self.signed_to}, which the head of {self.signed_day} signs, no head "
                "is signed for more than two days: what follows may be anybody's",
                outcome=Outcome.UNPROVEN,
            )
        if self.signed_to < self.last.number:
            self.notes.append(self._tail())

    def _tail(self) -> str:
        since = self.signed_to + 1 if self.signed_to else self.first
        if since == self.last.number:
            return (
                f"entry {since} comes after what the last head signs: it fits the chain, but "
                "whoever could write the record could have replaced it"
            )
        return (
            f"entries {since} to {self.last.number} come after what the last head signs: they fit "
            "the chain, but whoever could write the record could have replaced them"
        )

    def _broken(self) -> str:
        missing = ", ".join(f"{gap.first} to {gap.number}" for gap in self.breaks)
        said = "but it does not say so itself" if self.untold else "as the record itself says"
        return (
            f"entries {missing} are not here: lost with a damaged journal, {said}; all others "
            "fit each other"
        )

    def verdict(self, found: NotWhole | None) -> Verdict:
        """What was found up to here."""
        if found is None and self.breaks:
            found = NotWhole(self._broken(), outcome=Outcome.BROKEN)
        return Verdict(
            Outcome.WHOLE if found is None else found.outcome,
            "" if found is None else found.wrong,
            None if found is None else found.number,
            self.first, self.last.number if self.first else 0, self.last.hash.hex(),
            self.signed_to, self.signed_day, tuple(self.notes),
        )  # fmt: skip


def _told(body: bytes) -> dict[str, Any] | None:
    """What an entry says of itself, None if it is none."""
    try:
        told = json.loads(body)
    except (ValueError, RecursionError):
        return None
    if not isinstance(told, dict):
        return None
    whole = all(type(told.get(name)) is int for name in ("number", "sequence"))
    at = str(told.get("at")).removeprefix("-")
    fits = (
        at.isascii()
        and at.isdecimal()
        and len(at) < LONGEST_NUMBER
        and isinstance(told.get("kind"), str)
        and "value" in told
    )
    return told if whole and fits else None


def _out_of_order(number: int, wanted: int) -> str:
    if number < wanted:
        return f"entry {number} stands here again: something was inserted or put in another order"
    if number == wanted + 1:
        return f"it is not here, entry {number} stands in its place: it was removed or moved"
    return (
        f"entries {wanted} to {number - 1} are not here, entry {number} stands in their place: "
        "they were removed or moved"
    )
