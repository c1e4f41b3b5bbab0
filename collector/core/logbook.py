"""The logbook as it stands: what people entered, with corrections applied, the past never edited.

An entry is an action of one of the verbs of the logbook. A correction is an entry of its own that
names an earlier one: it changes details of it or declares it void; of several the latest counts.
Who derives something from entries gets all that stand of its equipment whenever one is added or
corrected, and derives afresh: an entry of the past or a correction then needs no rule of its own.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol, runtime_checkable

from collector.core.alarms.actions import LOGBOOK
from collector.core.calendar import instant_us
from collector.core.component import Saved
from collector.core.records import ActionTaken, Output, Value

LATE_US = 86_400_000_000
"""Told more than a day after it was done, an entry is marked late; common practice, no source."""
MOST_ENTRIES = 2_000
"""Kept for each piece of equipment; beyond it the oldest leave, which the record still has."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it stands.

    Args:
        id: as given when it was entered.
        about, verb, actor: as entered.
        done_us: plant time at which the work was done.
        told_us: plant time at which it was entered.
        details: with corrections applied.
    """

    id: str
    about: str
    verb: str
    actor: str
    done_us: int
    told_us: int
    details: dict[str, Value] = field(default_factory=dict)

    @property
    def late(self) -> bool:
        """Whether it was entered long after it was done."""
        return self.told_us - self.done_us > LATE_US

    def figure(self, name: str) -> float | None:
        """A detail as a finite figure, or None."""
        value = self.details.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        return float(value)


@runtime_checkable
class FromLogbook(Protocol):
    """A component that derives something from entries about its equipment."""

    @property
    def name(self) -> str:
        """As in ``Component``."""
        ...

    @property
    def equipment(self) -> str:
        """Whose entries it wants."""
        ...

    def entries_stand(self, entries: list[Entry], at_us: int) -> list[Output]:
        """These entries stand now, the earliest done first.

        Args:
            entries: all there are about its equipment.
            at_us: plant time of this instant.
        """
        ...


class Logbook:
    """All entries of one plant that stand or are void."""

    def __init__(self) -> None:
        self._entries: dict[str, dict[str, Entry]] = {}  # by equipment, then id
        self._void: set[str] = set()

    def take(self, action: ActionTaken, offset_us: int) -> str | None:
        """Take an action; returns the equipment whose entries it changed, or None.

        Args:
            action: any; one that was refused or is no entry changes nothing.
            offset_us: wall time minus plant time, by which ``done_at`` becomes plant time.
        """
        if action.verb not in LOGBOOK or action.details.get("refused"):
            return None
        if action.verb == "correction":
            return self._correct(action, offset_us)
        key = str(action.details.get("id", ""))
        mine = self._entries.setdefault(action.about, {})
        if key in mine:
            return None
        done_us = _done_us(action.details.get("done_at"), offset_us, action.by_us)
        mine[key] = Entry(
            key, action.about, action.verb, action.actor, done_us, action.by_us,
            dict(action.details),
        )  # fmt: skip
        if len(mine) > MOST_ENTRIES:
            oldest = min(mine.values(), key=lambda each: each.done_us)
            del mine[oldest.id]
            self._void.discard(oldest.id)
        return action.about

    def knows(self, entry_id: str) -> bool:
        """Whether there is an entry of this id."""
        return any(entry_id in mine for mine in self._entries.values())

    def _correct(self, action: ActionTaken, offset_us: int) -> str | None:
        wanted = str(action.details.get("of_entry", ""))
        for about, mine in self._entries.items():
            entry = mine.get(wanted)
            if entry is None:
                continue
            if action.details.get("void") is True:
                self._void.add(wanted)
                return about
            corrected = _corrections(action.details.get("corrected"))
            details = {**entry.details, **corrected}
            done_us = entry.done_us
            if "done_at" in corrected:
                done_us = _done_us(corrected["done_at"], offset_us, entry.done_us)
            mine[wanted] = Entry(
                entry.id, about, entry.verb, entry.actor, done_us, entry.told_us, details
            )
            self._void.discard(wanted)
            return about
        return None

    def of(self, equipment: str) -> list[Entry]:
        """The entries that stand about a piece of equipment, the earliest done first."""
        mine = self._entries.get(equipment, {})
        return sorted(
            (entry for entry in mine.values() if entry.id not in self._void),
            key=lambda entry: (entry.done_us, entry.told_us, entry.id),
        )

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "void": " ".join(sorted(self._void)),
            "entries": json.dumps(
                [
                    [entry.id, entry.about, entry.verb, entry.actor, entry.done_us, entry.told_us,
                     entry.details]
                    for mine in self._entries.values()
                    for entry in mine.values()
                ]
            ),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``."""
        self._void = set(str(saved.get("void", "")).split())
        self._entries = {}
        for row in json.loads(str(saved.get("entries", "[]"))):
            entry = Entry(*row)
            self._entries.setdefault(entry.about, {})[entry.id] = entry


def _corrections(value: Value) -> dict[str, Value]:
    """What a correction says, which is a JSON object as text."""
    try:
        found = json.loads(value) if isinstance(value, str) else {}
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _done_us(done_at: Value, offset_us: int, otherwise_us: int) -> int:
    """Plant time at which something was done; never after it was told."""
    if not isinstance(done_at, str):
        return otherwise_us
    try:
        at = datetime.fromisoformat(done_at)
    except ValueError:
        return otherwise_us
    if at.tzinfo is None:
        return otherwise_us
    return min(instant_us(at) - offset_us, otherwise_us)
