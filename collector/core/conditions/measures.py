"""What the figures in a comparison measure: one rule for each operation, and no guessing.

A figure of a plant has a unit, and so has a named limit; a bare number has none and takes that of
what it stands beside. Figures of one kind are brought to one unit before they meet. Figures of two
kinds may not meet; a share (kind "number") may multiply or divide anything, and two figures of one
kind have a ratio.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.core.conditions.tree import Node
from collector.units import UNITS, Unit

PLAIN = UNITS["1"]

BARE, OF_LIMIT, OF_NAME, FIXED = range(4)
"""Whose unit goes before whose where two meet: the greater."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What part of an expression measures.

    Args:
        unit: None for a bare number.
        rank: whose unit it is.
        carriers: tokens that are read in the unit which is agreed on in the end.
        seen: units of the names among them, by code.
        loose: a bare number that was added or stands alone.
        largest: of nothing but whole numbers, how far from zero it can be.
    """

    unit: Unit | None
    rank: int
    carriers: tuple[int, ...] = ()
    seen: frozenset[str] = frozenset()
    loose: Node | None = None
    largest: int | None = None

    @property
    def shifted(self) -> bool:
        """Whether its zero is not where the SI has it, as of degrees Celsius."""
        return self.unit is not None and self.unit.si_shift != 0

    @property
    def label(self) -> str:
        """What it measures, in words."""
        if self.unit is None:
            return "a bare number"
        return self.unit.kind + (f" in {self.unit.label}" if self.unit.label else "")


@dataclass(slots=True)
class Disagreement(Exception):
    """Two figures cannot meet.

    Args:
        found, expected: as in ``Fault``.
        at: the part that is meant, if not both.
    """

    found: str
    expected: str
    at: Node | None = None


@dataclass(slots=True)
class Units:
    """Finds units in which figures can meet; knows that of each token, once settled."""

    read_in: dict[int, Unit] = field(default_factory=dict)

    def settle(self, measure: Measure, unit: Unit | None) -> None:
        """Read a figure in a unit of its kind."""
        for token in measure.carriers:
            self.read_in[token] = unit or PLAIN

    def agree(self, left: Measure, right: Measure) -> Measure:
        """Two figures that are compared or added, as one of the unit they meet in.

        Raises:
            Disagreement: they are of two kinds, or it is unclear what a bare number means.
        """
        if left.unit is not None and right.unit is not None and left.unit.kind != right.unit.kind:
            found = f"{left.label} beside {right.label}"
            raise Disagreement(found, f"two figures of the kind {left.unit.kind}")
        first = left if left.rank >= right.rank else right
        seen = left.seen | right.seen
        loose = left.loose or right.loose
        if loose is not None and len(seen) > 1:
            found = f"a bare number beside figures in {' and '.join(sorted(seen))}"
            raise Disagreement(found, "a named limit that has a unit", loose)
        return Measure(first.unit, first.rank, left.carriers + right.carriers, seen, loose)

    def added(self, left: Measure, right: Measure, minus: bool) -> Measure:
        """Sum or difference of two figures.

        Raises:
            Disagreement: as ``agree``, or temperatures in degrees Celsius that cannot be added.
        """
        both = left.unit is not None and right.unit is not None
        if both and (left.shifted or right.shifted):
            if not (minus and left.shifted and right.shifted):
                expected = "a difference of two temperatures, or a bare number"
                raise Disagreement("temperatures in °C in a sum", expected)
            agreed = self.agree(left, right)
            self.settle(agreed, agreed.unit)
            return Measure(UNITS["K"], FIXED, loose=agreed.loose)
        return self.agree(left, right)

    def times(self, left: Measure, right: Measure) -> Measure:
        """Product of two figures.

        Raises:
            Disagreement: both have a unit and neither is a share.
        """
        self._unshifted(left, right)
        if left.unit is None or right.unit is None:
            return right if left.unit is None else left
        share, other = (left, right) if self._is_share(left) else (right, left)
        if not self._is_share(share):
            found = f"{left.label} times {right.label}"
            raise Disagreement(found, "a bare number or a share as one of the two")
        self.settle(share, PLAIN)
        if self._is_share(other):
            self.settle(other, PLAIN)
            return Measure(PLAIN, FIXED)
        return other

    def divided(self, left: Measure, right: Measure) -> Measure:
        """Quotient of two figures.

        Raises:
            Disagreement: they are of two kinds and the second is no share.
        """
        self._unshifted(left, right)
        if right.unit is None:
            return left
        if left.unit is not None and left.unit.kind == right.unit.kind:
            agreed = self.agree(left, right)
            self.settle(agreed, agreed.unit)
            return Measure(PLAIN, FIXED)
        if not self._is_share(right):
            found = f"{left.label} divided by {right.label}"
            raise Disagreement(found, "a divisor of the same kind, a bare number or a share")
        self.settle(right, PLAIN)
        return left if left.unit is not None else Measure(PLAIN, FIXED)

    @staticmethod
    def _is_share(measure: Measure) -> bool:
        """Whether it is a share or plain number that can be read as such."""
        unit = measure.unit
        if unit is None or unit.kind != PLAIN.kind:
            return False
        return unit == PLAIN or measure.loose is None

    @staticmethod
    def _unshifted(*measures: Measure) -> None:
        if any(each.shifted for each in measures):
            raise Disagreement("a multiple of a temperature in °C", "a difference of temperatures")
