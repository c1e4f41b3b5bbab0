"""Names, limits and facts that the tests of conditions use."""

from __future__ import annotations

from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import BadCondition, FactValue, Fault, Held, Limit, Name
from collector.units import UNITS

NAMES: dict[str, Name] = {
    "this.high": Name("works.collection_high", "yes or no"),
    "this.level": Name("collection.level", "number", UNITS["m"]),
    "this.state": Name("collection_pump_1.state", "word", words=("running", "stopped")),
    "collection.level": Name("collection.level", "number", UNITS["m"]),
    "collection.time_to_overflow": Name("collection.time_to_overflow", "number", UNITS["min"]),
    "collection.inflow": Name("collection.inflow", "number", UNITS["m3/h"]),
    "mains.mains_present": Name("mains.mains_present", "yes or no"),
    "pump.run_hours": Name("pump.run_hours", "number", UNITS["h"]),
    "pump.starts": Name("pump.starts", "number", UNITS["1"]),
    "tank.fill": Name("tank.fill", "number", UNITS["%"]),
    "air.temperature": Name("air.temperature", "number", UNITS["Cel"]),
    "water.temperature": Name("water.temperature", "number", UNITS["Cel"]),
    "note.text": Name("note.text", "word"),
}
LIMITS: dict[str, Limit] = {
    "reserve": Limit(30.0, UNITS["min"], deadband=5.0),
    "top": Limit(180.0, UNITS["cm"], deadband=20.0),
    "half": Limit(50.0, UNITS["%"]),
    "shift": Limit(8.0, UNITS["h"]),
    "warm": Limit(283.15, UNITS["K"], deadband=2.0),
}


class Known(dict[str, FactValue]):
    """Facts that are known, by full name."""

    def value_of(self, fact: str) -> FactValue | None:
        """Value of a fact in SI; None where it is not known."""
        return self.get(fact)


def asked(text: str, held: Held | None = None, /, **facts: FactValue) -> bool | None:
    """What a condition says; in ``facts`` the dot of a name is written as two underscores."""
    known = Known({name.replace("__", "."): value for name, value in facts.items()})
    condition = compile_condition(text, NAMES, LIMITS)
    return condition.holds(known, {} if held is None else held)


def faults_of(text: str) -> list[Fault]:
    """Everything wrong with a condition; none where it is right."""
    try:
        compile_condition(text, NAMES, LIMITS)
    except BadCondition as error:
        return list(error.faults)
    return []
