"""What happened in the month before the live demo: a few faults, and the people who answered them.

Everything here is invented. Faults are placed by their share of the history, so that a short one
has them too; people answer what the collector really raised, when they would have been awake.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from itertools import count
from zoneinfo import ZoneInfo

from collector.core.alarms.wire import alarm_of
from collector.core.calendar import instant_us, local
from collector.core.records import ActionTaken, Record, RecordKind, Value
from simulator.plant import OsierBend

HOUR_US = 3_600_000_000
MINUTE_US = 60_000_000
DAY_US = 24 * HOUR_US

FAULTS: tuple[tuple[float, float, str, str, tuple[str, ...]], ...] = (
    (0.12, 6.0, "pump_blocked", "collection_pump_2", ("to=0.2",)),
    (0.23, 0.7, "mains_failed", "meadow", ()),
    (0.34, 9.0, "tripped", "blower_2", ()),
    (0.45, 2.0, "link_dead", "meadow", ()),
    (0.56, 20.0, "float_stuck", "collection.start_1", ("open",)),
    (0.78, 8.0, "dosing_tank_empty", "hypochlorite", ()),
    (0.90, 1.5, "filter_cleaning_endless", "filter", ()),
)
"""Share of the history at which it begins, hours it lasts, what, where, and options."""
WORN_FROM, WORN_TO = 0.5, "to=0.72"

WARDEN, ENGINEER = "J. Sallow", "M. Reed"
CAUSES: Mapping[str, tuple[str, str]] = {
    "pump_low_flow": ("a rag in the impeller", "pump isolated and locked out, cleared, tried"),
    "pump_needs_help": ("a rag in pump 2", "cleared, see the pump's own alarm"),
    "blower_fault": ("overload tripped in the night", "belt tightened, relay reset, current seen"),
    "no_standby": ("blower 2 had tripped", "see blower 2"),
    "mains_failed": ("the network operator's outage", "none, generator was on its way"),
    "panel_not_answering": ("the radio at Lower Meadow hung", "switched off and on"),
    "low_float_wrong": ("grease on the float", "washed from outside, lifted with the hook"),
    "cleaning_does_not_end": ("the vacuum hose had come off", "hose put back, cleaning tried"),
    "does_not_dose": ("the day tank was empty", "filled from a new drum with gloves and goggles"),
    "dosing_tank_low": ("use as usual", "filled up"),
}
"""By rule: what people found and did; other alarms are seen and left without a note."""


def tell_story(plant: OsierBend, begin_us: int, end_us: int) -> None:
    """Put the faults of the history into the simulated plant."""
    for share, hours, fault, target, extras in FAULTS:
        at_us = begin_us + round(share * (end_us - begin_us))
        until_us = min(at_us + round(hours * HOUR_US), end_us - MINUTE_US)
        if until_us > at_us:
            plant.inject(fault, target, at_us, until_us, *extras)
    worn_us = begin_us + round(WORN_FROM * (end_us - begin_us))
    plant.inject("pump_worn", "meadow_pump_1", worn_us, None, WORN_TO)


class People:
    """Answers what the records tell, as its own records.

    Args:
        zone: of the plant; nobody gets up at night for an alarm of low priority.
        begin_us, end_us: the history, for the usual rounds in it.
    """

    def __init__(self, zone: ZoneInfo, begin_us: int, end_us: int) -> None:
        self._zone = zone
        self._order = count()
        self._waiting: list[tuple[int, int, str, str, str, dict[str, Value]]] = []
        for at_us, about, verb, by, details in self._rounds(begin_us, end_us):
            self._plan(at_us, about, verb, by, details)

    def hear(self, records: Iterable[Record]) -> None:
        """Take what was told, and plan the answers."""
        for record in records:
            if record.kind is not RecordKind.ALARM:
                continue
            moved = alarm_of(record)
            rule = record.subject.rpartition(".")[2]
            if moved.happening == "raised" and moved.state == "unacknowledged":
                high = moved.details.get("priority") == "high"
                seen_us = record.at_us + (7 if high else 25) * MINUTE_US
                seen_us = seen_us if high else self._awake_us(seen_us)
                by = ENGINEER if high else WARDEN
                self._plan(seen_us, record.subject, "acknowledge", by, {})
            elif moved.happening == "cleared" and rule in CAUSES:
                cause, action = CAUSES[rule]
                told: dict[str, Value] = {
                    "cause": cause, "corrective_action": action, "activation": moved.activation,
                }  # fmt: skip
                noted_us = self._awake_us(record.at_us + 50 * MINUTE_US)
                self._plan(noted_us, record.subject, "note", WARDEN, told)

    def due(self, now_us: int) -> Iterator[ActionTaken]:
        """What they do up to now, as the collector is told."""
        while self._waiting and self._waiting[0][0] <= now_us:
            _, number, about, verb, by, details = heapq.heappop(self._waiting)
            said = local(now_us, self._zone).isoformat(timespec="seconds")
            told = {"id": f"story-{number}", "way": "command line", "said": said, **details}
            yield ActionTaken(about, verb, now_us, by, told)

    def _plan(self, at_us: int, about: str, verb: str, by: str, details: dict[str, Value]) -> None:
        heapq.heappush(self._waiting, (at_us, next(self._order), about, verb, by, details))

    def _awake_us(self, at_us: int) -> int:
        """The same instant by day, else half past seven of the morning after."""
        at = local(at_us, self._zone)
        if 7 <= at.hour < 22:
            return at_us
        morning = at.replace(hour=7, minute=30, second=0, microsecond=0)
        return instant_us(morning if at.hour < 7 else morning + timedelta(days=1))

    def _rounds(
        self, begin_us: int, end_us: int
    ) -> Iterator[tuple[int, str, str, str, dict[str, Value]]]:
        """The usual work: screens, readings, wasting, a haul, a delivery, service."""
        day = local(begin_us, self._zone).replace(hour=9, minute=10, second=0, microsecond=0)
        for number in count():
            at_us = self._on(day, number)
            if at_us >= end_us:
                return
            if at_us < begin_us:
                continue
            if number % 2 == 0:
                yield at_us, "inlet_screen", "screen_cleaned", WARDEN, {}
            if number % 3 == 1:
                yield at_us + 20 * MINUTE_US, "sludge_store", "wasting", WARDEN, {"volume_m3": 0.7}
            if number % 7 == 3:
                reading: dict[str, Value] = {"of": "residual", "value": 1.8, "unit": "mg/L"}
                yield at_us + 30 * MINUTE_US, "contact_tank", "reading", WARDEN, reading
            yield from self._once(number, at_us)

    def _once(
        self, number: int, at_us: int
    ) -> Iterator[tuple[int, str, str, str, dict[str, Value]]]:
        if number == 1:
            yield at_us, "coagulant", "delivery", WARDEN, {"volume_l": 80.0}
        elif number == 6:
            done: dict[str, Value] = {"task": "blower_intake_filter", "comment": "very dusty"}
            yield at_us, "blower_1", "work_done", ENGINEER, done
        elif number == 12:
            yield at_us, "clarifier", "work_done", WARDEN, {"task": "clarifier_scum"}
        elif number == 18:
            haul: dict[str, Value] = {"volume_m3": 6.0, "ticket": "OB-118"}
            yield at_us, "sludge_store", "haul", WARDEN, haul

    def _on(self, day: datetime, number: int) -> int:
        return instant_us(day + timedelta(days=number))
