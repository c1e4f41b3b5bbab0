"""What a change costs the alarms: with the rules that it touches, and with those it does not.

As a ratio: a change that touches one rule among a thousand over the same change where that rule is
the only one.
"""

from __future__ import annotations

import time

from collector.core.alarms.desk import AlarmDesk
from collector.core.alarms.rule import AlarmRule, Priority, Stands
from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import Limit, Name
from collector.core.records import PanelReturned, PointChanged, Quality
from collector.plant.model import Plant
from collector.units import UNITS
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios

LIMITS = {"most": Limit(1.5, UNITS["m"], 0.1)}
RULES = 1_000


def a_plant(points: int) -> Plant:
    """One panel with so many levels."""
    registers = {
        f"level_{n}": {"table": "holding-register", "address": n, "unit": "mm"}
        for n in range(points)
    }
    return Plant.model_validate(
        {
            "plant": {"name": "bench", "title": "On the bench", "time_zone": "UTC"},
            "links": {"lan": {"kind": "tcp", "host": "127.0.0.1"}},
            "panels": {"p": {"link": "lan", "points": registers}},
            "equipment": {},
        }
    )


def a_rule(number: int, fact: str) -> AlarmRule:
    """A rule with a limit, a deadband and both delays, compiled as a rule file's would be."""
    words = {"level": Name(fact, "number", UNITS["m"])}
    return AlarmRule(
        f"p.alarm_{number}", "Too high", compile_condition("level > most", words, LIMITS),
        Stands(), 10_000_000, 10_000_000, Priority.LOW, (), "", "", 600.0,
    )  # fmt: skip


class Changes:
    """A desk that is told of one level, up and down.

    Args:
        rules: how many there are.
        touched: how many of them depend on that level.
    """

    def __init__(self, rules: int, touched: int) -> None:
        bound = [a_rule(n, f"p.level_{0 if n < touched else n}") for n in range(rules)]
        self._desk = AlarmDesk(a_plant(rules), bound, 0)
        self._desk.take(PanelReturned("p", 0), [])
        self._at_us = 0

    def cost_us(self, changes: int) -> float:
        """Microseconds of processor time for a change."""
        began_s = time.process_time()
        for number in range(changes):
            self._at_us += 1_000_000
            level = 1.0 + number % 2
            change = PointChanged(
                "p.level_0", level, Quality.GOOD, "", self._at_us, self._at_us
            )  # fmt: skip
            self._desk.take(change, [])
        return (time.process_time() - began_s) / changes * 1e6


def measure(*, quick: bool) -> list[Figure]:
    """Few and many rules, touched and not."""
    changes, rounds = (500, 1) if quick else (10_000, 7)
    alone, among = Changes(1, 1), Changes(RULES, 1)
    many, one = in_turns(
        lambda: among.cost_us(changes), lambda: alone.cost_us(changes), rounds
    )  # fmt: skip
    every = Changes(RULES, RULES)
    all_of_them, _ = in_turns(lambda: every.cost_us(changes // 100 + 1), lambda: 1.0, rounds)
    return [
        of(f"a change that touches one of {RULES} rules, over one of one", ratios(many, one),
           target=Target("at most", 1.1),
           detail=f"{min(many):.1f} us, alone {min(one):.1f} us"),
        of(f"a change that touches {RULES} rules: of each", [each / RULES for each in all_of_them],
           "us"),
    ]  # fmt: skip
