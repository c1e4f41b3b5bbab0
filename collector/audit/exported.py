"""The audited record as a file of JSON lines: how it is written, and verified by itself.

The first line is a header (what it covers), the last a trailer (how many entries, the hash of the
last, SHA-256 of all bytes before the trailer); between them each entry stands as in the chain, byte
for byte, with its hash; where entries were lost with a damaged journal, a line says which. Each
line is canonical JSON (RFC 8785) and ends with a line feed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from rfc8785 import CanonicalizationError

from collector.audit.chain import NO_HASH, Anchor, Break, Entry, Head, canonical
from collector.audit.checking import Checking
from collector.audit.keys import Verifier
from collector.audit.verdict import NotWhole, Outcome, Verdict

WHAT = "audited record"
FORMAT = 1
BEGIN, MIDDLE, END = b'{"entry":', b',"hash":"', b'"}'
HASH_DIGITS = 64
TRAILER = b'{"trailer":'
BREAK = b'{"break":'


def lines_of(
    header: Mapping[str, Any], before: Anchor, entries: Iterable[Entry | Break]
) -> Iterator[bytes]:
    """The lines of an export.

    Args:
        header: what it covers; ``what``, ``format`` and ``before`` are added.
        before: the entry before the first.
        entries: without holes but those that breaks between them tell of.
    """
    told = {
        **header, "what": WHAT, "format": FORMAT,
        "before": {"number": before.number, "hash": before.hash.hex()},
    }  # fmt: skip
    digest = hashlib.sha256()
    line = canonical({"header": told}) + b"\n"
    digest.update(line)
    yield line
    last, count = before, 0
    for entry in entries:
        if isinstance(entry, Break):
            lost = {"first": entry.first, "number": entry.number, "hash": entry.hash.hex()}
            line = canonical({"break": lost}) + b"\n"
            digest.update(line)
            yield line
            last = Anchor(entry.number, entry.hash)
            continue
        body = entry.body.encode()
        line = BEGIN + body + MIDDLE + entry.hash.hex().encode() + END + b"\n"
        digest.update(line)
        yield line
        last, count = Anchor(entry.number, entry.hash), count + 1
    trailer = {
        "entries": count, "last": last.number, "hash": last.hash.hex(),
        "sha256": digest.hexdigest(),
    }  # fmt: skip
    yield canonical({"trailer": trailer}) + b"\n"


def verify_lines(
    lines: Iterable[bytes], keys: Sequence[Verifier] = (), heads: Sequence[Head] = ()
) -> Verdict:
    """Verify an exported file.

    Args:
        lines: with their line feeds.
        keys: public keys that may have signed; none looks at no signature.
        heads: kept outside.
    """
    nothing = Checking("", Anchor(), {}, ())
    reading = _Reading({key.key_id: key for key in keys}, heads)
    found: NotWhole | None = None
    try:
        for line in lines:
            reading.take(line)
        reading.finish()
    except NotWhole as error:
        found = error
    return (reading.checking or nothing).verdict(found)


class _Reading:
    """Takes the lines of an export in order."""

    def __init__(self, keys: Mapping[str, Verifier], heads: Sequence[Head]) -> None:
        self._keys, self._heads = keys, heads
        self._header: dict[str, Any] | None = None
        self._digest = hashlib.sha256()
        self._count = 0
        self._ended = False
        self.checking: Checking | None = None

    def take(self, line: bytes) -> None:
        if self._ended:
            raise NotWhole("something stands after its last line")
        if not line.endswith(b"\n"):
            raise NotWhole("its last line is incomplete", outcome=Outcome.CUT_OFF)
        if self.checking is None:
            self._begin(line)
        elif line.startswith(TRAILER):
            self._end(line, self.checking)
            return
        elif line.startswith(BREAK):
            self._break(line, self.checking)
        else:
            self._entry(line[:-1], self.checking)
        self._digest.update(line)

    def _begin(self, line: bytes) -> None:
        header = _canonical(line, "header")
        before = header.get("before") if header is not None else None
        if header is None or header.get("what") != WHAT or not isinstance(before, dict):
            raise NotWhole("its first line is not the header of an exported audited record")
        if header.get("format") != FORMAT:
            raise NotWhole(f"its header tells of format {header.get('format')}, this is {FORMAT}")
        number, digest = before.get("number"), _hash(before.get("hash"))
        if not isinstance(number, int) or digest is None or (number == 0) != (digest == NO_HASH):
            raise NotWhole("its header does not say where the entries begin")
        self._header = header
        journal = str(header.get("journal", ""))
        self.checking = Checking(journal, Anchor(number, digest), self._keys, self._heads)
        if number:
            self.checking.notes.append(f"entries 1 to {number} are not part of this file")

    def _entry(self, line: bytes, checking: Checking) -> None:
        end = len(END) + HASH_DIGITS
        digits, tail = line[-end : -len(END)], line[-len(END) :]
        body, middle = line[len(BEGIN) : -end - len(MIDDLE)], line[-end - len(MIDDLE) : -end]
        digest = _hash(digits.decode("ascii", "replace"))
        if not line.startswith(BEGIN) or (middle, tail) != (MIDDLE, END) or digest is None:
            raise NotWhole("its line is no entry of an audited record", checking.last.number + 1)
        checking.take(body, digest)
        self._count += 1

    def _break(self, line: bytes, checking: Checking) -> None:
        told = _canonical(line, "break") or {}
        first, number, digest = told.get("first"), told.get("number"), _hash(told.get("hash"))
        if not isinstance(first, int) or not isinstance(number, int) or digest is None:
            raise NotWhole("its line does not say what was lost", checking.last.number + 1)
        checking.skip(Break(first, number, digest))

    def _end(self, line: bytes, checking: Checking) -> None:
        self._ended = True
        trailer = _canonical(line, "trailer")
        if trailer is None:
            raise NotWhole("its last line is not what a trailer looks like")
        last, count = trailer.get("last"), trailer.get("entries")
        if not isinstance(last, int) or not isinstance(count, int):
            raise NotWhole("its last line is not what a trailer looks like")
        if last > checking.last.number:
            raise NotWhole(
                f"its last line tells of entry {last}, the last here is {checking.last.number}",
                outcome=Outcome.CUT_OFF,
            )
        told = (last, count, trailer.get("hash"))
        if told != (checking.last.number, self._count, checking.last.hash.hex()):
            raise NotWhole("its last line tells of other entries than there are")
        if trailer.get("sha256") != self._digest.hexdigest():
            raise NotWhole("the entries are whole, but its header is not what it was")

    def finish(self) -> None:
        if self.checking is None:
            raise NotWhole("it is empty", outcome=Outcome.CUT_OFF)
        if not self._ended:
            raise NotWhole("its last line is missing", outcome=Outcome.CUT_OFF)
        self.checking.finish(ends_early=self._ends_early())

    def _ends_early(self) -> bool:
        """Whether heads of later entries say nothing: of another time than this export."""
        header, checking = self._header or {}, self.checking
        newest = header.get("chain_head")
        number = newest.get("number") if isinstance(newest, dict) else None
        if checking is None or not isinstance(number, int):
            return False
        try:
            made = date.fromisoformat(str(header.get("made"))[:10])
            days = [date.fromisoformat(head.day) for head in self._heads if head.number > number]
        except ValueError:
            return False
        # The head of a day is signed within the day after, by any time zone.
        return all((made - day).days < 2 for day in days)


def _canonical(line: bytes, name: str) -> dict[str, Any] | None:
    """What stands under ``name`` in a line that is canonical JSON; None if it is not."""
    try:
        told = json.loads(line)
        same = canonical(told) + b"\n" == line
    except (ValueError, RecursionError, CanonicalizationError):
        return None
    inner = told.get(name) if isinstance(told, dict) and same and len(told) == 1 else None
    return inner if isinstance(inner, dict) else None


def _hash(text: object) -> bytes | None:
    if not isinstance(text, str) or len(text) != HASH_DIGITS or text != text.lower():
        return None
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None
