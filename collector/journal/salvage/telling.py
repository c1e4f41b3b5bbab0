"""What is told of a journal that was made out of another: figures, and the same in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import apsw

from collector.audit.chain import rfc3339
from collector.journal.salvage.gathering import Gathered, Hole

REPLACED = "collector.journal_replaced"
"""Subject of the record that tells that a damaged journal was replaced."""
RESTORED = "collector.journal_restored"
"""Subject of the record that tells that a copy was put in the place of a journal."""
SERIES = 1_000_000_000
"""After a replacement records are numbered from the next multiple of it on."""
MOST_HOLES_TOLD = 5


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What a fresh journal holds of a damaged one.

    Args:
        records, entries: how many records, and entries of the audited record.
        newest: the last sequence that is left, 0 if none is; ``newest_utc_us`` its date.
        begins: the sequence of the record that tells all this; new ones follow.
        lost: how many records the index knows of that are lost; ``lost_more`` whether there may
            be more.
        restored: records put back from the audited record.
        state: whether the engine's state was left.
        same_id: whether it has the same id.
        text: all of it in words.
    """

    records: int = 0
    entries: int = 0
    newest: int = 0
    newest_utc_us: int | None = None
    begins: int = 1
    lost: int = 0
    lost_more: bool = True
    restored: int = 0
    state: bool = False
    same_id: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True)
class Occasion:
    """Why a fresh journal is made.

    Args:
        because: what is wrong with the one in place, in words.
        set_aside: the name under which that one will be kept.
        now_utc_us: UTC of this instant.
        subject: of the record that tells it.
        above: numbers up to this one are known to have been given, beside those that are read.
    """

    because: str
    set_aside: str
    now_utc_us: int
    subject: str = REPLACED
    above: int = 0


def lost_holes(gathered: Gathered) -> list[Hole]:
    """Holes in which records are known, or must be feared, to be lost."""
    return [
        hole
        for hole in gathered.holes
        if hole.listed
        or (not gathered.index_whole and hole.last - hole.first < SERIES // 2)
    ]  # fmt: skip


def text_of(
    into: apsw.Connection, gathered: Gathered, salvaged: Salvaged, occasion: Occasion,
    said: Sequence[str],
) -> str:  # fmt: skip
    """What the record says of it.

    Args:
        into: the fresh journal.
        gathered: what was read.
        salvaged: what it comes to.
        occasion: why it was made.
        said: what else is to be said.
    """
    holes = lost_holes(gathered)
    parts = [f"found {rfc3339(occasion.now_utc_us)[:19]}Z: {occasion.because}"]
    if not salvaged.records and not salvaged.entries:
        parts.append("nothing of it could be read")
    else:
        parts.append(
            f"salvaged {salvaged.records} records up to {salvaged.newest} "
            f"({rfc3339(salvaged.newest_utc_us or 0)[:19]}Z); what came after it, if anything, "
            "is lost"
        )
        dated = [_dated(into, hole) for hole in holes[:MOST_HOLES_TOLD]]
        if holes:
            if len(holes) > len(dated):
                dated.append(f"and {len(holes) - len(dated)} more stretches")
            parts.append(f"lost before it: {'; '.join(dated)}")
        if gathered.unbelievable:
            parts.append(f"{gathered.unbelievable} records were read that cannot be right")
        if salvaged.restored:
            parts.append(f"{salvaged.restored} records put back from the audited record")
    parts += said
    if salvaged.records and not salvaged.state:
        parts.append("the state of what is derived is lost")
    if salvaged.records and not salvaged.same_id:
        parts.append("its id is lost, a new one is used")
    return "; ".join(parts)


def _dated(into: apsw.Connection, hole: Hole) -> str:
    count = f"{hole.listed} records" if hole.listed else "all records, if there were any,"
    here = _utc(into, "sequence < ? ORDER BY sequence DESC", hole.first)
    there = _utc(into, "sequence > ? ORDER BY sequence", hole.last)
    return f"{count} of {hole.first}..{hole.last} between {here} and {there}"


def _utc(into: apsw.Connection, which: str, sequence: int) -> str:
    found: Any = into.execute(
        "SELECT at_us + (SELECT offset_us FROM era WHERE first_sequence <= sequence "  # noqa: S608
        f"ORDER BY first_sequence DESC LIMIT 1) FROM record WHERE {which} LIMIT 1",
        (sequence,),
    ).get
    return f"{rfc3339(found)[:19]}Z" if isinstance(found, int) else "an unknown time"
