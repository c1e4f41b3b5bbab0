"""The chain of the audited record: what stands in an entry and how one holds on to the one before.

An entry is the canonical JSON (RFC 8785) of a record; its hash is SHA-256 over the hash of the
entry before it (32 zero bytes before the first) and its own bytes. So nothing can be changed,
removed, inserted or moved without every later hash being wrong. Somebody who can write the file
could reckon all of them anew; that is what the heads are for, signed each plant day with a key that
lies apart and told to whoever keeps them outside.

Numbers that JSON readers do not carry exactly (integers beyond 2^53, infinities) stand as text.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

import rfc8785

from collector.core.records import Quality, Record, RecordKind, Value

AUDITED = frozenset({
    RecordKind.ALARM, RecordKind.ACTION, RecordKind.HEAD, RecordKind.CONFIGURATION,
    RecordKind.COLLECTOR, RecordKind.CLOCK, RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED,
})  # fmt: skip
JSON_KINDS = frozenset({RecordKind.ALARM, RecordKind.ACTION, RecordKind.HEAD})
"""Whose value is a JSON object, which an entry holds as such."""
KIND_OF = {kind.word: kind for kind in AUDITED}
QUALITY_OF = {quality.word: quality for quality in Quality}

NO_HASH = bytes(32)
"""What stands before the first entry."""
LARGEST_EXACT = (1 << 53) - 1
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the chain.

    Args:
        number: counts the entries from 1 without holes.
        sequence: of the record it keeps.
        body: its canonical JSON.
        hash: SHA-256 of the hash before it and the body.
    """

    number: int
    sequence: int
    body: str
    hash: bytes


@dataclass(frozen=True, slots=True)
class Anchor:
    """Where the chain that is kept begins: the last entry that is gone; number 0 if none is."""

    number: int = 0
    hash: bytes = NO_HASH


@dataclass(frozen=True, slots=True)
class Break:
    """Entries that were lost with a damaged journal, as the record itself says.

    Args:
        first, number: the first and the last that are missing; the numbers of some never were.
        hash: what the next entry is built on.
    """

    first: int
    number: int
    hash: bytes

    @property
    def text(self) -> str:
        """What the record says of it."""
        return f"entries {self.first}..{self.number} of the audited record lost"


class Signs(Protocol):
    """Signs heads: ``keys.Signer``, or None where there is no key."""

    @property
    def key_id(self) -> str:
        """Tells this key from others."""
        ...

    def sign(self, message: bytes) -> bytes:
        """The Ed25519 signature of a message."""
        ...


def canonical(value: Any) -> bytes:
    """The one way to write a JSON value. Source: RFC 8785.

    Raises:
        rfc8785.CanonicalizationError: a value that JSON cannot carry exactly.
    """
    return rfc8785.dumps(value)


def hash_of(before: bytes, body: bytes) -> bytes:
    """The hash of an entry from the hash of the one before it and its own bytes."""
    return hashlib.sha256(before + body).digest()


# --- entries and records --------------------------------------------------------------------------


def body_of(record: Record, number: int) -> str:
    """The canonical JSON of an entry.

    Args:
        record: of an audited kind, with its sequence.
        number: of the entry.
    """
    value: Any = _scalar(record.value)
    body = {
        "number": number,
        "sequence": record.sequence,
        "kind": record.kind.word,
        "subject": record.subject,
        "at": _whole(record.at_us),
        "utc": rfc3339(record.utc_us),
        "after": _whole(record.after_us),
        "value": value,
        "quality": record.quality.word,
        "reason": record.reason,
        "low": _scalar(record.low),
    }
    if record.kind in JSON_KINDS and isinstance(record.value, str):
        opened = _opened(record.value)
        if opened is not None:
            try:
                return canonical({**body, "value": opened}).decode()
            except (rfc8785.CanonicalizationError, RecursionError):
                pass  # kept as the text it came as
    return canonical(body).decode()


def record_of(entry: Entry) -> Record:
    """The record that an entry keeps; a float that is whole comes back as an integer."""
    body = json.loads(entry.body)
    kind = KIND_OF[body["kind"]]
    low = _restored(body["low"])
    value = body["value"]
    if kind in JSON_KINDS and isinstance(value, dict) and set(value) != {"number"}:
        value = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return Record(
        kind, body["subject"], int(body["at"]), _utc_us(body["utc"]), int(body["after"]),
        _restored(value), QUALITY_OF[body["quality"]], body["reason"],
        float(low) if isinstance(low, int | float) else None, None, entry.sequence,
    )  # fmt: skip


def rfc3339(utc_us: int) -> str:
    """An instant to the microsecond; its plain number where no calendar reaches."""
    try:
        at = EPOCH + timedelta(microseconds=utc_us)
    except OverflowError:
        return str(utc_us)
    return at.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def _utc_us(text: str) -> int:
    if not text.endswith("Z"):
        return int(text)
    return (datetime.fromisoformat(text) - EPOCH) // timedelta(microseconds=1)


def _whole(number: int) -> int | str:
    return number if abs(number) <= LARGEST_EXACT else str(number)


def _scalar(value: Value) -> Value | dict[str, str]:
    """A value as JSON carries it exactly."""
    if isinstance(value, int) and abs(value) > LARGEST_EXACT:
        return {"number": str(value)}
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return {"number": str(value)}
    return value


def _restored(value: Any) -> Value:
    if isinstance(value, dict):
        text = str(value["number"])
        return float(text) if text.endswith("inf") else int(text)
    if isinstance(value, int) and abs(value) > LARGEST_EXACT:
        return float(value)  # an integer that large would stand as text
    restored: Value = value
    return restored


def _opened(text: str) -> dict[str, Any] | None:
    """The JSON object behind a text, None if it is none."""
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return {key: _exact(part) for key, part in value.items()} if isinstance(value, dict) else None


def _exact(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _exact(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_exact(part) for part in value]
    if isinstance(value, int) and not isinstance(value, bool):
        return _whole(value)
    return value


def deleted_text(first: int, last: int) -> str:
    """What the record says when its oldest entries had to go; the newest such names the anchor."""
    return f"entries {first}..{last} of the audited record deleted"


# --- heads ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Head:
    """What a head says: up to entry ``number`` the chain has this hash.

    Args:
        journal: which journal; empty where it was not told along.
        day: the plant day that ended.
        number, hash: of the last entry before the head; the hash in hex.
        signature: in hex, None if it is unsigned.
        key: id of the key it was signed with, None if it is unsigned.
    """

    journal: str
    day: str
    number: int
    hash: str
    signature: str | None = None
    key: str | None = None

    @property
    def message(self) -> bytes:
        """What the signature covers."""
        return canonical(
            {"journal": self.journal, "day": self.day, "number": self.number, "hash": self.hash}
        )


def head_of(value: Mapping[str, Any], journal: str) -> Head | None:
    """The head that the value of an entry or a message holds, None if it is none."""
    day, number, digest = value.get("day"), value.get("number"), value.get("hash")
    signature, key = value.get("signature"), value.get("key")
    if not isinstance(day, str) or not isinstance(digest, str) or not isinstance(number, int):
        return None
    return Head(
        journal, day, number, digest,
        signature if isinstance(signature, str) else None, key if isinstance(key, str) else None,
    )  # fmt: skip


def filled_head(text: str, journal: str, last: Anchor, signer: Signs | None) -> str | None:
    """The value of a head record, with the chain's end and the signature put in.

    Args:
        text: as the engine told it: JSON with the ``day``.
        journal: id of the journal.
        last: the last entry before the head.
        signer: None leaves it unsigned, and it says so.

    Returns:
        JSON text; None where the text tells of no day.
    """
    told = _opened(text)
    if told is None or not isinstance(told.get("day"), str):
        return None
    head = Head(journal, told["day"], last.number, last.hash.hex())
    value = {
        "day": head.day, "number": head.number, "hash": head.hash,
        "signature": None if signer is None else signer.sign(head.message).hex(),
        "key": None if signer is None else signer.key_id,
    }  # fmt: skip
    return json.dumps(value, separators=(",", ":"))
