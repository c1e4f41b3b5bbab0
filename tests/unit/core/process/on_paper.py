"""Drives components of the process on paper: changes, losses and wakes in the order of time."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

from collector.core.component import Component, Timed
from collector.core.process.volumes import Volume
from collector.core.records import Derived, Event, Output, PointChanged, Quality, Value
from tests.unit.core.scans_for_tests import us

HOUR_S = 3600.0
DAY_S = 86_400.0


class PaperFlow:
    """A source whose volume since the start is a function of the time in s."""

    def __init__(
        self, m3: Callable[[float], float], error_m3: float = 0.0, share: float = 0.0,
        unknown_s: Callable[[float], float] = lambda at_s: 0.0, most_m3_s: float = float("inf"),
    ) -> None:  # fmt: skip
        self.name = "well"
        self.share = share
        self._m3, self._error_m3 = m3, error_m3
        self._unknown_s, self._most_m3_s = unknown_s, most_m3_s

    def volume_until(self, at_us: int) -> Volume:
        unknown_s = self._unknown_s(at_us / 1e6)
        most = unknown_s * self._most_m3_s if unknown_s else 0.0
        return Volume(self._m3(at_us / 1e6), self._error_m3, unknown_s, most)


def steady(m3_per_s: float, error_m3: float = 0.0) -> PaperFlow:
    """The same flow all the time."""
    return PaperFlow(lambda at_s: m3_per_s * at_s, error_m3)


class Bench:
    """Components, told in the order given, and everything they said.

    Args:
        parts: those that are asked before those that ask.
        period_s: bracket of every change.
    """

    def __init__(self, *parts: Component, period_s: float = 0.0) -> None:
        self.parts = parts
        self.said: list[Output] = []
        self._period_s = period_s

    def change(
        self, point: str, value: Value, at_s: float, reason: str = "", after_s: float | None = None
    ) -> None:
        """A point has a new value, seen at ``at_s``; None is bad."""
        self.until(at_s)
        quality = Quality.BAD if value is None else Quality.GOOD
        after_s = at_s - self._period_s if after_s is None else after_s
        change = PointChanged(point, value, quality, reason, us(after_s), us(at_s))
        for part in self.parts:
            if point in part.points:
                self.said += part.point_changed(change)

    def lose(self, panel: str, last_good_s: float, at_s: float, reason: str = "link lost") -> None:
        """A panel falls silent."""
        self.until(last_good_s)
        for part in self._on(panel):
            self.said += part.lost(panel, reason, us(last_good_s), us(at_s))

    def find(self, panel: str, at_s: float) -> None:
        """The panel answers again."""
        self.until(at_s)
        for part in self._on(panel):
            self.said += part.returned(panel, us(at_s))

    def until(self, at_s: float) -> None:
        """Let time pass; wakes whoever wants to be."""
        while True:
            due = [
                (deadline_us, part)
                for part in self.parts
                if isinstance(part, Timed) and (deadline_us := part.deadline_us()) is not None
            ]
            at_us = min((deadline_us for deadline_us, _ in due), default=us(at_s) + 1)
            if at_us > us(at_s):
                return
            for deadline_us, part in due:
                if deadline_us == at_us:
                    self.said += part.wake(at_us)
                    after = part.deadline_us()
                    assert after is None or after > at_us

    def report(self, at_s: float) -> None:
        """The engine's regular report."""
        for part in self.parts:
            self.said += part.report(us(at_s), us(at_s))

    def told(self, quantity: str) -> list[Derived]:
        """All that was told of a quantity."""
        return [
            each
            for each in self.said
            if isinstance(each, Derived) and each.subject.rpartition(".")[2] == quantity
        ]

    def last(self, quantity: str) -> Derived:
        """What was told last of a quantity."""
        return self.told(quantity)[-1]

    def value(self, quantity: str) -> float:
        """Its value, which is a figure."""
        value = self.last(quantity).value
        assert isinstance(value, float)
        return value

    def events(self, name: str) -> list[Event]:
        """All events of a name."""
        return [
            each
            for each in self.said
            if isinstance(each, Event) and each.subject.rpartition(".")[2] == name
        ]

    def _on(self, panel: str) -> list[Component]:
        return [
            part
            for part in self.parts
            if any(point.partition(".")[0] == panel for point in part.points)
        ]


def move_state(source: Sequence[Component], target: Sequence[Component]) -> None:
    """Save components as JSON and take the state back in others."""
    for old, new in zip(source, target, strict=True):
        new.restore(json.loads(json.dumps(old.save(), allow_nan=False)))
