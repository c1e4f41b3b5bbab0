"""What a change costs with many alarm rules of which it touches one, and rules evaluated a second.

python -m tests.bench.alarm_cost [rules]
"""

from __future__ import annotations

import sys
import time

from collector.core.alarms.desk import AlarmDesk
from collector.core.alarms.rule import AlarmRule, Priority, Stands
from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import Limit, Name
from collector.core.records import PanelReturned, PointChanged, Quality
from collector.plant.model import Plant
from collector.units import UNITS

CHANGES = 20_000
LIMITS = {"most": Limit(1.5, UNITS["m"], 0.1)}


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


def measure(rules: int, touched: int) -> tuple[float, float]:
    """Microseconds a change, and evaluations a second.

    Args:
        rules: how many there are.
        touched: how many of them depend on the point that changes.
    """
    plant = a_plant(rules)
    bound = [a_rule(n, f"p.level_{0 if n < touched else n}") for n in range(rules)]
    desk = AlarmDesk(plant, bound, 0)
    desk.take(PanelReturned("p", 0), [])
    at_us = 0
    began = time.perf_counter()
    for number in range(CHANGES // touched):
        at_us += 1_000_000
        level = 1.0 + number % 2
        desk.take(PointChanged("p.level_0", level, Quality.GOOD, "", at_us, at_us), [])
    taken_s = time.perf_counter() - began
    changes = CHANGES // touched
    return taken_s / changes * 1e6, changes * touched / taken_s


def main() -> None:
    """Print both figures for few and for many rules."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    for rules in (1, most // 5, most):
        cost_us, _ = measure(rules, 1)
        print(f"{rules:5d} rules, one touched: {cost_us:6.1f} us a change")
    cost_us, rate = measure(most, most)
    print(f"{most:5d} rules, all touched: {cost_us:6.0f} us a change, {rate:8.0f} evaluations/s")


if __name__ == "__main__":
    main()
