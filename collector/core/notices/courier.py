"""Keeps step between deciding, the journal and those who deliver; no input or output of its own.

Whoever runs it feeds it committed records, hands the records it makes to the journal, and delivers
what it gives out. An attempt is given out only when its record has come back committed. While
records about a way are on their way to the disk, or an attempt is being made there, nothing is
decided for that way. After a crash between attempt and result the attempt stands on record without
one: nobody knows whether it arrived, and it is made again under the same id, marked as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from collector.core.notices.deciding import decide
from collector.core.notices.notice import (
    ATTEMPTED,
    FAILED,
    GIVEN_UP,
    SENT,
    WANTED,
    Notice,
    record_of,
    step_of,
)
from collector.core.notices.routes import Routes
from collector.core.notices.situation import Situation
from collector.core.notices.wording import Text, Words, text_of
from collector.core.records import Record, RecordKind

OVERTAKEN = "what it said is no longer so, or is told by a later one"


@dataclass(frozen=True, slots=True)
class Errand:
    """One attempt to make: the notice is on record as attempted."""

    notice: Notice
    text: Text


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an attempt ended.

    Args:
        arrived: whether the far side has taken it.
        why: why not.
        uncertain: whether it may have taken it all the same.
    """

    arrived: bool
    why: str = ""
    uncertain: bool = False


class Courier:
    """Runs the notices of one plant.

    Args:
        situation: fed from the record so far.
        routes: who is told of what.
        words: what texts need.
        zone: the plant's time zone.
    """

    def __init__(self, situation: Situation, routes: Routes, words: Words, zone: tzinfo) -> None:
        self.situation = situation
        self._routes = routes
        self._words = words
        self._zone = zone
        self._unseen: dict[tuple[str, str, int], str] = {}  # submitted records, and their way
        self._under_way: dict[str, Errand] = {}
        self._ready: list[Errand] = []

    @property
    def waiting(self) -> int:
        """How many notices are neither sent nor given up."""
        return sum(1 for told in self.situation.told.values() if told.open is not None)

    def take(self, records: Iterable[Record]) -> None:
        """Take committed records, in order."""
        for record in records:
            self.situation.take(record)
            if record.kind is RecordKind.NOTICE and self._unseen:
                step = step_of(record)
                if self._unseen.pop(step, None) is not None and step[1] == ATTEMPTED:
                    self._ready.append(self._under_way[record.subject])

    def step(self, now_us: int) -> tuple[list[Record], int]:
        """Decide what is to be done now.

        Returns:
            records to hand to the journal, and the plant time at which to ask again.
        """
        busy = {*self._unseen.values(), *self._under_way}
        decision = decide(self.situation, self._routes, now_us, self._zone, busy)
        records: list[Record] = []
        for step in decision.steps:
            if step.give_up is not None:
                overtaken = replace(step.give_up, why=OVERTAKEN)
                records.append(self._keep(overtaken, GIVEN_UP, now_us))
            if step.notice is None:
                continue
            text = text_of(step.notice, self.situation, self._words, now_us)
            notice = replace(step.notice, title=text.subject)
            if notice.attempt == 1:
                records.append(self._keep(notice, WANTED, now_us))
            records.append(self._keep(notice, ATTEMPTED, now_us))
            self._under_way[notice.to] = Errand(notice, text)
        return records, decision.wake_us

    def errands(self) -> Sequence[Errand]:
        """Attempts to make now; each is given out once."""
        ready, self._ready = self._ready, []
        return ready

    def done(self, errand: Errand, outcome: Outcome, now_us: int) -> Record:
        """An attempt ended; the record that says how."""
        notice = replace(errand.notice, why=outcome.why, uncertain=outcome.uncertain)
        del self._under_way[notice.to]
        return self._keep(notice, SENT if outcome.arrived else FAILED, now_us)

    def _keep(self, notice: Notice, happening: str, now_us: int) -> Record:
        self._unseen[notice.id, happening, notice.attempt] = notice.to
        return record_of(notice, happening, now_us, self.situation.offset_us)
