"""Says of any journal subject what unit it is shown in and how a stored value is shown.

Values are stored in SI; this is the one place where they become what people and programs read.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.core.own_points import own_point
from collector.core.quantities import QUANTITIES
from collector.core.records import Record, RecordKind, Value
from collector.plant.model import Plant, Point
from collector.units import UNITS, Unit

NUMBER = UNITS["1"]


@dataclass(frozen=True, slots=True)
class Shown:
    """A record's figures as they are shown: in ``unit``, with bounds, and a word for a state."""

    value: Value
    low: float | None
    high: float | None
    unit: Unit
    word: str | None = None

    @property
    def text(self) -> str:
        """The value as people read it; figures with seven digits, which hide conversion noise."""
        if self.value is None:
            return "unknown"
        if self.word is not None or isinstance(self.value, str):
            return self.word or str(self.value)
        if isinstance(self.value, bool):
            return "made" if self.value else "open"
        whole = float(self.value).is_integer()
        return f"{self.value:{'.0f' if whole else '.7g'}} {self.unit.label}".strip()


class Catalogue:
    """Units and state words of one plant's subjects."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self._points: dict[str, Point] = {
            f"{panel_name}.{point_name}": point
            for panel_name, panel in plant.panels.items()
            for point_name, point in panel.points.items()
        }

    def unit_of(self, record: Record) -> Unit:
        """The unit a record's value is shown in."""
        if record.kind is RecordKind.POINT:
            own = own_point(record.subject)
            if own is not None:
                return own.unit or NUMBER
            point = self._points.get(record.subject)
            return UNITS[point.unit] if point is not None and point.unit else NUMBER
        if record.kind is RecordKind.DERIVED:
            quantity = QUANTITIES.get(record.subject.rpartition(".")[2])
            return quantity.unit if quantity is not None else NUMBER
        if record.kind is RecordKind.TOTAL:
            return unit_of_total(record.subject)
        if record.kind is RecordKind.EVENT and record.value is not None:
            return UNITS["s"]
        return NUMBER

    def shown(self, record: Record) -> Shown:
        """A record's value and bounds in the unit they are shown in."""
        unit = self.unit_of(record)
        value = record.value
        word: str | None = None
        if record.kind is RecordKind.POINT:
            point = self._points.get(record.subject)
            if point is not None and point.states is not None and isinstance(value, int):
                word = point.states.get(value)
            elif isinstance(value, bool) and own_point(record.subject) is not None:
                word = "yes" if value else "no"
        if isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool)):
            value = value if unit is NUMBER else unit.from_si(value)
        return Shown(value, _shown(record.low, unit), _shown(record.high, unit), unit, word)


def unit_of_total(subject: str) -> Unit:
    """The unit of ``equipment.quantity.period``; an extreme has that of what it is one of."""
    name = subject.split(".")[1].removesuffix("_least").removesuffix("_greatest")
    quantity = QUANTITIES.get(name)
    return quantity.unit if quantity is not None else NUMBER


def _shown(bound: float | None, unit: Unit) -> float | None:
    return None if bound is None else unit.from_si(bound)
