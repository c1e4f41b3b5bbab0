"""Of which table of the journal a row is, told by its shape alone, and whether it can be one."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.audit.chain import Anchor, Entry
from collector.journal.items import Alive, Configuration, Cursor, Quarantined
from collector.journal.rows import KINDS, QUALITIES
from collector.journal.salvage.pages import Cell

HASH_BYTES = 32
CONFIGURATION_HASH_DIGITS = 64
LARGEST_MARKS = 2 * len(QUALITIES) - 1
Row = tuple[Any, ...]


@dataclass(slots=True)
class Beside:
    """All but records and chain, which are many: what has been found of it.

    Args:
        begun_us: dates of the journal's begin that were found.
        disorder_us: the greatest of what was found.
        subjects: kind and name by number.
        reasons: text by number.
        listed_subjects, listed_reasons: the same as the indexes over them repeat it.
        eras: wall time minus plant time by first sequence.
        states: engine states by sequence.
        alive: the newest.
        cursors: by outlet, the farthest.
        configurations: file and turn, by kind and hash.
        quarantined: by outlet and sequence.
        anchor: of the chain, the latest, and what is older than the chain.
        breaks: of the chain: by the last number that is missing, what ``chain_break`` holds.
    """

    begun_us: list[int] = field(default_factory=list)
    disorder_us: int = 0
    subjects: dict[int, tuple[int, str]] = field(default_factory=dict)
    reasons: dict[int, str] = field(default_factory=dict)
    listed_subjects: dict[int, tuple[int, str]] = field(default_factory=dict)
    listed_reasons: dict[int, str] = field(default_factory=dict)
    eras: dict[int, int] = field(default_factory=dict)
    states: dict[int, str] = field(default_factory=dict)
    alive: Alive | None = None
    cursors: dict[str, Cursor] = field(default_factory=dict)
    configurations: dict[tuple[str, str], tuple[Configuration, int]] = field(default_factory=dict)
    quarantined: dict[tuple[str, int], Quarantined] = field(default_factory=dict)
    anchor: Anchor | None = None
    older: int = 0
    breaks: dict[int, Row] = field(default_factory=dict)

    def take(self, cell: Cell) -> None:
        """Keep a row if it is one of these; the newest versions come first."""
        taker = TAKERS.get(tuple(type(value) for value in cell.values))
        if taker is not None:
            taker(self, cell.key, cell.values)

    def settle_names(self) -> None:
        """Of two tellings of a subject take the one whose parts others have too; of a reason none.

        A name is ``owner.what``, and both come again in other names, unless a byte is wrong.
        """
        differing = {
            number: (self.subjects[number], listed)
            for number, listed in self.listed_subjects.items()
            if self.subjects.setdefault(number, listed) != listed
        }
        parts = Counter(
            part
            for number, key in self.subjects.items()
            if number not in differing
            for part in _parts(key)
        )
        texts = " ".join(file.text for file, _ in self.configurations.values())
        for number, tellings in differing.items():
            self.subjects[number] = max(
                tellings,
                key=lambda key: sum(parts[p] > 0 or str(p[1]) in texts for p in _parts(key)),
            )
        for number, text in self.listed_reasons.items():
            if self.reasons.setdefault(number, text) != text:
                del self.reasons[number]

    def _subject(self, key: int | None, values: list[Any]) -> None:
        """A row of ``subject``, or the one of ``state``, which looks the same."""
        _, number, text = values
        if key is None or key < 1:
            return
        if number in KINDS and not text.startswith("{"):
            self.subjects.setdefault(key, (number, text))
        elif key == 1 and _is_json(text):
            self.states.setdefault(number, text)

    def _listed_subject(self, key: int | None, values: list[Any]) -> None:
        """An entry of the index over subjects, which repeats them."""
        kind, name, number = values
        if key is None and kind in KINDS and number > 0:
            self.listed_subjects.setdefault(number, (kind, name))

    def _reason(self, key: int | None, values: list[Any]) -> None:
        if key is not None and key >= 0:
            self.reasons.setdefault(key, values[1])

    def _listed_reason(self, key: int | None, values: list[Any]) -> None:
        if key is None and values[1] >= 0:
            self.listed_reasons.setdefault(values[1], values[0])

    def _era(self, key: int | None, values: list[Any]) -> None:
        if key is not None and key > 0:
            self.eras.setdefault(key, values[1])

    def _journal(self, key: int | None, values: list[Any]) -> None:
        if key == 1 and values[1] > 0 and values[2] >= 0:
            self.begun_us.append(values[1])
            self.disorder_us = max(self.disorder_us, values[2])

    def _alive(self, key: int | None, values: list[Any]) -> None:
        _, at_us, utc_us, boot_id, panels = values
        told = _is_json(panels)
        if key == 1 and told is not None and all(type(at) is int for at in told.values()):
            found = Alive(at_us, utc_us, boot_id, told)
            if self.alive is None or found.at_us > self.alive.at_us:
                self.alive = found

    def _cursor(self, key: int | None, values: list[Any]) -> None:
        found = Cursor(*values)
        known = self.cursors.get(found.outlet)
        if key is None and (known is None or found.delivered > known.delivered):
            self.cursors[found.outlet] = found

    def _configuration(self, key: int | None, values: list[Any]) -> None:
        kind, digest, text, first_utc_us, turn = values
        if key is None and len(digest) == CONFIGURATION_HASH_DIGITS:
            known = self.configurations.get((kind, digest))
            if known is None or known[1] < turn:
                file = Configuration(kind, digest, text, first_utc_us)
                self.configurations[kind, digest] = (file, turn)

    def _quarantined(self, key: int | None, values: list[Any]) -> None:
        if key is None:
            self.quarantined.setdefault((values[0], values[1]), Quarantined(*values))

    def _anchor(self, key: int | None, values: list[Any]) -> None:
        _, number, digest, older = values
        if key == 1 and len(digest) == HASH_BYTES and number >= 0 and older >= 0:
            if self.anchor is None or number > self.anchor.number:
                self.anchor = Anchor(number, digest)
            self.older = max(self.older, older)

    def _break(self, key: int | None, values: list[Any]) -> None:
        if key is not None and 0 < values[1] <= key and len(values[2]) == HASH_BYTES:
            self.breaks.setdefault(key, (key, *values[1:]))


NONE = type(None)
TAKERS = {
    (NONE, int, str): Beside._subject,
    (int, str, int): Beside._listed_subject,
    (NONE, str): Beside._reason,
    (str, int): Beside._listed_reason,
    (NONE, int): Beside._era,
    (NONE, int, int): Beside._journal,
    (NONE, int, int, str, str): Beside._alive,
    (str, int, int, int, int, int, int): Beside._cursor,
    (str, str, str, int, int): Beside._configuration,
    (str, int, str, int): Beside._quarantined,
    (NONE, int, bytes, int): Beside._anchor,
    (NONE, int, bytes): Beside._break,
}
"""By the types of a row's columns; the first is none where the row's number stands for it."""


def maybe_record(cell: Cell) -> Row | None:
    """The row of ``record`` that a cell is, as its table takes it; None if it can be none."""
    values = cell.values
    if cell.key is None or cell.key < 1 or len(values) != 9 or values[0] is not None:
        return None
    _, subject, at_us, bracket_us, marks, value, reason, low, high = values
    if not all(type(number) is int for number in (subject, at_us, bracket_us, marks)):
        return None
    if subject < 1 or bracket_us < 0 or not 0 <= marks <= LARGEST_MARKS:
        return None
    if marks & 1 and not (value is None or value in (0, 1)):
        return None
    if isinstance(value, bytes) and not value.lstrip(b"-").isdigit():
        return None
    if type(reason) not in (int, str):
        return None
    if not all(bound is None or isinstance(bound, int | float) for bound in (low, high)):
        return None
    low, high = (None if bound is None else float(bound) for bound in (low, high))
    return (cell.key, subject, at_us, bracket_us, marks, value, reason, low, high)


def maybe_entry(cell: Cell) -> Entry | None:
    """The entry of the chain that a cell is; whether it fits is for the hashes to say."""
    values = cell.values
    if cell.key is None or [type(value) for value in values] != [NONE, int, str, bytes]:
        return None
    told = _is_json(values[2])
    if told is None or (told.get("number"), told.get("sequence")) != (cell.key, values[1]):
        return None
    return Entry(cell.key, *values[1:]) if len(values[3]) == HASH_BYTES else None


def maybe_listed(cell: Cell) -> Sequence[int] | None:
    """Subject and sequence of an entry of the index over records."""
    values = cell.values
    if cell.key is not None or [type(value) for value in values] != [int, int]:
        return None
    return values if values[0] > 0 and values[1] > 0 else None


def _parts(key: tuple[int, str]) -> list[tuple[object, str]]:
    kind, name = key
    owner, _, what = name.partition(".")
    return [("owner", owner), ("what", what), (kind, what), (kind, "")]


def _is_json(text: str) -> dict[str, Any] | None:
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return told if isinstance(told, dict) else None
