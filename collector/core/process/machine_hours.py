"""Run hours of the machine that is there now, when machines are replaced.

A run contact counts for the place, not for the machine in it. From an entry ``replaced`` on, the
hours are those of the new machine:

    hours = its own figure when it came + run hours of the place since

and those of the old one end there. Each figure says by its reason which machine it is about, so
that the last one about an old machine is what it had come to. A serial number in the plant file
counts as such an entry with no own figure, from when it was first seen.

When a machine was replaced in the past is known to the moment, but not what had been counted by
then: that lies between the readings kept before and after it, one a day. Where a machine's own
figure was not entered its hours have no upper bound.
"""

from __future__ import annotations

import json
from collections import deque
from dataclasses import astuple, dataclass
from typing import Any

from collector.core.component import Saved
from collector.core.logbook import Entry
from collector.core.process.telling import Told
from collector.core.records import Derived, Output, PointChanged, Quality
from collector.core.runs import RunMeter
from collector.core.service.use import Figure, between
from collector.plant.equipment import Machine

DAY_US = 86_400_000_000
HOUR_S = 3_600.0
DAYS_KEPT = 62
MACHINE = "machine "
"""Begin of the reason of every figure, before the serial number."""
NOT_ENTERED = "; its own figure was not entered"
BEFORE_WATCHING = "; it came before watching began"
NOTHING = Figure(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Stay:
    """One machine in its place.

    Args:
        id: of the entry; empty for a serial number of the plant file.
        serial: its serial number.
        came_us: plant time at which it was put there.
        own_s: its own figure then; None where nobody entered it.
        base: run time of the place then.
    """

    id: str
    serial: str
    came_us: int
    own_s: float | None
    base: Figure


class MachineHours:
    """The machines in one place.

    Args:
        name, part: from the plant file.
        runs: the run meter of the place, which is told of everything before this is.
        start_us: plant time at which watching begins.
    """

    def __init__(self, name: str, part: Machine, runs: RunMeter, start_us: int) -> None:
        self.name = f"{name}.machine"
        self.equipment = name
        self.points = (part.run,)
        self._runs = runs
        self._began_us = start_us
        self._serial = part.serial_number
        self._filed = [] if self._serial is None else [Stay("", self._serial, start_us, None,
                                                            NOTHING)]  # fmt: skip
        self._entered: list[Stay] = []
        self._marks: deque[tuple[int, Figure]] = deque([(start_us, NOTHING)], maxlen=DAYS_KEPT)
        self._next_day_us = (start_us // DAY_US + 1) * DAY_US
        self._ended: dict[str, list[float | None]] = {}
        self._told = Told()

    # --- what comes in --------------------------------------------------------------------------

    def entries_stand(self, entries: list[Entry], at_us: int) -> list[Output]:
        """Go through all replacements; what is known of one that is as it was stays known."""
        known = {(stay.id, stay.came_us): stay for stay in self._entered}
        before = self._entered
        self._entered = []
        for entry in entries:
            if entry.verb != "replaced":
                continue
            stay = known.get((entry.id, entry.done_us))
            base = self._figure_at(entry.done_us, at_us) if stay is None else stay.base
            own_h = entry.figure("meter_reading")
            own_s = None if own_h is None else own_h * HOUR_S
            serial = str(entry.details.get("serial_number", ""))
            self._entered.append(Stay(entry.id, serial, entry.done_us, own_s, base))
        return self._tell(at_us, at_us) if self._entered != before else []

    def point_changed(self, change: PointChanged) -> list[Output]:
        """The run meter counts."""
        del change
        return []

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        """The run meter takes it into account."""
        del panel, reason, last_good_us, by_us
        return []

    def returned(self, panel: str, by_us: int) -> list[Output]:
        """The run meter takes it into account."""
        del panel, by_us
        return []

    def report(self, at_us: int, known_us: int) -> list[Output]:
        """Hours that grow."""
        return self._tell(at_us, known_us)

    def deadline_us(self) -> int:
        """The end of the day, when a reading is kept."""
        return self._next_day_us

    def wake(self, at_us: int) -> list[Output]:
        """Keep a reading; look whether the plant file has another machine than it had."""
        self._next_day_us = (at_us // DAY_US + 1) * DAY_US
        now = self._reading(at_us)
        self._marks.append((at_us, now))
        newest = self._filed[-1].serial if self._filed else None
        if self._serial is not None and self._serial != newest:
            self._filed.append(Stay("", self._serial, at_us, None, now))
        return []

    # --- what follows ---------------------------------------------------------------------------

    def _stays(self) -> list[Stay]:
        """The machines in order; of one that was entered the plant file need not tell."""
        entered = {stay.serial for stay in self._entered}
        filed = [stay for stay in self._filed if stay.serial not in entered]
        return sorted([*filed, *self._entered], key=lambda stay: stay.came_us)

    def _tell(self, at_us: int, known_us: int) -> list[Output]:
        stays = self._stays()
        found: list[Output] = []
        for place, stay in enumerate(stays[:-1]):
            figure = self._figure(stay, stays[place + 1].base, at_us)
            key = f"{stay.id} {stay.serial}"
            told = [_number(figure.value), figure.low, figure.high]
            if self._ended.get(key) != told:
                self._ended[key] = told
                found.append(figure)
        if not stays:
            return found
        if found:  # the present machine's figure stands last
            self._told = Told()
        known, now = self._reading(known_us), self._reading(at_us)
        reached = Figure(known.value, known.low, max(known.high, now.high))
        step = 0.0 if found else HOUR_S
        return found + self._told.news(self._figure(stays[-1], reached, at_us), step)

    def _figure(self, stay: Stay, reached: Figure, at_us: int) -> Derived:
        """The hours of a machine when the place had come to a figure."""
        ran, own_s = reached.since(stay.base), stay.own_s or 0.0
        why = NOT_ENTERED if stay.own_s is None else ""
        if stay.own_s is not None and stay.came_us < self._began_us:
            why = BEFORE_WATCHING
        sure = not why and ran.high - ran.low <= HOUR_S
        return Derived(
            f"{self.equipment}.machine_hours", own_s + ran.value,
            Quality.GOOD if sure else Quality.UNCERTAIN, at_us, own_s + ran.low,
            None if why else own_s + ran.high, MACHINE + stay.serial + why,
        )  # fmt: skip

    def _reading(self, at_us: int) -> Figure:
        reading = self._runs.readings(at_us)["run_hours"]
        return Figure(reading.value, max(0.0, reading.low), reading.high)

    def _figure_at(self, at_us: int, now_us: int) -> Figure:
        """What the place had come to at a moment; before the first reading it may be anything."""
        if at_us >= now_us:
            return self._reading(now_us)
        readings = [*self._marks, (now_us, self._reading(now_us))]
        earlier = [each for each in readings if each[0] <= at_us]
        after_us, after = next(each for each in readings if each[0] > at_us)
        if not earlier:  # it came before what is kept: it has run at least what came since
            return Figure(after.value, after.low, after.high, after.value, 0.0)
        before_us, before = earlier[-1]
        return between(before, after, (at_us - before_us) / (after_us - before_us))

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "filed": json.dumps([astuple(stay) for stay in self._filed]),
            "entered": json.dumps([astuple(stay) for stay in self._entered]),
            "marks": json.dumps([[at_us, *astuple(mark)[:3]] for at_us, mark in self._marks]),
            "ended": json.dumps(self._ended),
            "began_us": self._began_us, "next_day_us": self._next_day_us,
            "told": self._told.save(),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``."""
        next_day_us, began_us = saved.get("next_day_us"), saved.get("began_us")
        if not isinstance(next_day_us, int) or not isinstance(began_us, int):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._next_day_us, self._began_us = next_day_us, began_us
        self._filed = [_stay(row) for row in json.loads(str(saved["filed"]))]
        self._entered = [_stay(row) for row in json.loads(str(saved["entered"]))]
        self._marks.clear()
        for at_us, value, low, high in json.loads(str(saved["marks"])):
            self._marks.append((at_us, Figure(value, low, high)))
        self._ended = json.loads(str(saved["ended"]))
        self._told.restore(saved.get("told"))


def _stay(row: list[Any]) -> Stay:
    entry_id, serial, came_us, own_s, base = row
    return Stay(entry_id, serial, came_us, own_s, Figure(*base))


def _number(value: object) -> float | None:
    return value if isinstance(value, float) else None
