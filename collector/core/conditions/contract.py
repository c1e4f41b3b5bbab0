"""What a condition is made of, and what it is asked with.

A **fact** is something a rule may name: a contact, reading, derived quantity, finding or state. Its
full name is ``owner.name``, as in ``collection.level``. In a rule the owner may be ``this``, the
equipment the rule is bound to. Facts are kept in SI; a condition compares them in the unit of its
``Name``, and a named limit is converted to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from collector.units import Unit

FactValue = bool | float | str
Type = Literal["yes or no", "number", "word"]


@dataclass(frozen=True, slots=True)
class Name:
    """A name that an expression may use.

    Args:
        fact: full name of the fact it stands for.
        type: what its values are.
        unit: of a number, the unit in which expressions see it.
        words: of a word, every value it may have; empty where that is not known.
        means: one line for people.
    """

    fact: str
    type: Type
    unit: Unit | None = None
    words: tuple[str, ...] = ()
    means: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """A figure that a rule has given a name and a unit.

    Args:
        value: in ``unit``.
        unit: as written.
        deadband: how far a figure has to come back past the limit before the comparison ceases to
            hold, in ``unit``.
    """

    value: float
    unit: Unit
    deadband: float = 0.0


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with an expression, and where.

    Args:
        start, end: zero-based offsets of the part that is meant.
        found, expected, nearest: as in ``errors.Problem``.
    """

    start: int
    end: int
    found: str
    expected: str
    nearest: str | None = None


class BadCondition(ValueError):
    """An expression cannot be used; ``faults`` says all that is wrong with it."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"found {each.found}" for each in faults))


class Facts(Protocol):
    """Where a condition looks up what is so."""

    def value_of(self, fact: str) -> FactValue | None:
        """Value of a fact in SI; None where it is not known."""
        ...


class Condition(Protocol):
    """A checked expression, ready to be asked.

    It holds no state: what it last said is handed back to it, since a comparison with a deadband
    depends on it.
    """

    @property
    def text(self) -> str:
        """As written."""
        ...

    @property
    def facts(self) -> tuple[str, ...]:
        """Full names of the facts it depends on."""
        ...

    def holds(self, facts: Facts, held: Held) -> bool | None:
        """Whether it is so; None where that is not known.

        Args:
            facts: what is so.
            held: what its comparisons with a deadband said last; brought up to date.
        """
        ...

    def explain(self) -> str:
        """The same in plain words, without a full stop."""
        ...


Held = dict[str, bool]
Vocabulary = Mapping[str, Name]
"""Every name that may be used, as written: ``this.level``, ``collection.level``."""
