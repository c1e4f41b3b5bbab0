"""What stands in the time-series store, in one table. The names are stable.

===============  ==================================  ===============================================
measurement      tags (beside ``plant``, ``unit``)   ``value``
===============  ==================================  ===============================================
``contact``      ``panel``, ``point``                1 made, 0 not made
``reading``      ``panel``, ``point``                the figure, in ``unit``
``counter``      ``panel``, ``point``                the figure, in ``unit``
``enumeration``  ``panel``, ``point``                the number the panel gives
``equipment``    ``equipment``, ``quantity``         the figure, in ``unit``; a state by its code
``panel``        ``panel``, ``quantity``             the same; ``quantity`` "link": 1 up, 0 lost, 2
                                                     away
``total``        ``equipment``, ``quantity``,        what an hour, plant day or month saw, in
                 ``period``                          ``unit``; stamped with its begin
``finding``      ``equipment``, ``finding``          1 the diagnosis holds, 0 it has ceased
``event``        ``equipment`` or ``panel``,         the figure that belongs to it, if any, in
                 ``event``                           ``unit``
``clock``                                            step of the wall clock, s
``collector``    ``event``                           none
``own``          ``point``                           what the collector says of itself: 1 yes, 0
                                                     no, or a figure in ``unit``
``alarm``        ``equipment``, ``rule``             its state by its code (``ALARM_CODES``)
``service``      ``equipment``, ``task``             its state by its code (``SERVICE_CODES``)
``action``       ``about``, ``verb``                 1 it was accepted, 0 it was refused
===============  ==================================  ===============================================

Further fields: ``low`` and ``high`` bound the value, ``quality`` is 0 good, 1 uncertain, 2 bad,
``number`` is the record's number in the journal, ``bracket_s`` the time before the stamp during
which the change may have happened (of a finding, since when it holds; a total has none). A total of
the past that was derived again has the tag ``origin`` "recomputed".

All fields are floats, because typed stores refuse a column that is now an integer and now a float,
and some stores turn text into 0. State words are therefore codes (``STATE_CODES``); a word without
a code, like a band of levels, has its bounds only. An unknown value has no ``value`` field: it is
never 0. The tag ``unit`` (UCUM) is left out where the unit is 1. Configuration records and signed
heads stay in the journal. Stamps are UTC in microseconds.

Written a second time, a row has the same tags, stamp and fields, so that a repeat changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, cast

from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.clock import MICROSECONDS
from collector.core.catalogue import Catalogue, Shown
from collector.core.own_points import own_point
from collector.core.records import AWAY, RECOMPUTED, Record, RecordKind, Value
from collector.outlets.topics import tidy
from collector.plant.model import Plant
from collector.plant.registers import PointKind, point_kind
from collector.units import UNITS

STATE_CODES: dict[str, float] = {
    "stopped": 0.0,
    "running": 1.0,
    "lost": 0.0,
    "up": 1.0,
    "away": 2.0,
    "not watched": 3.0,
}
ALARM_CODES: dict[str, float] = {
    "normal": 0.0,
    "unacknowledged": 1.0,
    "acknowledged": 2.0,
    "returned unacknowledged": 3.0,
    "latched unacknowledged": 4.0,
    "latched acknowledged": 5.0,
    "shelved": 6.0,
    "suppressed by design": 7.0,
    "out of service": 8.0,
}
SERVICE_CODES: dict[str, float] = {"not due": 0.0, "due soon": 1.0, "due": 2.0, "overdue": 3.0}
LARGEST_STAMP_US = (1 << 63) // 1000 - 1  # stores keep nanoseconds in 64 bits
new_line = cast(Callable[[str], Any], Point)  # the library has no annotations


class Rows:
    """Turns records of one plant into lines of the line protocol."""

    def __init__(self, plant: Plant, catalogue: Catalogue) -> None:
        self._plant = plant.plant.name
        self._catalogue = catalogue
        self._panels = frozenset(plant.panels)
        self._kinds: dict[str, PointKind] = {
            f"{panel_name}.{point_name}": point_kind(point)
            for panel_name, panel in plant.panels.items()
            for point_name, point in panel.points.items()
        }

    def line(self, record: Record) -> str | None:
        """The line of a record, or None where it has no place in a store.

        Raises:
            ValueError: no store can take it.
        """
        place = self._place(record)
        if place is None:
            return None
        if not -LARGEST_STAMP_US <= record.utc_us <= LARGEST_STAMP_US:
            raise ValueError(f"an instant of {record.utc_us} µs since 1970 is beyond 64 bits of ns")
        measurement, tags = place
        shown = self._shown(record)
        line: Any = new_line(measurement)
        for tag, text in tags.items():
            line.tag(tag, text)
        line.tag("plant", self._plant)
        if shown.unit.code != "1":
            line.tag("unit", shown.unit.code)
        for field, value in (("value", shown.value), ("low", shown.low), ("high", shown.high)):
            line.field(field, _figure(value))  # None is left out
        line.field("quality", float(record.quality))
        line.field("number", float(record.sequence))
        bracket_us, stamp_us = record.at_us - record.after_us, record.utc_us
        if record.kind is RecordKind.TOTAL:
            stamp_us -= bracket_us
        else:
            line.field("bracket_s", bracket_us / MICROSECONDS)
        return str(line.time(stamp_us, WritePrecision.US).to_line_protocol())

    def _place(self, record: Record) -> tuple[str, dict[str, str]] | None:
        """Measurement and tags of a record."""
        kind, (first, _, second) = record.kind, record.subject.partition(".")
        if kind is RecordKind.POINT and own_point(record.subject) is not None:
            return "own", {"point": second}
        if kind is RecordKind.POINT:
            measurement = self._kinds.get(record.subject) or _kind_by_value(record.value)
            return measurement, {"panel": first, "point": second}
        owner = "panel" if first in self._panels else "equipment"
        if kind is RecordKind.DERIVED:
            return owner, {owner: first, "quantity": second}
        if kind in (RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED):
            return "panel", {"panel": first, "quantity": "link"}
        if kind is RecordKind.TOTAL:
            quantity, _, period = second.partition(".")
            tags = {"equipment": first, "quantity": quantity, "period": period}
            return "total", {**tags, "origin": RECOMPUTED} if record.recomputed else tags
        if kind is RecordKind.FINDING:
            return "finding", {"equipment": first, "finding": second}
        if kind is RecordKind.ALARM:
            return "alarm", {"equipment": first, "rule": second}
        if kind is RecordKind.SERVICE:
            return "service", {"equipment": first, "task": second}
        if kind is RecordKind.ACTION:
            return "action", {"about": record.subject, "verb": _told(record, "verb")}
        if kind is RecordKind.EVENT:
            return "event", {owner: first, "event": second}
        if kind is RecordKind.CLOCK:
            return "clock", {}
        if kind is RecordKind.COLLECTOR:
            return "collector", {"event": second}
        return None

    def _shown(self, record: Record) -> Shown:
        if record.kind is RecordKind.CLOCK:
            step_s = None if record.low is None else record.low / MICROSECONDS
            return Shown(step_s, None, None, UNITS["s"])
        if record.kind is RecordKind.FINDING:
            return Shown(float(record.value is not None), None, None, UNITS["1"])
        if record.kind is RecordKind.ALARM:
            return Shown(ALARM_CODES.get(_told(record, "state")), None, None, UNITS["1"])
        if record.kind is RecordKind.SERVICE:
            return Shown(SERVICE_CODES.get(_told(record, "state")), None, None, UNITS["1"])
        if record.kind is RecordKind.ACTION:
            return Shown(float(not _told(record, "refused")), None, None, UNITS["1"])
        if record.kind is RecordKind.PANEL_RETURNED:
            return Shown("up", None, None, UNITS["1"])
        if record.kind is RecordKind.PANEL_LOST:
            return Shown("away" if record.reason == AWAY else "lost", None, None, UNITS["1"])
        return self._catalogue.shown(record)


def _told(record: Record, name: str) -> str:
    """What the JSON object of a record says under a name; empty where it says nothing."""
    try:
        return str(json.loads(str(record.value)).get(name, ""))
    except (ValueError, AttributeError):
        raise ValueError(f"the {record.kind.word} record holds no object") from None


def _kind_by_value(value: Value) -> PointKind:
    """What a point was that the plant file in force no longer has."""
    if isinstance(value, bool):
        return "contact"
    return "enumeration" if isinstance(value, int) else "reading"


def _figure(value: Value) -> float | None:
    """A value as a finite float, or None where it is unknown or a word without a code."""
    if isinstance(value, str):
        return STATE_CODES.get(value)
    try:
        figure = tidy(float(value)) if value is not None else None
    except OverflowError:
        raise ValueError(f"the figure {value} is beyond a double") from None
    return figure if isinstance(figure, float) else None
