"""Our MQTT topics and payloads, in one place; ``asyncapi.yaml`` describes them for other people.

Below ``<root>/<plant>/``:

===================================================  ========  =====================================
topic                                                retained  what
===================================================  ========  =====================================
``now/point/<panel>/<point>``                        yes       a point as it is
``now/equipment/<equipment>/<quantity>``             yes       a derived quantity as it is
``now/panel/<panel>``                                yes       whether the panel answers
``now/panel/<panel>/<quantity>``                     yes       a derived quantity of a panel
``now/total/<equipment>/<quantity>/<period>``        yes       what the last whole hour, plant day
                                                               or month saw
``now/finding/<equipment>/<finding>``                yes       a diagnosis in words, or its end
``now/alarm/<equipment>/<rule>``                     yes       the state of an alarm
``now/service/<equipment>/<task>``                   yes       whether a task of service is due
``now/collector/<point>``                            yes       what the collector says of itself
``now/head``                                         yes       the signed head of the audited record
``event/equipment/<equipment>/<event>``              no        something happened to equipment
``event/panel/<panel>/<event>``                      no        something happened to a panel's link
``event/clock``                                      no        the wall clock was stepped
``event/collector/<event>``                          no        we began, stopped, reread our files
``event/action/<about>``,                            no        somebody did something about the
``event/action/<equipment>/<rule>``                            plant, equipment or an alarm
``recomputed/<equipment>/<quantity>/<period>``       no        a total of the past derived again
``late/point/...``, ``late/equipment/...``,          no        the same, when newer news was out
``late/panel/...``, ``late/event/...`` and so on               already (after an outage)
``collector``                                        yes       our presence; lost by will
``action/<actor>``                                   taken     what somebody does, if switched on
``answer/<actor>``                                   no        what became of it
===================================================  ========  =====================================

So what is retained never goes back in time, and who wants every record takes ``late`` as well and
drops repeats by ``journal`` and ``number``. Configuration records stay in the journal. What has
left the plant file has no present: an empty message clears its topic (MQTT 5.0, 3.3.1.3).

Who keeps the retained heads has a witness that the collector cannot change afterwards.

A payload never holds NaN or infinity (RFC 8259, section 6, has neither): such a figure is unknown.
Instants are RFC 3339 in UTC to the microsecond.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from collector.clock import MICROSECONDS
from collector.core.catalogue import Catalogue, Shown
from collector.core.own_points import own_point
from collector.core.records import AWAY, Quality, Record, RecordKind, Value
from collector.plant.model import Plant
from collector.units import UNITS

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
LEVEL = re.compile(r"[a-z][a-z0-9_]*")
NO_FIGURE = "no finite figure"

# What the begin of a record's bracket is called, where it is not that of a change.
BEGINS = {RecordKind.TOTAL: "begin", RecordKind.FINDING: "since"}
UP, LOST, GONE = "up", "lost", "away"
TOLD_AS_JSON = frozenset({RecordKind.ALARM, RecordKind.ACTION, RecordKind.HEAD, RecordKind.SERVICE})


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message, ready to be sent."""

    topic: str
    payload: bytes
    retain: bool


class Topics:
    """Turns records of one plant into messages.

    Args:
        root: first topic level, from the settings.
        plant: the plant, for its name and its panels.
        catalogue: units and state words.
        journal_id: identity of the journal whose numbers are told.
        alarms: subjects of the rules in force; None takes every alarm for one of them.
    """

    def __init__(
        self,
        root: str,
        plant: Plant,
        catalogue: Catalogue,
        journal_id: str,
        alarms: Collection[str] | None = None,
    ) -> None:
        self._alarms = None if alarms is None else frozenset(alarms)
        self._trunk = f"{root}/{plant.plant.name}"
        self._panels = frozenset(plant.panels)
        self._owners = self._panels | frozenset(plant.equipment)
        self._points = frozenset(
            f"{name}.{point}" for name, panel in plant.panels.items() for point in panel.points
        )
        self._catalogue = catalogue
        self._journal_id = journal_id

    def state_tail(self, record: Record) -> str | None:
        """Topic of a record of state below ``now`` or ``late``, or None for any other record.

        Raises:
            ValueError: its subject cannot be a topic.
        """
        if record.kind is RecordKind.POINT:
            own = "" if own_point(record.subject) is not None else "point/"
            return own + _levels(record.subject, 2)
        if record.kind is RecordKind.DERIVED:
            return self._owner(record.subject) + _levels(record.subject, 2)
        if record.kind in (RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED):
            return "panel/" + _levels(record.subject, 1)
        if record.kind is RecordKind.TOTAL and not record.recomputed:
            return "total/" + _levels(record.subject, 3)
        if record.kind is RecordKind.FINDING:
            return "finding/" + _levels(record.subject, 2)
        if record.kind is RecordKind.ALARM:
            return "alarm/" + _levels(record.subject, 2)
        if record.kind is RecordKind.SERVICE:
            return "service/" + _levels(record.subject, 2)
        return "head" if record.kind is RecordKind.HEAD else None

    def event_tail(self, record: Record) -> str | None:
        """Topic of an event, or None for any other record.

        Raises:
            ValueError: its subject cannot be a topic.
        """
        if record.kind is RecordKind.EVENT:
            return "event/" + self._owner(record.subject) + _levels(record.subject, 2)
        if record.kind is RecordKind.CLOCK:
            return "event/clock"
        if record.kind is RecordKind.ACTION:
            return "event/action/" + _levels(record.subject, 1 + record.subject.count("."))
        if record.kind is RecordKind.COLLECTOR:
            return "event/" + _levels(record.subject, 2)
        if record.kind is RecordKind.TOTAL:
            return "recomputed/" + _levels(record.subject, 3)
        return None

    def now(self, record: Record, tail: str) -> Message:
        """The message that makes a record the retained state of its subject."""
        return Message(f"{self._trunk}/now/{tail}", self._payload(record, always=True), True)

    def has_present(self, record: Record) -> bool:
        """Whether the plant file in force still has what a record of state is about."""
        if record.kind is RecordKind.HEAD:
            return True
        if record.kind is RecordKind.POINT:
            return record.subject in self._points or own_point(record.subject) is not None
        if record.kind is RecordKind.ALARM and self._alarms is not None:
            return record.subject in self._alarms
        return record.subject.partition(".")[0] in self._owners

    def cleared(self, tail: str) -> Message:
        """The message by which a broker forgets the retained state below a topic."""
        return Message(f"{self._trunk}/now/{tail}", b"", True)

    def late_state(self, record: Record, tail: str) -> Message:
        """The message of a state that is already history."""
        return Message(f"{self._trunk}/late/{tail}", self._payload(record, always=True), False)

    def event(self, record: Record, tail: str, late: bool) -> Message:
        """The message of an event."""
        when = "late/" if late else ""
        return Message(f"{self._trunk}/{when}{tail}", self._payload(record, always=False), False)

    def presence(self, state: str, connected_utc_us: int) -> Message:
        """What is retained about ourselves: ``present``, ``stopped``, or ``lost`` by will."""
        body = {
            "state": state,
            "connected": rfc3339(connected_utc_us),
            "journal": self._journal_id,
        }
        return Message(f"{self._trunk}/collector", _compact(body), True)

    def answer(self, actor: str, body: Mapping[str, object]) -> Message:
        """What became of an action that came over the broker."""
        text = {**body, "journal": self._journal_id}
        return Message(f"{self._trunk}/answer/{actor}", _compact(text), False)

    @property
    def actions(self) -> str:
        """Filter of the topics on which actions come; the last level is who speaks."""
        return f"{self._trunk}/action/+"

    def _owner(self, subject: str) -> str:
        return "panel/" if subject.partition(".")[0] in self._panels else "equipment/"

    def _shown(self, record: Record) -> Shown:
        if record.kind is not RecordKind.CLOCK:
            return self._catalogue.shown(record)
        step_s = None if record.low is None else record.low / MICROSECONDS
        return Shown(step_s, None, None, UNITS["s"])

    def _payload(self, record: Record, *, always: bool) -> bytes:
        """JSON of a record; without ``always`` a missing value and its unit are left out."""
        if record.kind in TOLD_AS_JSON:
            return self._own_words(record)
        shown = self._shown(record)
        value, quality, reason = tidy(shown.value), record.quality, record.reason
        if record.kind is RecordKind.PANEL_RETURNED:
            value = UP
        elif record.kind is RecordKind.PANEL_LOST:
            value = GONE if record.reason == AWAY else LOST
        elif value is None and shown.value is not None:
            quality, reason = Quality.BAD, reason or NO_FIGURE
        body: dict[str, object] = {}
        if always or value is not None:
            body["value"] = value
            body["unit"] = shown.unit.code
        if shown.word is not None:
            body["word"] = shown.word
        for name, bound in (("low", tidy(shown.low)), ("high", tidy(shown.high))):
            if bound is not None:
                body[name] = bound
        body["quality"] = quality.word
        if reason:
            body["reason"] = reason
        begin = BEGINS.get(record.kind, "not_before")
        return _compact({**body, **self._dated(record, begin)})

    def _own_words(self, record: Record) -> bytes:
        """JSON of a record whose value is a JSON object itself."""
        told = _object_in(record)
        if record.kind is RecordKind.HEAD:
            return _compact({"head": told, **self._dated(record)})
        if record.kind is RecordKind.ACTION:
            return _compact({"about": record.subject, **told, **self._dated(record)})
        body = {**told, "quality": record.quality.word}
        return _compact({**body, **self._dated(record, "not_before")})

    def _dated(self, record: Record, begin: str | None = None) -> dict[str, object]:
        """When a record was known, since when it may have been so, and which record it is."""
        body: dict[str, object] = {"at": rfc3339(record.utc_us)}
        if begin is not None:
            body[begin] = rfc3339(record.utc_us - (record.at_us - record.after_us))
        return {**body, "number": record.sequence, "journal": self._journal_id}


def _object_in(record: Record) -> dict[str, object]:
    try:
        found = json.loads(record.value) if isinstance(record.value, str) else None
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise ValueError(f"the {record.kind.word} record of '{record.subject}' holds no object")
    return found


def tidy(value: Value) -> Value:
    """A value fit to be told: no NaN, no infinity, and no noise of unit conversion.

    Figures keep 15 significant digits, which every decimal of that length survives in a double
    (IEEE 754 binary64: 15.95 decimal digits).
    """
    if isinstance(value, float):
        return float(f"{value:.15g}") if math.isfinite(value) else None
    return value


def rfc3339(utc_us: int) -> str:
    """An instant as RFC 3339 text in UTC, always with six decimals.

    Raises:
        ValueError: the instant lies outside the years 1 to 9999.
    """
    try:
        instant = EPOCH + timedelta(microseconds=utc_us)
    except OverflowError:
        raise ValueError(f"an instant of {utc_us} µs since 1970 has no date") from None
    return instant.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def _levels(subject: str, count: int) -> str:
    parts = subject.split(".")
    if len(parts) != count or not all(LEVEL.fullmatch(part) for part in parts):
        raise ValueError(f"the subject '{subject}' cannot be a topic")
    return "/".join(parts)


# Made once: making one takes longer than most payloads.
_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _compact(body: Mapping[str, object]) -> bytes:
    return _ENCODER.encode(body).encode()
