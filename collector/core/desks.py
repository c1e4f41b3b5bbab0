"""What stands behind the components: the logbook, the alarms, the service, the end of the day.

They listen to each input and to all that the components concluded from it, in this order: entries
of the logbook reach the components that want them, then alarms look at what moved, then tasks of
service. They keep their own time with the engine's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Protocol
from zoneinfo import ZoneInfo

from collector.core.alarms.desk import AlarmDesk
from collector.core.alarms.rule import AlarmRule
from collector.core.calendar import end_of, instant_us, local
from collector.core.component import Component, Saved
from collector.core.decode import Decoded
from collector.core.logbook import FromLogbook, Logbook
from collector.core.records import (
    ActionTaken,
    AlarmMoved,
    ClockStepped,
    HeadWanted,
    Input,
    Output,
)
from collector.core.service.desk import ServiceDesk
from collector.core.service.rule import ConditionInterval, ServiceRule
from collector.plant.model import Plant


class Rules(Protocol):
    """The rules in force, bound to the plant."""

    @property
    def alarms(self) -> Sequence[AlarmRule]: ...
    @property
    def service(self) -> Sequence[ServiceRule]: ...


class _NoRules:
    """No rules at all."""

    alarms: Sequence[AlarmRule] = ()
    service: Sequence[ServiceRule] = ()


NO_RULES: Rules = _NoRules()


class Desks:
    """Logbook, alarms, service and plant days of one plant.

    Args:
        plant: what there is.
        rules: in force.
        components: those that want entries of the logbook are picked out.
        start_us: plant time at which watching begins.
        offset_us: wall time minus plant time.
        judging: without, only entries of the logbook are passed on, and no rule may be in force.
    """

    name = "desks"

    def __init__(
        self, plant: Plant, rules: Rules, components: Mapping[str, Component], start_us: int,
        offset_us: int, *, judging: bool = True,
    ) -> None:  # fmt: skip
        zone = ZoneInfo(plant.plant.time_zone)
        asked = {
            fact
            for rule in rules.service
            for interval in rule.intervals
            if isinstance(interval, ConditionInterval)
            for fact in interval.condition.facts
        }
        self.alarms = AlarmDesk(plant, rules.alarms, offset_us, asked)
        self.service = ServiceDesk(rules.service, zone, start_us, offset_us)
        self.logbook = Logbook()
        self._readers = [part for part in components.values() if isinstance(part, FromLogbook)]
        self._judging = judging
        self._zone = zone
        self._offset_us = offset_us
        self._day = self._date(start_us)  # under way, or yet to be told
        self._kept_day = self._day

    def hear(self, news: Input) -> bool:
        """Whether it wants to be told of an input, and of what was concluded from it."""
        return self._judging or isinstance(news, ActionTaken | ClockStepped)

    def take(self, news: Input, concluded: Sequence[Output]) -> list[Output]:
        """Take an input and what the components concluded from it; back comes what follows."""
        if isinstance(news, ClockStepped):
            self._offset_us = self.alarms.offset_us = news.offset_us
            self.service.step_clock(news.offset_us)
        found = self._pass_day(news.by_us) if isinstance(news, ClockStepped) else []
        touched = None
        if isinstance(news, ActionTaken) and not self.alarms.knows(_id(news)):
            touched = self.logbook.take(news, self._offset_us)
        if touched is not None:
            entries = self.logbook.of(touched)
            for part in self._readers:
                if part.equipment == touched:
                    found += part.entries_stand(entries, news.by_us)
        everything = [*concluded, *found]
        moves: Sequence[AlarmMoved] = self.alarms.take(news, everything)
        found += moves
        found += self.service.take(everything, self.alarms.facts, news.by_us)
        if touched is not None:
            found += self.service.entries_stand(
                touched, self.logbook.of(touched), self.alarms.facts, news.by_us
            )
        return found

    def learn(self, concluded: Sequence[Output], at_us: int) -> list[Output]:
        """Take what the components concluded when time alone had passed."""
        if not self._judging:
            return []
        found: list[Output] = list(self.alarms.learn(concluded, at_us))
        return found + self.service.take(concluded, self.alarms.facts, at_us)

    def deadline_us(self) -> int:
        """See ``Timed``."""
        alarms_us, day_us = self.alarms.deadline_us(), self._day_ends_us()
        return day_us if alarms_us is None else min(alarms_us, day_us)

    def wake(self, at_us: int) -> list[Output]:
        """See ``Timed``."""
        found = self.alarms.wake(at_us)
        return found + self._pass_day(at_us) if at_us >= self._day_ends_us() else found

    def _pass_day(self, at_us: int) -> list[Output]:
        """Want the head of a day that has ended; once, also if the clock is set back into it."""
        today, ended = self._date(at_us), self._day
        if today <= ended:
            return []
        self._day = today
        return [HeadWanted(ended, at_us)]

    def follow(self, told: Iterable[AlarmMoved | HeadWanted]) -> None:
        """After ``restore`` and a replay: what is on record, and nothing else, counts as told.

        Args:
            told: since the state, in order.
        """
        moves, days = list[AlarmMoved](), [self._kept_day]
        for each in told:
            if isinstance(each, AlarmMoved):
                moves.append(each)
            else:
                days.append((date.fromisoformat(each.day) + timedelta(days=1)).isoformat())
        self.alarms.follow(moves)
        self._day = max(days)

    def settle(self, at_us: int) -> list[Output]:
        """After a restart: what other rules in force bring about now."""
        found: list[Output] = list(self.alarms.settle(at_us))
        return found + self.service.settle(self.alarms.facts, at_us)

    def _date(self, at_us: int) -> str:
        return local(at_us + self._offset_us, self._zone).date().isoformat()

    def _day_ends_us(self) -> int:
        return _end_of_day(self._day, self._zone) - self._offset_us

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> Saved:
        """Its state as plain JSON values."""
        return {
            "alarms": self.alarms.save(), "service": self.service.save(),
            "logbook": self.logbook.save(), "day": self._day, "offset_us": self._offset_us,
        }  # fmt: skip

    def restore(self, saved: object, points: Mapping[str, Decoded]) -> None:
        """Take back a state from ``save``.

        Args:
            saved: None in a state of before there were desks.
            points: as they were known then.
        """
        if not isinstance(saved, dict):
            self.alarms.restore({})
            self.alarms.facts.know(points)
            return
        self._offset_us = self.alarms.offset_us = int(saved["offset_us"])
        self.service.step_clock(self._offset_us)
        self.alarms.restore(saved["alarms"])
        self.service.restore(saved["service"])
        self.logbook.restore(saved["logbook"])
        self._day = self._kept_day = str(saved["day"])


def _id(action: ActionTaken) -> str:
    return str(action.details.get("id", ""))


@lru_cache(maxsize=2)  # asked at every step
def _end_of_day(day: str, zone: ZoneInfo) -> int:
    noon = datetime.combine(date.fromisoformat(day), time(12), zone)
    return end_of("day", instant_us(noon), zone)
