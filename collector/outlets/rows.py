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

Measurement and tags are written by the library, which knows what to escape, once for all rows that
share them. Fields and stamp, which are new in each row, are written here just as it would.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, cast

from influxdb_client.client.write.point import Point

from collector.clock import MICROSECONDS
from collector.core.catalogue import NUMBER, Catalogue
from collector.core.own_points import own_point
from collector.core.records import AWAY, RECOMPUTED, Record, RecordKind, Value
from collector.plant.model import Plant
from collector.plant.registers import PointKind, point_kind
from collector.units import UNITS, Unit

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
NO_ROW = frozenset({RecordKind.CONFIGURATION, RecordKind.HEAD, RecordKind.NOTICE})
TOLD_BY_CODE = frozenset({
    RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED, RecordKind.CLOCK, RecordKind.FINDING,
    RecordKind.ALARM, RecordKind.ACTION, RecordKind.SERVICE,
})  # fmt: skip
LARGEST_STAMP_US = (1 << 63) // 1000 - 1  # stores keep nanoseconds in 64 bits
MOST_SERIES = 20_000
"""Series whose names are kept ready, half a kilobyte each; a plant has some hundreds."""
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
        self._series: dict[tuple[RecordKind, str, str], tuple[str, Unit]] = {}

    def line(self, record: Record) -> str | None:
        """The line of a record, or None where it has no place in a store.

        Raises:
            ValueError: no store can take it.
        """
        kind = record.kind
        if kind in NO_ROW:
            return None
        if not -LARGEST_STAMP_US <= record.utc_us <= LARGEST_STAMP_US:
            raise ValueError(f"an instant of {record.utc_us} µs since 1970 is beyond 64 bits of ns")
        line, unit = self._series_of(record)
        value, low, high = record.value, record.low, record.high
        if kind in TOLD_BY_CODE:
            value, low, high = _code(record), None, None
        bracket_us, stamp_us = record.at_us - record.after_us, record.utc_us
        # Fields stand in the order of their names.
        if kind is RecordKind.TOTAL:
            stamp_us -= bracket_us
        else:
            line += f"bracket_s={_plain(bracket_us / MICROSECONDS)},"
        if (text := _figure(high, unit)) is not None:
            line += f"high={text},"
        if (text := _figure(low, unit)) is not None:
            line += f"low={text},"
        line += f"number={_plain(float(record.sequence))},quality={record.quality:d}"
        if (text := _figure(value, unit)) is not None:
            line += f",value={text}"
        return f"{line} {stamp_us}"

    def _series_of(self, record: Record) -> tuple[str, Unit]:
        """What all rows of a series begin with, and the unit of their figures."""
        key = (record.kind, record.subject, self._variant(record))
        series = self._series.get(key)
        if series is None:
            if len(self._series) >= MOST_SERIES:
                self._series.clear()
            series = self._series[key] = self._new_series(record, key[2])
        return series

    def _variant(self, record: Record) -> str:
        """What beside kind and subject decides the series of a record."""
        kind = record.kind
        if kind is RecordKind.POINT:
            return self._kinds.get(record.subject) or _kind_by_value(record.value)
        if kind is RecordKind.TOTAL:
            return RECOMPUTED if record.recomputed else ""
        if kind is RecordKind.EVENT:
            return "" if record.value is None else "with a figure"
        return _told(record, "verb") if kind is RecordKind.ACTION else ""

    def _new_series(self, record: Record, variant: str) -> tuple[str, Unit]:
        unit = UNITS["s"] if record.kind is RecordKind.CLOCK else self._catalogue.unit_of(record)
        measurement, tags = self._place(record, variant)
        line: Any = new_line(measurement)
        for tag, text in tags.items():
            line.tag(tag, text)
        line.tag("plant", self._plant)
        if unit.code != NUMBER.code:
            line.tag("unit", unit.code)
        line.field("value", 0.0)  # without any field there is no line
        return str(line.to_line_protocol()).removesuffix("value=0"), unit

    def _place(self, record: Record, variant: str) -> tuple[str, dict[str, str]]:
        """Measurement and tags of a record."""
        kind, (first, _, second) = record.kind, record.subject.partition(".")
        if kind is RecordKind.POINT and own_point(record.subject) is not None:
            return "own", {"point": second}
        if kind is RecordKind.POINT:
            return variant, {"panel": first, "point": second}
        owner = "panel" if first in self._panels else "equipment"
        if kind is RecordKind.DERIVED:
            return owner, {owner: first, "quantity": second}
        if kind in (RecordKind.PANEL_LOST, RecordKind.PANEL_RETURNED):
            return "panel", {"panel": first, "quantity": "link"}
        if kind is RecordKind.TOTAL:
            quantity, _, period = second.partition(".")
            tags = {"equipment": first, "quantity": quantity, "period": period}
            return "total", {**tags, "origin": variant} if variant else tags
        if kind is RecordKind.FINDING:
            return "finding", {"equipment": first, "finding": second}
        if kind is RecordKind.ALARM:
            return "alarm", {"equipment": first, "rule": second}
        if kind is RecordKind.SERVICE:
            return "service", {"equipment": first, "task": second}
        if kind is RecordKind.ACTION:
            return "action", {"about": record.subject, "verb": variant}
        if kind is RecordKind.EVENT:
            return "event", {owner: first, "event": second}
        if kind is RecordKind.CLOCK:
            return "clock", {}
        return "collector", {"event": second}


def _code(record: Record) -> float | None:
    """The figure that says what a record without one is about."""
    if record.kind is RecordKind.PANEL_RETURNED:
        return STATE_CODES["up"]
    if record.kind is RecordKind.PANEL_LOST:
        return STATE_CODES["away" if record.reason == AWAY else "lost"]
    if record.kind is RecordKind.CLOCK:
        return None if record.low is None else record.low / MICROSECONDS
    if record.kind is RecordKind.FINDING:
        return float(record.value is not None)
    if record.kind is RecordKind.ACTION:
        return float(not _told(record, "refused"))
    codes = ALARM_CODES if record.kind is RecordKind.ALARM else SERVICE_CODES
    return codes.get(_told(record, "state"))


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


def _figure(value: Value, unit: Unit) -> str | None:
    """A value of the journal as text in its unit, or None where it is unknown, not finite, or a
    word without a code; 15 digits, as ``tidy`` keeps them."""
    if isinstance(value, str):
        value, unit = STATE_CODES.get(value), NUMBER
    if value is None:
        return None
    try:
        plain = unit is NUMBER or isinstance(value, bool)
        figure = float(value) if plain else unit.from_si(value)
    except OverflowError:
        raise ValueError(f"the figure {value} is beyond a double") from None
    text = f"{figure:.15g}"
    if "e" in text:  # the library's exponents begin at 1e16
        figure = float(text)
        text = _plain(figure)
    return text if math.isfinite(figure) else None


def _plain(figure: float) -> str:
    """A finite figure as the library writes it: as Python does, whole numbers without ``.0``."""
    return repr(figure).removesuffix(".0")
