"""A condition as it is asked: truth of three values over comparisons that the CEL library makes.

Unknown is the third truth (strong logic of Kleene, "Introduction to Metamathematics", 1952, section
64): what is unknown stays so unless the other side decides. CEL does the same with an error beside
``&&`` and ``||`` (language definition, "Logical Operators").

Deadband: ANSI/ISA-18.2-2016, clause 3: the change of a signal from the alarm setpoint that is
necessary for the alarm to clear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from cel import Program

from collector.core.conditions.contract import Facts, FactValue, Held, Type
from collector.units import Unit

DEADBAND_VARIABLE = "limit"
DIGITS = 12
"""Significant digits of a converted figure; no measurement of a plant has as many."""


class Term(Protocol):
    """Part of a condition that is so, is not so, or is unknown."""

    @property
    def keeps(self) -> bool:
        """Whether what it says depends on what it said before."""
        ...

    def truth(self, facts: Facts, held: Held) -> bool | None:
        """Whether it is so."""
        ...


@dataclass(frozen=True, slots=True)
class Always:
    """``true`` or ``false``, as written."""

    value: bool
    keeps: bool = False

    def truth(self, facts: Facts, held: Held) -> bool | None:
        return self.value


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact that is yes or no."""

    fact: str
    means: str
    keeps: bool = False

    def truth(self, facts: Facts, held: Held) -> bool | None:
        value = facts.value_of(self.fact)
        return value if isinstance(value, bool) else None


@dataclass(frozen=True, slots=True)
class Reading:
    """A fact that a comparison reads.

    Args:
        variable: its name in the program.
        fact: its full name.
        type: what it has to be; anything else counts as unknown.
        unit: of a number, the unit it is compared in.
    """

    variable: str
    fact: str
    type: Type
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class Band:
    """The limit of a comparison that has a deadband.

    Args:
        key: under which is kept whether the comparison holds.
        limit: in the unit of the comparison.
        released: the limit while it holds: further back by the deadband.
    """

    key: str
    limit: float
    released: float


@dataclass(frozen=True, slots=True)
class Points:
    """Figures or words at which a comparison of a single fact may change its mind.

    Args:
        fact: its full name.
        unit: of figures.
        values: figures in ``unit``, or words.
    """

    fact: str
    unit: Unit | None
    values: tuple[float | str, ...]


@dataclass(frozen=True, slots=True)
class Leaf:
    """One comparison.

    Args:
        readings: what it needs to know; if it does not know all of it, it is unknown.
        program: gives true, false, or null where an operation has no result.
        means: in plain words.
        band: of a comparison with a limit that has a deadband.
        points: where it changes its mind, if that is known.
    """

    readings: tuple[Reading, ...]
    program: Program
    means: str
    band: Band | None = None
    points: Points | None = None

    @property
    def keeps(self) -> bool:
        return self.band is not None

    def truth(self, facts: Facts, held: Held) -> bool | None:
        values: dict[str, FactValue] = {}
        for reading in self.readings:
            value = _usable(facts.value_of(reading.fact), reading)
            if value is None:
                return None
            values[reading.variable] = value
        band = self.band
        if band is None:
            return answer_of(self.program, values)
        holds = held.get(band.key, False)
        values[DEADBAND_VARIABLE] = band.released if holds else band.limit
        said = answer_of(self.program, values)
        if said is not None:
            held[band.key] = said
        return said


@dataclass(frozen=True, slots=True)
class Opposite:
    """Not."""

    of: Term

    @property
    def keeps(self) -> bool:
        return self.of.keeps

    def truth(self, facts: Facts, held: Held) -> bool | None:
        said = self.of.truth(facts, held)
        return None if said is None else not said


@dataclass(frozen=True, slots=True)
class Group:
    """All of its parts, or any of them.

    Args:
        parts: two or more.
        any_of: whether one is enough.
        keeps: as in ``Term``; then every part is asked each time, decided or not, since a part must
            not miss that its figure went over a limit.
    """

    parts: tuple[Term, ...]
    any_of: bool
    keeps: bool

    def truth(self, facts: Facts, held: Held) -> bool | None:
        deciding = self.any_of
        found: bool | None = not deciding
        for part in self.parts:
            said = part.truth(facts, held)
            if said is deciding:
                found = deciding
                if not self.keeps:
                    break
            elif said is None and found is not deciding:
                found = None
        return found


@dataclass(frozen=True, slots=True)
class Same:
    """Both sides are alike, or both known and different."""

    left: Term
    right: Term
    differ: bool

    @property
    def keeps(self) -> bool:
        return self.left.keeps or self.right.keeps

    def truth(self, facts: Facts, held: Held) -> bool | None:
        left, right = self.left.truth(facts, held), self.right.truth(facts, held)
        if left is None or right is None:
            return None
        return (left is not right) if self.differ else (left is right)


@dataclass(frozen=True, slots=True)
class Selected:
    """One of two, by a third; where that is unknown, what both say, if they say the same."""

    condition: Term
    then: Term
    otherwise: Term

    @property
    def keeps(self) -> bool:
        return self.condition.keeps or self.then.keeps or self.otherwise.keeps

    def truth(self, facts: Facts, held: Held) -> bool | None:
        said = self.condition.truth(facts, held)
        if said is not None and not self.keeps:
            return (self.then if said else self.otherwise).truth(facts, held)
        then, otherwise = self.then.truth(facts, held), self.otherwise.truth(facts, held)
        if said is None:
            return then if then is otherwise else None
        return then if said else otherwise


def answer_of(program: Program, values: dict[str, FactValue]) -> bool | None:
    """What a program says; None where an operation in it has no result.

    Args:
        program: of a comparison.
        values: of all its variables.
    """
    try:
        said = program.execute(values)
    except (TypeError, ArithmeticError):
        # The library's word for a comparison with NaN, and for a division of whole numbers by zero.
        return None
    return said if isinstance(said, bool) else None


def _usable(value: FactValue | None, reading: Reading) -> FactValue | None:
    """A value as a program is given it; None where it is unknown or not what it should be."""
    if reading.type == "word":
        return value if isinstance(value, str) else None
    if value is None or isinstance(value, bool | str):
        return None
    figure = float(value) if reading.unit is None else seen_in(reading.unit, value)
    return figure if math.isfinite(figure) else None


def seen_in(unit: Unit, inside: float) -> float:
    """A figure in a unit, without what the conversion has added far behind the point.

    7 % is 0.07 inside, and that is 7.000000000000001 % again, which would be above 7.

    Args:
        unit: in which it is seen.
        inside: in SI.
    """
    if unit.si_factor == 1 and unit.si_shift == 0:
        return float(inside)
    return float(f"{unit.from_si(inside):.{DIGITS}g}")
