"""How everything stands that people are told of, kept from the records as they are committed.

Of alarms every activation with its begin, end and acknowledgement; of notices what was told to
whom; of service each task; of panels whether they answer. Taking the same records again from any
beginning gives the same situation.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator

from collector.core.alarms import states
from collector.core.alarms.wire import alarm_of
from collector.core.notices.kept import Activation, Told
from collector.core.notices.notice import (
    AGAIN,
    ALARM,
    ATTEMPTED,
    FAILED,
    GIVEN_UP,
    SENT,
    STANDS,
    WANTED,
    notice_of,
)
from collector.core.records import AlarmMoved, Quality, Record, RecordKind

KEPT_US = 30 * 86_400_000_000
"""What began so long ago is forgotten."""
SETTLED_US = 86_400_000_000
MOST_DAYS = 62
"""Days of which it is kept what was sent once a day, of two kinds a month."""
COVERED = frozenset(state.value for state in states.COVERED)
LATCHED = (states.State.LATCHED_UNACKNOWLEDGED.value, states.State.LATCHED_ACKNOWLEDGED.value)
KINDS = (
    RecordKind.ALARM,
    RecordKind.NOTICE,
    RecordKind.SERVICE,
    RecordKind.PANEL_LOST,
    RecordKind.PANEL_RETURNED,
)


class Situation:
    """All of it.

    Args:
        facts: subjects of points and figures whose latest value texts may quote.
    """

    def __init__(self, facts: Collection[str] = ()) -> None:
        self.offset_us = 0
        self.now_us = 0
        self.told: dict[str, Told] = {}
        self.told_of: dict[str, int] = {}  # how often anybody was told of a key
        self.service: dict[str, dict[str, object]] = {}
        self.lost: dict[str, Record] = {}
        self.values: dict[str, Record] = {}
        self.activations: dict[str, list[Activation]] = {}
        self.raises_us: list[int] = []
        self._facts = frozenset(facts)

    # --- what comes in --------------------------------------------------------------------------

    def take(self, record: Record) -> None:
        """Take the next record."""
        self.offset_us = record.utc_us - record.at_us
        self.now_us = max(self.now_us, record.at_us)
        kind = record.kind
        if kind in (RecordKind.POINT, RecordKind.DERIVED, RecordKind.FINDING):
            if record.subject in self._facts:
                self.values[record.subject] = record
        elif kind is RecordKind.ALARM:
            self._alarm(record, alarm_of(record))
        elif kind is RecordKind.NOTICE:
            self._notice(record)
        elif kind is RecordKind.SERVICE:
            body = json.loads(str(record.value))
            if isinstance(body, dict):
                self.service[record.subject] = body
        elif kind is RecordKind.PANEL_LOST:
            self.lost.setdefault(record.subject, record)
        elif kind is RecordKind.PANEL_RETURNED:
            self.lost.pop(record.subject, None)

    def _alarm(self, record: Record, move: AlarmMoved) -> None:
        found = self.activations.setdefault(record.subject, [])
        if move.activation and (not found or found[-1].number != move.activation):
            raised = move.happening == states.RAISED
            found.append(
                Activation(
                    record.subject, move.activation, str(move.details.get("priority") or ""),
                    str(move.details.get("title") or ""), record.at_us, record.utc_us,
                    record.at_us, str(move.details.get("follows") or ""),
                    covered=move.state in COVERED, silent=move.state in COVERED, old=not raised,
                )
            )  # fmt: skip
            if raised and move.state not in COVERED:
                self.raises_us.append(record.at_us)
        if not found:
            return
        now = found[-1]
        was_covered, now.covered = now.covered, move.state in COVERED
        now.unknown = record.quality is Quality.BAD
        now.latched = move.state in LATCHED
        if was_covered and not now.covered and now.ended_us is None:
            now.silent, now.since_us, now.acknowledged = False, record.at_us, ""
        if move.happening == states.ACKNOWLEDGED:
            now.acknowledged = str(move.details.get("actor") or "somebody")
        elif move.happening in (states.CLEARED, states.WITHDRAWN) and now.ended_us is None:
            now.ended_us, now.ended_utc_us = record.at_us, record.utc_us
            now.withdrawn = move.happening == states.WITHDRAWN
        elif move.state == states.State.NORMAL.value and now.ended_us is None:
            now.ended_us, now.ended_utc_us = record.at_us, record.utc_us

    def _notice(self, record: Record) -> None:
        notice, step = notice_of(record)
        told = self.of(notice.to)
        if step == SENT:
            told.failures = 0
            told.open, told.step = None, ""
            rest = {known: keys - notice.about.keys() for known, keys in told.doubtful.items()}
            told.doubtful = {k: keys for k, keys in rest.items() if keys and k != notice.id}
            for key, word in notice.about.items():
                told.about.setdefault(key, []).append((record.at_us, word))
                self.told_of[key] = self.told_of.get(key, 0) + 1
            if notice.day:
                told.days.add((notice.kind, notice.day))
            if notice.kind == ALARM:
                told.alarm_us, told.last_id = record.at_us, notice.id
                told.flood_us = record.at_us if notice.flood else told.flood_us
        elif step == GIVEN_UP:
            told.open, told.step = None, ""
        elif step in (WANTED, ATTEMPTED, FAILED):
            told.open, told.step = notice, step
            if step == ATTEMPTED:
                told.doubtful[notice.id] = frozenset({*notice.about, notice.day} - {""})
            elif step == FAILED:
                told.failures += 1
                told.failed_us = record.at_us
                if not notice.uncertain and not notice.may_be_repeat:
                    told.doubtful.pop(notice.id, None)

    # --- what is asked --------------------------------------------------------------------------

    def of(self, to: str) -> Told:
        """What was told in a way, ``person.way``."""
        return self.told.setdefault(to, Told())

    def last_word(self, to: str, one: Activation) -> str:
        """What was told of an activation last, in one way; empty if nothing."""
        words = self.words(to, one)
        return words[-1][1] if words else ""

    def words(self, to: str, one: Activation) -> list[tuple[int, str]]:
        """All that was told of an activation in one way, with the times."""
        told = self.told.get(to)
        found = told.about.get(one.key, []) if told is not None else []
        return [entry for entry in found if entry[0] >= one.since_us]

    def believed_standing(self, to: str, one: Activation) -> bool:
        """Whether somebody was told that it stands, and nothing since."""
        return self.last_word(to, one) in (STANDS, AGAIN)

    def all_activations(self) -> Iterator[Activation]:
        """Every activation known, by alarm and number."""
        for found in self.activations.values():
            yield from found

    def raised_within(self, subject: str, until_us: int, within_us: int) -> list[int]:
        """When an alarm was raised in a time that ends at an instant, which is included."""
        return [
            one.raised_us
            for one in self.activations.get(subject, ())
            if until_us - within_us < one.raised_us <= until_us and not one.old
        ]

    def flood_since(self, now_us: int, more: int, ends: int, within_us: int) -> int | None:
        """Since when there is a flood of alarms; None if there is none.

        Args:
            more: begins above so many in the time.
            ends: ends below so many.
        """
        since: int | None = None
        first = 0
        raises = self.raises_us
        for place, at_us in enumerate(raises):
            while raises[first] <= at_us - within_us:
                first += 1
            if since is not None and place - first < ends:
                since = None
            if since is None and place - first + 1 > more:
                since = at_us
        recent = sum(1 for at_us in raises[first:] if at_us > now_us - within_us)
        return None if recent < ends else since

    def forget(self, now_us: int) -> None:
        """Leave out what ended long ago, and after a day what nobody needs to be told any more."""
        doubtful = {
            key for told in self.told.values() for keys in told.doubtful.values() for key in keys
        }
        for found in self.activations.values():
            gone = [
                one
                for one in found[:-1]
                if one.raised_us < now_us - KEPT_US
                or (
                    one.raised_us < now_us - SETTLED_US
                    and (one.acknowledged or one.silent or self.told_of.get(one.key))
                    and one.key not in doubtful
                )
            ]
            for one in gone:
                found.remove(one)
                self.told_of.pop(one.key, None)
                for told in self.told.values():
                    told.about.pop(one.key, None)
        self.raises_us = [at_us for at_us in self.raises_us if at_us > now_us - SETTLED_US]
        for told in self.told.values():
            told.days = set(sorted(told.days, key=lambda sent: sent[1])[-MOST_DAYS:])
            for key, words in told.about.items():
                if "#" not in key:  # of a task of service only the last word is asked for
                    del words[:-1]
