"""What happened in the month before the live demo: a few faults, and the people who answered them.

Everything here is invented. The history begins with a plant day, and each fault has its day, by its
share of the history, so that a short one has them too, and its hour; people answer what the
collector really raised, when they would have been awake.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Trouble:
    """One fault of the history, and what people write about it.

    Args:
        share: of the history; the fault begins on the day there.
        hour: of that day.
        lasts_h: how long; None for good.
        fault, target, extras: as the simulator takes them.
        shows_at: equipment whose alarms it brings about.
        cause, action: what people found and did.
    """

    share: float
    hour: float
    lasts_h: float | None
    fault: str
    target: str
    extras: tuple[str, ...]
    shows_at: tuple[str, ...]
    cause: str
    action: str


TROUBLES = (
    Trouble(0.12, 12.9, 6.0, "pump_blocked", "collection_pump_2", ("to=0.2",),
            ("collection_pump_2", "collection"),
            "a rag in the impeller", "isolated and locked out, rag removed, pumped for a trial"),
    Trouble(0.23, 15.7, 0.67, "mains_failed", "meadow", (), ("meadow", "meadow_sump"),
            "the network operator's outage", "none; power came back after 40 minutes"),
    Trouble(0.34, 22.9, 8.8, "tripped", "blower_2", (), ("blower_2", "blowers"),
            "the overload relay of blower 2 opened in the night",
            "isolated, belt tightened, relay reset, current measured"),
    Trouble(0.45, 6.1, 2.0, "link_dead", "meadow", (), ("meadow",),
            "the radio at Lower Meadow hung", "radio switched off and on"),
    Trouble(0.5, 1.0, None, "pump_worn", "meadow_pump_1", ("to=0.72",), ("meadow_pump_1",),
            "worn impeller, by its trend", "spare impeller ordered, fitted at the next visit"),
    Trouble(0.56, 14.0, 19.0, "float_stuck", "collection.start_1", ("open",), ("collection",),
            "grease on the start-1 float", "lifted with the hook and washed, from outside"),
    Trouble(0.78, 3.7, 8.0, "dosing_tank_empty", "hypochlorite", (),
            ("hypochlorite", "contact_tank"),
            "the day tank was used up", "filled from a new drum, with gloves and goggles"),
    Trouble(0.9, 18.9, 0.6, "filter_cleaning_endless", "filter", (), ("filter",),
            "the suction hose had come off", "hose put back, one cleaning watched"),
)  # fmt: skip

WARDEN, ENGINEER = "J. Sallow", "M. Reed"
WANTS_AN_ANSWER = ("unacknowledged", "returned unacknowledged")


@dataclass(frozen=True, slots=True)
class Placed:
    """A trouble with its instants, as far as the history goes."""

    trouble: Trouble
    from_us: int
    to_us: int | None


def placed(begin_us: int, end_us: int) -> list[Placed]:
    """When each trouble of a history is there; those that do not fit are left out."""
    found = []
    for trouble in TROUBLES:
        day = int(trouble.share * (end_us - begin_us) / DAY_US)
        from_us = begin_us + day * DAY_US + round(trouble.hour * HOUR_US)
        if trouble.lasts_h is None:
            found.append(Placed(trouble, from_us, None))
        else:
            found.append(Placed(trouble, from_us, from_us + round(trouble.lasts_h * HOUR_US)))
    return [each for each in found if (each.to_us or each.from_us) < end_us - HOUR_US]


def tell_story(plant: OsierBend, troubles: Iterable[Placed]) -> None:
    """Put the faults of the history into the simulated plant."""
    for each in troubles:
        told = each.trouble
        plant.inject(told.fault, told.target, each.from_us, each.to_us, *told.extras)


class People:
    """Answers what the records tell, as its own records.

    Args:
        zone: of the plant; nobody gets up at night for an alarm that can wait.
        begin_us, end_us: the history, for the usual rounds in it.
        troubles: which they find the causes of.
    """

    def __init__(
        self, zone: ZoneInfo, begin_us: int, end_us: int, troubles: Iterable[Placed]
    ) -> None:
        self._zone = zone
        self._troubles = tuple(troubles)
        self._order = count()
        self._waiting: list[tuple[int, int, str, str, str, dict[str, Value]]] = []
        self._seen: set[tuple[str, int]] = set()
        self._low: list[tuple[str, int]] = []  # alarms of chemicals that run out as usual
        self._poured_l: dict[str, float] = {}
        for at_us, about, verb, by, details in self._rounds(begin_us, end_us):
            self._plan(at_us, about, verb, by, details)

    def hear(self, records: Iterable[Record]) -> None:
        """Take what was told, and plan the answers."""
        for record in records:
            if record.kind is not RecordKind.ALARM:
                continue
            moved = alarm_of(record)
            which = (record.subject, moved.activation)
            if which in self._seen or moved.state not in WANTS_AN_ANSWER:
                continue
            self._seen.add(which)
            high = moved.details.get("priority") == "high"
            seen_us = record.at_us + (7 if high else 25) * MINUTE_US
            seen_us = seen_us if high else self._awake_us(seen_us)
            self._plan(seen_us, record.subject, "acknowledge", ENGINEER if high else WARDEN, {})
            self._plan_note(record, moved.activation, seen_us)

    def _plan_note(self, record: Record, activation: int, seen_us: int) -> None:
        """What is found and done is written down an hour after the trouble is over."""
        equipment = record.subject.partition(".")[0]
        for each in self._troubles:
            ended_us = each.from_us + DAY_US if each.to_us is None else each.to_us
            if equipment in each.trouble.shows_at and each.from_us <= record.at_us and (
                each.to_us is None or record.at_us < ended_us + HOUR_US
            ):  # fmt: skip
                told: dict[str, Value] = {
                    "cause": each.trouble.cause, "corrective_action": each.trouble.action,
                    "activation": activation,
                }  # fmt: skip
                noted_us = self._awake_us(max(seen_us, ended_us) + HOUR_US)
                self._plan(noted_us, record.subject, "note", WARDEN, told)
                return
        if record.subject.partition(".")[2].startswith("dosing"):
            self._low.append((record.subject, activation))

    def pour(self, poured_l: Mapping[str, float], now_us: int) -> None:
        """Somebody may have filled a day tank; he writes it down a little later.

        Args:
            poured_l: up to now, in L, by dosing pump.
            now_us: plant time.
        """
        for name, total_l in poured_l.items():
            filled_l = total_l - self._poured_l.get(name, 0.0)
            if filled_l <= 0.0:
                continue
            self._poured_l[name] = total_l
            written_us = self._awake_us(now_us + 15 * MINUTE_US)
            entry: dict[str, Value] = {"volume_l": float(round(filled_l))}
            self._plan(written_us, name, "delivery", WARDEN, entry)
            for subject, activation in [each for each in self._low if each[0].startswith(name)]:
                self._low.remove((subject, activation))
                note: dict[str, Value] = {
                    "cause": "used up as usual", "corrective_action": "day tank filled to the brim",
                    "activation": activation,
                }  # fmt: skip
                self._plan(written_us + MINUTE_US, subject, "note", WARDEN, note)

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
        if number == 6:
            done: dict[str, Value] = {"task": "blower_intake_filter", "comment": "very dusty"}
            yield at_us, "blower_1", "work_done", ENGINEER, done
        elif number == 12:
            yield at_us, "clarifier", "work_done", WARDEN, {"task": "clarifier_scum"}
        elif number == 18:
            haul: dict[str, Value] = {"volume_m3": 6.0, "ticket": "OB-118"}
            yield at_us, "sludge_store", "haul", WARDEN, haul

    def _on(self, day: datetime, number: int) -> int:
        return instant_us(day + timedelta(days=number))
