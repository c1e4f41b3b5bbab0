"""A small plant and records about it, for the tests of the outlets. All of it is invented."""

from __future__ import annotations

from itertools import cycle, islice

from collector.core.records import AWAY, LINK_LOST, Quality, Record, RecordKind
from collector.plant.model import Plant

NOON_US = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z, checked in test_topics.py

ALARM = (
    '{"state":"acknowledged","happening":"acknowledged","activation":3,"priority":"high",'
    '"title":"Sump: level is high","actor":"warden"}'
)
ACTION = (
    '{"verb":"acknowledge","actor":"warden","id":"a1","way":"mqtt","said":"2026-03-01T12:00:00Z"}'
)
SERVICE = '{"state":"due soon","title":"Grease the bearings","used":180.5,"unit":"h"}'
HEAD = '{"day":"2026-02-28","number":12,"hash":"00ff","signature":"AA==","key":"0123"}'


def sample_plant() -> Plant:
    """One panel with a point of every kind, a well and a pump."""
    return Plant.model_validate(
        {
            "plant": {"name": "osier_bend", "title": "Osier Bend", "time_zone": "Europe/Dublin"},
            "links": {"lan": {"kind": "tcp", "host": "127.0.0.1", "port": 1502}},
            "panels": {
                "works": {
                    "link": "lan",
                    "points": {
                        "p1_run": {"table": "discrete-input", "address": 0},
                        "float_start": {"table": "discrete-input", "address": 1},
                        "level": {"table": "input-register", "address": 0, "unit": "cm"},
                        "hours": {
                            "table": "input-register",
                            "address": 1,
                            "unit": "h",
                            "counter": {"modulus": 65536},
                        },
                        "mode": {
                            "table": "holding-register",
                            "address": 5,
                            "states": {0: "off", 1: "hand", 2: "auto"},
                        },
                    },
                }
            },
            "equipment": {
                "sump": {
                    "kind": "well",
                    "title": "Sump",
                    "plan_area_m2": 1.2,
                    "floats": {"start_1": {"point": "works.float_start", "makes_at_m": 0.9}},
                },
                "pump_1": {"kind": "pump", "title": "Pump", "well": "sump", "run": "works.p1_run"},
            },
        }
    )


def record(
    kind: RecordKind,
    subject: str,
    at_us: int = NOON_US,
    value: bool | int | float | str | None = None,
    quality: Quality = Quality.GOOD,
    reason: str = "",
    low: float | None = None,
    high: float | None = None,
    bracket_us: int = 1_000_000,
    sequence: int = 0,
) -> Record:
    """A record whose wall time is its plant time."""
    return Record(
        kind, subject, at_us, at_us, at_us - bracket_us, value, quality, reason, low, high, sequence
    )


def one_of_each(at_us: int = NOON_US) -> list[Record]:
    """A record of every kind and shape that occurs."""
    kinds = RecordKind
    return [
        record(kinds.POINT, "works.p1_run", at_us, True),
        record(kinds.POINT, "works.float_start", at_us, None, Quality.BAD, LINK_LOST),
        record(kinds.POINT, "works.level", at_us, 0.875),
        record(kinds.POINT, "works.hours", at_us, 36_000.0),
        record(kinds.POINT, "works.mode", at_us, 2),
        record(kinds.DERIVED, "pump_1.state", at_us, "running"),
        record(kinds.DERIVED, "pump_1.run_hours", at_us, 5400.0, low=5398.5, high=5401.5),
        record(kinds.DERIVED, "sump.level_band", at_us, "above start_1", low=0.9, high=None),
        record(kinds.DERIVED, "works.link_state", at_us, "up"),
        record(kinds.DERIVED, "works.link_availability", at_us, 0.9975),
        record(kinds.PANEL_LOST, "works", at_us, None, Quality.BAD, LINK_LOST),
        record(kinds.PANEL_LOST, "works", at_us, None, Quality.BAD, AWAY),
        record(kinds.PANEL_RETURNED, "works", at_us),
        record(kinds.EVENT, "pump_1.started", at_us),
        record(kinds.EVENT, "pump_1.stopped", at_us, 90.5),
        record(kinds.EVENT, "works.link_lost", at_us, reason=LINK_LOST),
        record(
            kinds.TOTAL,
            "pump_1.run_hours.day",
            at_us,
            5400.0,
            low=5398.5,
            high=5401.5,
            bracket_us=86_400_000_000,
        ),
        record(
            kinds.TOTAL,
            "pump_1.starts.hour",
            at_us,
            3.0,
            Quality.UNCERTAIN,
            "98.2 % of the period known",
            low=3.0,
            bracket_us=3_600_000_000,
        ),
        record(
            kinds.TOTAL,
            "pump_1.run_hours.month",
            at_us,
            5400.0,
            Quality.GOOD,
            "recomputed with plant file 0123abcd",
            bracket_us=30 * 86_400_000_000,
        ),
        record(kinds.FINDING, "pump_1.worn", at_us, "gives 15 % less than its curve"),
        record(kinds.FINDING, "pump_1.worn", at_us),
        record(kinds.POINT, "collector.disk_short", at_us, False),
        record(kinds.POINT, "collector.mqtt_behind", at_us, 3_600.5),
        record(kinds.ALARM, "sump.high_level", at_us, ALARM),
        record(kinds.SERVICE, "pump_1.grease", at_us, SERVICE),
        record(kinds.ACTION, "sump.high_level", at_us, ACTION),
        record(kinds.ACTION, "plant", at_us, ACTION),
        record(kinds.HEAD, "record", at_us, HEAD),
        record(kinds.CLOCK, "clock", at_us, 3_600_000_000, low=3.6e9),
        record(kinds.COLLECTOR, "collector.started", at_us, "0.1.0"),
        record(kinds.CONFIGURATION, "plant", at_us, "0123abcd"),
    ]


def busy_records(count: int, at_us: int = NOON_US) -> list[Record]:
    """Contact changes, readings and events as a plant makes them, 50 ms apart."""
    shapes = cycle(range(4))
    found = []
    for index, shape in enumerate(islice(shapes, count)):
        when_us = at_us + 50_000 * index
        if shape == 0:
            found.append(record(RecordKind.POINT, "works.p1_run", when_us, index % 8 == 0))
        elif shape == 1:
            found.append(record(RecordKind.POINT, "works.level", when_us, 0.5 + index % 100 / 1000))
        elif shape == 2:
            found.append(record(RecordKind.DERIVED, "pump_1.starts", when_us, float(index)))
        else:
            found.append(record(RecordKind.EVENT, "pump_1.started", when_us))
    return found
