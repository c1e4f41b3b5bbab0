"""An alarm on one fact, for tests."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.core.alarms.alarm import Alarm
from collector.core.alarms.rule import AlarmRule, Priority, Shape, Stands, Suppression
from collector.core.conditions.contract import Facts, FactValue, Held

SECOND_US = 1_000_000


class Holds:
    """A condition that is what one fact says."""

    def __init__(self, fact: str) -> None:
        self.text = fact
        self.facts = (fact,)

    def holds(self, facts: Facts, held: Held) -> bool | None:
        value = facts.value_of(self.text)
        return value if isinstance(value, bool) else None

    def explain(self) -> str:
        return self.text


@dataclass
class Board:
    """Facts that a test sets."""

    values: dict[str, FactValue | None] = field(default_factory=dict)

    def value_of(self, fact: str) -> FactValue | None:
        return self.values.get(fact)


def rule(
    subject: str = "sump.high_water",
    *,
    fact: str = "sump.high",
    on_s: float = 0.0,
    off_s: float = 0.0,
    shape: Shape = Stands(),  # noqa: B008 — frozen
    latching: bool = False,
    suppressed_by: str = "",
    priority: Priority = Priority.HIGH,
) -> AlarmRule:
    suppressions = (Suppression(Holds(suppressed_by), "the supply is out"),)
    return AlarmRule(
        subject, "Sump: high water", Holds(fact), shape, round(on_s * 1e6), round(off_s * 1e6),
        priority, ("rain",), "it overflows", "look", 3600.0, latching=latching,
        suppressions=suppressions if suppressed_by else (),
    )  # fmt: skip


class Live:
    """An alarm with its facts and its time; keeps what it told."""

    def __init__(self, of: AlarmRule) -> None:
        self.board = Board()
        self.alarm = Alarm(of)
        self.told: list[tuple[float, str, str]] = []
        self.now_us = 0

    def at(self, second: float, **facts: bool | None) -> list[str]:
        """Let time come to an instant, then set facts (``sump__high=True``); what happened."""
        before = len(self.told)
        self.pass_to(round(second * 1e6))
        for name, value in facts.items():
            self.board.values[name.replace("__", ".")] = value
        if facts:
            self._keep(self.alarm.look(self.board, self.now_us, self.now_us))
        return [happening for _, happening, _ in self.told[before:]]

    def pass_to(self, at_us: int) -> None:
        while (due_us := self.alarm.due_us()) is not None and due_us <= at_us:
            self.now_us = max(due_us, self.now_us)
            self._keep(self.alarm.wake(self.now_us))
        self.now_us = at_us

    def act(self, verb: str, until_s: float | None = None) -> bool:
        if self.alarm.refusal(verb) is not None:
            return False
        until_us = None if until_s is None else round(until_s * 1e6)
        self._keep(self.alarm.act(verb, "J. Sallow", self.now_us, until_us, "because"))
        return True

    def restart(self, of: AlarmRule) -> None:
        """Save it, and go on with another object."""
        saved = self.alarm.save()
        self.alarm = Alarm(of)
        self.alarm.restore(saved)

    @property
    def state(self) -> str:
        return self.alarm.standing.state.value

    def _keep(self, moves: object) -> None:
        assert isinstance(moves, list)
        self.told += [(move.by_us / 1e6, move.happening, move.state) for move in moves]
