"""The engine: inputs in, outputs out, and when it wants to be woken next.

``step`` is all there is. The same object runs live, in replay after a restart and in a simulated
month; it reads no clock, draws no numbers and keeps nothing outside itself. Which equipment derives
what is decided once, in ``components_of``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable

from collector.core.availability import LinkMeter
from collector.core.component import Component, Saved
from collector.core.decode import Decoded
from collector.core.floats import FloatBank
from collector.core.records import (
    NOT_YET_READ,
    ClockStepped,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
)
from collector.core.runs import RunMeter
from collector.plant.equipment import DosingPump, Filter, Machine, Well
from collector.plant.model import Plant

REPORT_PERIOD_US = 900_000_000


def components_of(plant: Plant, start_us: int) -> list[Component]:
    """Everything that derives something from a plant's points."""
    found: list[Component] = [LinkMeter(panel, start_us) for panel in plant.panels]
    for name, part in plant.equipment.items():
        if isinstance(part, Machine):
            found.append(RunMeter(name, part.run, start_us))
        elif isinstance(part, Filter):
            found.append(RunMeter(name, part.cleaning, start_us))
        elif isinstance(part, DosingPump) and part.run is not None:
            found.append(RunMeter(name, part.run, start_us))
        elif isinstance(part, Well):
            found.append(FloatBank(name, part))
    return found


class Engine:
    """Derives quantities and events of one plant.

    Args:
        plant: what there is.
        start_us: plant time at which watching begins.
        report_period_us: how often figures that move while nothing changes are told.
    """

    def __init__(
        self, plant: Plant, start_us: int, report_period_us: int = REPORT_PERIOD_US
    ) -> None:
        self.points: dict[str, Decoded] = {}
        self.components = {part.name: part for part in components_of(plant, start_us)}
        self._panels = frozenset(plant.panels)
        self._of_point: dict[str, list[Component]] = {}
        self._of_panel: dict[str, list[Component]] = {}
        for part in self.components.values():
            for point in part.points:
                self._of_point.setdefault(point, []).append(part)
            for panel in _panels_of(part):
                self._of_panel.setdefault(panel, []).append(part)
        self._period_us = report_period_us
        self._next_report_us = _grid_after(start_us, report_period_us)

    def step(self, news: Input) -> list[Output]:
        """Take one input and say what follows from it."""
        if isinstance(news, PointChanged):
            self.points[news.point] = Decoded(news.value, news.quality, news.reason)
            found: list[Output] = []
            for part in self._of_point.get(news.point, ()):
                found += part.point_changed(news)
            return found
        if isinstance(news, PanelLost):
            return self._tell_panel(
                news.panel,
                lambda part: part.lost(news.panel, news.reason, news.last_good_us, news.by_us),
            )
        if isinstance(news, PanelReturned):
            return self._tell_panel(news.panel, lambda part: part.returned(news.panel, news.by_us))
        if isinstance(news, ClockStepped):
            return []  # durations are on plant time; only stamps move, and those are not ours
        return self._report(news)

    def next_deadline_us(self) -> int:
        """Plant time at which it wants a ``Tick`` if nothing comes before."""
        return self._next_report_us

    def has_watched(self, panel: str) -> bool:
        """Whether anything, good or bad, is on record of a panel."""
        link = self.components[panel]
        return isinstance(link, LinkMeter) and link.reason != NOT_YET_READ

    def _tell_panel(self, panel: str, tell: Callable[[Component], list[Output]]) -> list[Output]:
        found: list[Output] = []
        for part in self._of_panel.get(panel, ()):
            found += tell(part)
        return found

    def _report(self, tick: Tick) -> list[Output]:
        if tick.by_us < self._next_report_us:
            return []
        self._next_report_us = _grid_after(tick.by_us, self._period_us)
        found: list[Output] = []
        for part in self.components.values():
            known_us = min(
                (tick.known_until_us.get(panel, tick.by_us) for panel in _panels_of(part)),
                default=tick.by_us,
            )
            found += part.report(tick.by_us, min(known_us, tick.by_us))
        return found

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> str:
        """Its whole state as JSON text."""
        return json.dumps(
            {
                "next_report_us": self._next_report_us,
                "points": {
                    name: [known.value, int(known.quality), known.reason]
                    for name, known in self.points.items()
                },
                "components": {
                    name: [part.points, part.save()] for name, part in self.components.items()
                },
            },
            separators=(",", ":"),
            allow_nan=False,
        )

    def restore(self, saved: str) -> list[str]:
        """Take back a saved state; equipment that is new or cannot use it starts afresh.

        Points of panels that are gone are forgotten. So are points that a component did not have
        before: it has to be told of them, and only what is forgotten is told again.

        Returns:
            names of components whose saved state could not be used, for the log.
        """
        state = json.loads(saved)
        self._next_report_us = state["next_report_us"]
        unusable = []
        told: dict[str, list[str]] = {}
        parts: dict[str, tuple[list[str], Saved]] = state["components"]
        for name, (points, part) in parts.items():
            component = self.components.get(name)
            try:
                if component is not None:
                    component.restore(part)
                    told[name] = points
            except ValueError:
                unusable.append(name)
        untold = {
            point
            for name, part in self.components.items()
            for point in part.points
            if point not in told.get(name, ())
        }
        for name, (value, quality, reason) in state["points"].items():
            if name.partition(".")[0] in self._panels and name not in untold:
                self.points[name] = Decoded(value, Quality(quality), reason)
        return unusable

    def replay(self, inputs: Iterable[Input], until_us: int, now_us: int) -> None:
        """Take inputs whose outputs are already on record, after ``restore``.

        Ticks are not on record; they are made again up to the end of the earlier process, so that
        what it told in between counts as told.

        Args:
            inputs: in the order in which they came.
            until_us: plant time at which the earlier process ended.
            now_us: plant time from which live inputs follow.
        """
        for news in inputs:
            self._tick_up_to(news.by_us)
            self.step(news)
        self._tick_up_to(until_us)
        self._next_report_us = max(self._next_report_us, _grid_after(now_us, self._period_us))

    def _tick_up_to(self, at_us: int) -> None:
        while self._next_report_us <= at_us:
            self.step(Tick(self._next_report_us))


def _panels_of(part: Component) -> set[str]:
    """The panels a component lives on."""
    if isinstance(part, LinkMeter):
        return {part.panel}
    return {point.partition(".")[0] for point in part.points}


def _grid_after(at_us: int, period_us: int) -> int:
    return (at_us // period_us + 1) * period_us
