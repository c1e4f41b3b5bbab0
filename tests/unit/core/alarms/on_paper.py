"""An alarm desk on paper: contacts that a test moves, people, and time in seconds from a start."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from collector.core.alarms.desk import AlarmDesk
from collector.core.alarms.rule import AlarmRule, Happens, Missing
from collector.core.records import (
    ActionTaken,
    AlarmMoved,
    Derived,
    Finding,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
)
from collector.core.service.rule import ServiceRule
from collector.plant.model import Plant
from tests.unit.core.alarms.one_alarm import rule
from tests.unit.core.scans_for_tests import a_plant, us

START_S = 1_000_000


@dataclass(frozen=True)
class InForce:
    """Rules of alarms alone."""

    alarms: Sequence[AlarmRule]
    service: Sequence[ServiceRule] = ()


WORLD_RULES = InForce(
    (
        rule("pump.runs", fact="p.run"),
        rule("pump.runs_long", fact="p.run", on_s=7, off_s=3, latching=True),
        rule("pump.starts_often", fact="p.run", shape=Happens(2, us(60))),
        rule("pump.rests_long", fact="p.run", shape=Missing(us(10)), off_s=2),
    )
)


@cache
def the_plant() -> Plant:
    """Two panels with contacts, a sump and its pump on the one, a mixer on the other."""
    contacts = ("high", "away", "run", "fault")
    points: dict[str, Any] = {
        name: {"table": "discrete-input", "address": at} for at, name in enumerate(contacts)
    }
    return a_plant(
        {"p": {"points": points}, "q": {"points": {"run": {"table": "coil", "address": 0}}}},
        {
            "sump": {"kind": "well", "floats": {"high": {"point": "p.high", "makes_at_m": 1.4}}},
            "pump": {"kind": "pump", "well": "sump", "run": "p.run", "fault": "p.fault"},
            "mixer": {"kind": "mixer", "run": "q.run"},
        },
    )


class Paper:
    """A desk, driven as the engine drives it: what is due first, then what comes in."""

    def __init__(self, *rules: AlarmRule, plant: Plant | None = None, back: bool = True) -> None:
        self.plant = plant or the_plant()
        self.rules = rules
        self.desk = AlarmDesk(self.plant, rules, 0)
        self.told: list[AlarmMoved] = []
        self._ids = 0
        if back:
            for panel in self.plant.panels:
                self.desk.take(PanelReturned(panel, us(START_S)), [])

    def pass_time(self, at_s: float) -> list[AlarmMoved]:
        """Wake the desk for all that is due."""
        found: list[AlarmMoved] = []
        due_us = self.desk.deadline_us()
        while due_us is not None and due_us <= us(START_S + at_s):
            found += [move for move in self.desk.wake(due_us) if isinstance(move, AlarmMoved)]
            after_us, due_us = due_us, self.desk.deadline_us()
            assert due_us is None or due_us > after_us, "it wants to be woken again and again"
        self.told += found
        return found

    def fact(self, at_s: float, point: str, value: Any, after_s: float | None = None,
             quality: Quality = Quality.GOOD) -> list[AlarmMoved]:  # fmt: skip
        """A point changes; None is a bad one."""
        quality = Quality.BAD if value is None else quality
        after_us = us(START_S + (at_s if after_s is None else after_s))
        news = PointChanged(point, value, quality, "", after_us, us(START_S + at_s))
        return self._take(at_s, at_s, news)

    def lose(self, at_s: float, last_good_s: float | None = None, panel: str = "p"
             ) -> list[AlarmMoved]:  # fmt: skip
        """A panel is lost."""
        last_good_s = at_s if last_good_s is None else last_good_s
        news = PanelLost(panel, "no reply", us(START_S + last_good_s), us(START_S + at_s))
        return self._take(last_good_s, at_s, news)

    def find(self, at_s: float, panel: str = "p") -> list[AlarmMoved]:
        """A panel returns."""
        return self._take(at_s, at_s, PanelReturned(panel, us(START_S + at_s)))

    def conclude(self, at_s: float, *outputs: Output) -> list[AlarmMoved]:
        """The engine concludes something at a tick."""
        return self._take(at_s, at_s, Tick(us(START_S + at_s)), outputs)

    def act(self, at_s: float, verb: str, about: str = "sump.high_water", actor: str = "warden",
            **details: Any) -> list[AlarmMoved]:  # fmt: skip
        """A person does something; the id is a new one unless given."""
        self._ids += 1
        details = {"id": f"a{self._ids}", "way": "command line", **details}
        news = ActionTaken(about, verb, us(START_S + at_s), actor, details)
        return self._take(at_s, at_s, news)

    def shelve(self, at_s: float, until_s: float, reason: str = "cleaning") -> list[AlarmMoved]:
        """Shelved until a second."""
        return self.act(at_s, "shelve", until=rfc3339(until_s), reason=reason)

    def _take(self, until_s: float, at_s: float, news: Any, outputs: Sequence[Output] = ()
              ) -> list[AlarmMoved]:  # fmt: skip
        found = self.pass_time(until_s)
        taken = self.desk.take(news, outputs)
        self.told += taken
        return [*found, *taken, *self.pass_time(at_s)]

    def restart(self, at_s: float, *rules: AlarmRule) -> list[AlarmMoved]:
        """Another process takes the state from JSON text, with other rules if there are any."""
        saved = json.loads(json.dumps(self.desk.save(), allow_nan=False))
        self.rules = rules or self.rules
        self.desk = AlarmDesk(self.plant, self.rules, 0)
        self.desk.restore(saved)
        found = list(self.desk.settle(us(START_S + at_s)))
        self.told += found
        return found


def rfc3339(at_s: float) -> str:
    """The second as people write it; plant time is UTC on paper."""
    return datetime.fromtimestamp(START_S + at_s, UTC).isoformat()


def seconds(at_us: int) -> float:
    """Seconds after the start."""
    return at_us / 1e6 - START_S


def lines(moves: Sequence[AlarmMoved]) -> list[tuple[float, str, str]]:
    """When, what happened, and the state it led to."""
    return [(seconds(move.by_us), move.happening, move.state) for move in moves]


def finding(subject: str, standing: bool, at_s: float, since_s: float | None = None) -> Finding:
    """A diagnosis."""
    since_us = us(START_S + (at_s if since_s is None else since_s))
    return Finding(subject, standing, since_us, us(START_S + at_s), "because" if standing else "")


def derived(subject: str, value: Any, at_s: float, quality: Quality = Quality.GOOD) -> Derived:
    """A figure."""
    return Derived(subject, value, quality, us(START_S + at_s))
