"""The service desk: of every task how much of its interval is used, and when it will be due.

It listens to what the engine tells and to the logbook. Rules:

* Due is decided by the high bound: unknown run time counts as run time. The figure shown is the
  known one, with its bounds.
* Of several intervals of a task, whichever comes first decides.
* A task nobody has entered yet counts from when watching began, and says so.
* An entry of the past counts from when the work was done. A replaced machine begins every task of
  it anew.
* A state is told when it changes, and once a plant day for the sake of its dates.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field
from datetime import date, tzinfo

from collector.core.calendar import local
from collector.core.component import Saved
from collector.core.conditions.contract import Facts, Held
from collector.core.logbook import Entry
from collector.core.records import Derived, Output, Quality, ServiceMoved, Value
from collector.core.service.intervals import (
    NOT_KNOWN,
    STATES,
    IntervalStanding,
    of_calendar,
    of_condition,
    of_use,
)
from collector.core.service.rule import (
    COUNTED,
    CalendarInterval,
    ConditionInterval,
    Interval,
    ServiceRule,
    UseInterval,
)
from collector.core.service.use import Figure, UseHistory

DAY_US = 86_400_000_000


@dataclass(slots=True)
class _Task:
    """One task and where it stands."""

    rule: ServiceRule
    since_us: int
    by_entry: str = ""  # id of the entry it counts from; empty where watching began
    base: dict[str, Figure] = field(default_factory=dict)  # by way of counting
    held: Held = field(default_factory=dict)
    told: dict[str, Value] = field(default_factory=dict)


class ServiceDesk:
    """All tasks of one plant.

    Args:
        rules: tasks bound to equipment.
        zone: the plant's time zone.
        start_us: plant time at which watching begins.
        offset_us: wall time minus plant time.
    """

    name = "service"

    def __init__(
        self, rules: Sequence[ServiceRule], zone: tzinfo, start_us: int, offset_us: int
    ) -> None:
        self._zone = zone
        self._offset_us = offset_us
        self._began_us = start_us
        self._tasks = {rule.subject: _Task(rule, start_us) for rule in rules}
        self._uses: dict[str, UseHistory] = {}
        for rule in rules:
            for interval in rule.intervals:
                if isinstance(interval, UseInterval):
                    self._uses.setdefault(_key(rule, interval), UseHistory())
        self._today = self._day(start_us)
        self._begun = False  # whether anything was told at all

    # --- what comes in --------------------------------------------------------------------------

    def take(self, outputs: Sequence[Output], facts: Facts, at_us: int) -> list[Output]:
        """Take what the engine told, and let time pass.

        Args:
            outputs: of one step of the engine.
            facts: what is so now, for conditions.
            at_us: plant time of the step.
        """
        if not self._tasks:
            return []
        for told in outputs:
            if isinstance(told, Derived) and told.subject in self._uses:
                value = told.value
                if isinstance(value, int | float) and not isinstance(value, bool):
                    self._uses[told.subject].take(float(value), told.low, told.high)
        today = self._day(at_us)
        if not self._begun:
            self._begun = True
            return self.tell(facts, at_us)
        if today == self._today:
            return []
        for use in self._uses.values():
            use.end_day(today - 1)
        self._today = today
        return self.tell(facts, at_us)

    def step_clock(self, offset_us: int) -> None:
        """The wall clock was stepped; days follow it."""
        self._offset_us = offset_us

    def entries_stand(
        self, equipment: str, entries: Sequence[Entry], facts: Facts, at_us: int
    ) -> list[Output]:
        """Entries about a piece of equipment were added or corrected."""
        for task in self._tasks.values():
            if task.rule.equipment == equipment:
                self._count_from(task, entries, at_us)
        return self.tell(facts, at_us, only=equipment)

    def _count_from(self, task: _Task, entries: Sequence[Entry], at_us: int) -> None:
        """Find the latest entry that begins the task anew."""
        closing = [
            entry
            for entry in entries
            if entry.verb == "replaced"
            or (entry.verb == "work_done" and entry.details.get("task") == task.rule.task)
            or (entry.verb == "screen_cleaned" and task.rule.task == "clean_screen")
        ]
        if not closing:
            if task.by_entry:  # it was declared void
                task.by_entry, task.since_us, task.base = "", self._began_us, {}
            return
        newest = closing[-1]
        if newest.id == task.by_entry and newest.done_us == task.since_us:
            return
        task.by_entry, task.since_us = newest.id, newest.done_us
        day = self._day(newest.done_us)
        fraction = self._fraction(newest.done_us)
        if day == self._day(at_us):  # of the part of it that has gone by
            fraction /= max(self._fraction(at_us), fraction, 1e-9)
        task.base = {}
        for interval in task.rule.intervals:
            if isinstance(interval, UseInterval):
                use = self._uses[_key(task.rule, interval)]
                base = use.now if newest.done_us >= at_us else use.at(day, fraction)
                if base is not None:
                    task.base[interval.counts] = base

    # --- what follows ---------------------------------------------------------------------------

    def settle(self, facts: Facts, at_us: int) -> list[Output]:
        """After a restart: what other rules bring about. Nothing is known yet of what is so now;
        where that alone would be the news, what was told last stands until the day ends."""
        return self.tell(facts, at_us, not_yet_known=True)

    def tell(
        self, facts: Facts, at_us: int, only: str | None = None, *, not_yet_known: bool = False
    ) -> list[Output]:
        """Every task as it stands, as far as that is news.

        Args:
            facts: for conditions.
            at_us: plant time of this instant.
            only: only the tasks of this equipment.
            not_yet_known: whether conditions wait for the first reading of the panels.
        """
        found: list[Output] = []
        for task in self._tasks.values():
            if only is not None and task.rule.equipment != only:
                continue
            details = self._details(task, facts, at_us)
            if not_yet_known and self._rests_on_what_is_not_known(task, facts):
                continue
            if details != task.told:
                task.told = details
                state = str(details["state"])
                rest = {name: value for name, value in details.items() if name != "state"}
                quality = Quality.UNCERTAIN if state == NOT_KNOWN else Quality.GOOD
                found.append(ServiceMoved(task.rule.subject, state, at_us, quality, rest))
        return found

    def _rests_on_what_is_not_known(self, task: _Task, facts: Facts) -> bool:
        """Whether a condition of the rule in force was told and cannot be told now."""
        before = str(task.told.get("because", ""))
        return any(
            interval.condition.explain() in before
            and self._of(task, interval, facts).state == NOT_KNOWN
            for interval in task.rule.intervals
            if isinstance(interval, ConditionInterval)
        )

    def _details(self, task: _Task, facts: Facts, at_us: int) -> dict[str, Value]:
        del at_us
        found = [self._of(task, each, facts) for each in task.rule.intervals]
        first = max(found, key=lambda each: (STATES.index(each.state), _sooner(each)))
        used = first.used
        return {
            "state": first.state, "title": task.rule.title, "because": first.because,
            # Use that nobody entered counts from the begin of the record, whenever the task came.
            "since": "" if first.used and not task.by_entry
            else self._date(task.since_us).isoformat(),
            "counted_from": "entry" if task.by_entry else "watching began",
            "used": None if used is None else round(used.value, 3),
            "used_low": None if used is None else round(used.low, 3),
            "used_high": None if used is None else round(used.high, 3),
            "interval": first.interval, "unit": first.unit,
            "due_early": _iso(first.early), "due_likely": _iso(first.likely),
            "due_late": _iso(first.late), "example": task.rule.example,
        }  # fmt: skip

    def _of(self, task: _Task, interval: Interval, facts: Facts) -> IntervalStanding:
        rule, today = task.rule, date.fromordinal(self._today)
        if isinstance(interval, UseInterval):
            base = task.base.get(interval.counts)
            return of_use(rule, interval, self._uses[_key(rule, interval)], base, today)
        if isinstance(interval, CalendarInterval):
            return of_calendar(rule, interval, self._date(task.since_us), today)
        return of_condition(interval, facts, task.held, today)

    # --- days -----------------------------------------------------------------------------------

    def _day(self, at_us: int) -> int:
        return self._date(at_us).toordinal()

    def _date(self, at_us: int) -> date:
        return local(at_us + self._offset_us, self._zone).date()

    def _fraction(self, at_us: int) -> float:
        at = local(at_us + self._offset_us, self._zone)
        return (at.hour * 3600 + at.minute * 60 + at.second) / 86_400.0

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "today": self._today, "begun": self._begun, "began_us": self._began_us,
            "uses": json.dumps({key: use.save() for key, use in self._uses.items()}),
            "tasks": json.dumps(
                {
                    subject: [
                        task.since_us, task.by_entry, task.held, task.told,
                        {way: list(astuple(figure)) for way, figure in task.base.items()},
                    ]
                    for subject, task in self._tasks.items()
                }
            ),
        }  # fmt: skip

    def restore(self, saved: Saved) -> None:
        """Take back a state from ``save``; tasks that are gone are forgotten, new ones start."""
        self._today = int(str(saved.get("today", self._today)))
        self._begun = bool(saved.get("begun"))
        self._began_us = int(str(saved.get("began_us", self._began_us)))
        uses: Mapping[str, list[list[float]]] = json.loads(str(saved.get("uses", "{}")))
        for key, rows in uses.items():
            if key in self._uses:
                self._uses[key].restore(rows)
        for subject, row in json.loads(str(saved.get("tasks", "{}"))).items():
            task = self._tasks.get(subject)
            if task is not None:
                task.since_us, task.by_entry, task.held, task.told, base = row
                task.base = {way: Figure(*figures) for way, figures in base.items()}


def _key(rule: ServiceRule, interval: UseInterval) -> str:
    return f"{rule.equipment}.{COUNTED[interval.counts].quantity}"


def _sooner(standing: IntervalStanding) -> float:
    """For comparing standings of one state: the greater, the sooner it is due."""
    return -float("inf") if standing.early is None else -float(standing.early.toordinal())


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
