"""What is so, for conditions to ask: the facts that rules use, kept from what the engine hears.

A fact of equipment is unknown while a panel that the equipment has points on is lost: the engine's
figures stand then as they were told last, which says nothing of now. When the panel returns, what
was not told anew is as it was. A finding that was never told does not stand.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from collector.core.component import Saved
from collector.core.conditions.contract import FactValue
from collector.core.decode import Decoded
from collector.core.quantities import QUANTITIES
from collector.core.records import (
    Derived,
    Finding,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
)
from collector.plant.equipment import Equipment, Well
from collector.plant.model import Plant

UNKNOWN = "unknown"
ALWAYS_SEEN = ("link_state", "link_availability", "not_answering", "panel_frozen")
"""What is said of a panel itself is known just because it does not answer."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A fact may be otherwise now; its change lies in the bracket."""

    fact: str
    after_us: int
    by_us: int


class FactBook:
    """Facts of one plant; it tells which move of those that are asked for.

    Args:
        plant: says on which panels equipment has points.
        wanted: full names of the facts that conditions use.
    """

    def __init__(self, plant: Plant, wanted: Collection[str]) -> None:
        self._wanted = frozenset(wanted)
        named = {name: _named_panels(part, plant) for name, part in plant.equipment.items()}
        self._panels_of = {fact: _panels(plant, fact, named) for fact in sorted(self._wanted)}
        self._on_panel: dict[str, list[str]] = {name: [] for name in plant.panels}
        for fact, panels in self._panels_of.items():
            for panel in sorted(panels):
                self._on_panel[panel].append(fact)
        self._states = _states(plant)
        self._values: dict[str, FactValue | None] = {
            fact: False for fact in sorted(self._wanted) if _is_finding(plant, fact)
        }
        self._lost = set(plant.panels)  # until they have answered
        self._last_good_us: dict[str, int] = {}  # of those lost

    def value_of(self, fact: str) -> FactValue | None:
        """Value of a fact in SI; None where it is not known."""
        if not self._lost.isdisjoint(self._panels_of.get(fact, ())):
            return None
        return self._values.get(fact)

    def hear(self, news: Input) -> list[Moved]:
        """Take an input; says which facts may be otherwise."""
        if isinstance(news, PointChanged):
            value = None if news.quality is Quality.BAD else news.value
            return self._set(news.point, value, news.after_us, news.by_us)
        if isinstance(news, PanelLost) and news.panel in self._on_panel:
            self._last_good_us.setdefault(news.panel, news.last_good_us)
            if news.panel in self._lost:
                return []
            self._lost.add(news.panel)
            return self._moved(news.panel, news.last_good_us, news.by_us)
        if isinstance(news, PanelReturned) and news.panel in self._lost:
            self._lost.discard(news.panel)
            after_us = self._last_good_us.pop(news.panel, news.by_us)
            return self._moved(news.panel, min(after_us, news.by_us), news.by_us)
        return []

    def learn(self, outputs: Iterable[Output], now_us: int) -> list[Moved]:
        """Take what the engine concluded; says which facts may be otherwise.

        Args:
            outputs: in order.
            now_us: plant time at which that was concluded.
        """
        found: list[Moved] = []
        for output in outputs:
            if isinstance(output, Derived):
                bad = output.quality is Quality.BAD or output.value == UNKNOWN
                value = None if bad else output.value
                found += self._set(output.subject, value, min(output.at_us, now_us), now_us)
            elif isinstance(output, Finding):
                earliest_us = output.earliest_us
                after_us = min(output.after_us if earliest_us is None else earliest_us, now_us)
                found += self._set(output.subject, output.standing, after_us, now_us)
        return found

    def _set(
        self, fact: str, value: FactValue | int | None, after_us: int, by_us: int
    ) -> list[Moved]:
        if isinstance(value, int) and not isinstance(value, bool):
            states = self._states.get(fact)
            value = float(value) if states is None else states.get(value)
        if fact in self._values and self._values[fact] == value:
            return []
        self._values[fact] = value
        return [Moved(fact, after_us, by_us)] if fact in self._wanted else []

    def _moved(self, panel: str, after_us: int, by_us: int) -> list[Moved]:
        return [Moved(fact, after_us, by_us) for fact in self._on_panel[panel]]

    def know(self, points: Mapping[str, Decoded]) -> None:
        """Take points as they are known, told of by nobody."""
        for point, known in points.items():
            value = None if known.quality is Quality.BAD else known.value
            self._set(point, value, 0, 0)

    def save(self) -> Saved:
        """Its state as plain JSON values; also what nobody asks for now, but other rules may."""
        values: Saved = dict(self._values)
        answering = " ".join(sorted(self._on_panel.keys() - self._lost))
        return {"values": values, "answering": answering, "last_good": dict(self._last_good_us)}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take back a state from ``save``; a panel that is new has yet to answer."""
        values = saved.get("values")
        self._values.update(values if isinstance(values, dict) else {})
        self._lost = self._on_panel.keys() - set(str(saved.get("answering", "")).split())
        last_good = saved.get("last_good")
        kept = last_good if isinstance(last_good, dict) else {}
        self._last_good_us = {
            panel: at_us for panel, at_us in kept.items()
            if panel in self._lost and isinstance(at_us, int)
        }  # fmt: skip


def _panels(plant: Plant, fact: str, named: Mapping[str, set[str]]) -> frozenset[str]:
    """The panels without which a fact is not known."""
    owner, _, name = fact.partition(".")
    if owner in plant.panels:
        return frozenset() if name in ALWAYS_SEEN else frozenset({owner})
    part = plant.equipment.get(owner)
    if part is None:
        return frozenset()
    parts = [owner, *getattr(part, "members", ())]
    if isinstance(part, Well):
        parts += [
            one for one, other in plant.equipment.items() if getattr(other, "well", None) == owner
        ]
    return frozenset().union(*(named.get(each, ()) for each in parts))


def _named_panels(part: Equipment, plant: Plant) -> set[str]:
    """The panels of the points that equipment names in its roles."""
    found: set[str] = set()
    waiting: list[object] = [part.model_dump()]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting += value.values()
        elif isinstance(value, list):
            waiting += value
        elif isinstance(value, str):
            panel, _, point = value.partition(".")
            if panel in plant.panels and point in plant.panels[panel].points:
                found.add(panel)
    return found


def _states(plant: Plant) -> dict[str, Mapping[int, str]]:
    """Of each enumeration the word for each raw figure; rules compare the word."""
    return {
        f"{owner}.{name}": point.states
        for owner, panel in plant.panels.items()
        for name, point in panel.points.items()
        if point.states is not None
    }


def _is_finding(plant: Plant, fact: str) -> bool:
    owner, _, name = fact.partition(".")
    if name in QUANTITIES:
        return False
    if owner in plant.panels:
        return name not in plant.panels[owner].points
    return owner in plant.equipment
