"""The engine: inputs in, outputs out, and when it wants to be woken next.

``step`` is all there is. The same object runs live, in replay after a restart and in a simulated
month; it reads no clock, draws no numbers and keeps nothing outside itself. Which equipment derives
what is decided once, in ``components_of``.

Time arrives with the inputs. Before an input is taken, every component whose deadline lies at or
before it is woken, in the order of time, so that it makes no difference whether a tick or the next
change brought the time. The loss of a panel brings only the time up to which the panel was known:
what passed since is told with the next input, when all that is lost has been said to be lost.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from zoneinfo import ZoneInfo

from collector.core.availability import LinkMeter
from collector.core.component import Component, Saved, Timed
from collector.core.decode import Decoded
from collector.core.desks import NO_RULES, Desks, Rules
from collector.core.diagnosis.of_plant import diagnoses_of
from collector.core.floats import FloatBank
from collector.core.periods import Periods
from collector.core.process.machine_hours import MachineHours
from collector.core.process.of_plant import process_of
from collector.core.records import (
    COLLECTOR_STOPPED,
    NOT_YET_READ,
    AlarmMoved,
    ClockStepped,
    HeadWanted,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
)
from collector.core.runs import RunMeter
from collector.core.wells.of_plant import well_flows_of
from collector.errors import Bug
from collector.plant.equipment import DosingPump, Filter, Machine, Well
from collector.plant.model import Plant

REPORT_PERIOD_US = 900_000_000
# What was due this shortly before the last sign of an earlier process may not have been told: the
# daemon looks at its deadlines once a second.
NOT_YET_TOLD_US = 2_000_000
NOTICED_US = 5_000_000  # from the end of a panel's longest silence until its loss is told


def components_of(
    plant: Plant, start_us: int, *, judging: bool = True, telling: bool = True
) -> list[Component]:
    """Everything that derives something from a plant's points.

    Args:
        judging: with the diagnoses, on which no figure rests and which take half of the time.
        telling: wells tell their figures when pumps stop; without, they are only there to be asked.
    """
    found: list[Component] = [LinkMeter(panel, start_us) for panel in plant.panels]
    for name, part in plant.equipment.items():
        if isinstance(part, Machine):
            found.append(runs := RunMeter(name, part.run, start_us))
            found.append(MachineHours(name, part, runs, start_us))
        elif isinstance(part, Filter):
            found.append(RunMeter(name, part.cleaning, start_us))
        elif isinstance(part, DosingPump) and part.run is not None:
            found.append(RunMeter(name, part.run, start_us))
        elif isinstance(part, Well):
            found.append(FloatBank(name, part))
    meters = {part.name: part for part in found if isinstance(part, RunMeter)}
    wells = well_flows_of(plant, start_us)
    for well in wells:
        well.telling = telling
    process = process_of(plant, meters, wells, start_us)
    found += [*wells, *process]
    return [*found, *diagnoses_of(plant, wells, start_us)] if judging else found


class Engine:
    """Derives quantities and events of one plant.

    Args:
        plant: what there is.
        start_us: plant time at which watching begins.
        report_period_us: how often figures that move while nothing changes are told.
        offset_us: wall time minus plant time; plant days are days of the wall clock.
        rules: of alarms and service, bound to the plant.
        judging: with findings, alarms and service; see ``components_of``.
        telling: see there.
    """

    def __init__(
        self,
        plant: Plant,
        start_us: int,
        report_period_us: int = REPORT_PERIOD_US,
        offset_us: int = 0,
        rules: Rules = NO_RULES,
        *,
        judging: bool = True,
        telling: bool = True,
    ) -> None:
        self.offset_us = offset_us
        self.points: dict[str, Decoded] = {}
        parts = components_of(plant, start_us, judging=judging, telling=telling)
        self.components = {part.name: part for part in parts}
        self._panels_of = {part.name: _panels_of(part) for part in parts}
        self._panels = frozenset(plant.panels)
        self._of_point: dict[str, list[Component]] = {}
        self._of_panel: dict[str, list[Component]] = {}
        for part in self.components.values():
            for point in part.points:
                self._of_point.setdefault(point, []).append(part)
            for panel in self._panels_of[part.name]:
                self._of_panel.setdefault(panel, []).append(part)
        self._period_us = report_period_us
        self._next_report_us = _grid_after(start_us, report_period_us)
        self.periods = Periods(
            self.components.values(), ZoneInfo(plant.plant.time_zone), start_us, offset_us,
            *_grace_and_kept_us(plant),
        )  # fmt: skip
        self._timed: dict[str, Timed] = {
            name: part for name, part in self.components.items() if isinstance(part, Timed)
        }
        self._timed[self.periods.name] = self.periods  # they read what the others made
        self.desks = Desks(plant, rules, self.components, start_us, offset_us, judging=judging)
        self._timed[self.desks.name] = self.desks  # last: they judge what all others said
        self._timed_of_point = {
            point: [part.name for part in parts if part.name in self._timed]
            for point, parts in self._of_point.items()
        }
        self._deadlines: dict[str, int] = {}
        self._wake_us: int | None = None  # the earliest of them
        self._note_deadlines(self._timed)

    def step(self, news: Input) -> list[Output]:
        """Take one input and say what follows from it."""
        passed = self._pass_time(
            min(news.last_good_us, news.by_us) if isinstance(news, PanelLost) else news.by_us
        )
        concluded = self._conclude(news)
        if not self.desks.hear(news):
            return passed + concluded
        judged = self.desks.take(news, concluded)
        self._note_deadlines([self.desks.name])
        return [*passed, *concluded, *judged]

    def follow(self, told: Iterable[AlarmMoved | HeadWanted]) -> None:
        """After ``restore`` and ``replay``: what is on record, and nothing else, counts as told."""
        self.desks.follow(told)
        self._note_deadlines([self.desks.name])

    def settle(self, at_us: int) -> list[Output]:
        """After that: what rules that are new bring about now."""
        found = self.desks.settle(at_us)
        self._note_deadlines([self.desks.name])
        return found

    def _conclude(self, news: Input) -> list[Output]:
        """What the components conclude from an input."""
        found: list[Output] = []
        if isinstance(news, PointChanged):
            self.points[news.point] = Decoded(news.value, news.quality, news.reason)
            parts = self._of_point.get(news.point, ())
            for part in parts:
                found += part.point_changed(news)
            self._note_deadlines(self._timed_of_point.get(news.point, ()))
            if news.after_us < self.periods.last_read_us and self._answers(news.point):
                names = [part.name for part in parts]
                found += self.periods.read_again(names, news.after_us)
            return found
        if isinstance(news, PanelLost):
            found += self._tell_panel(
                news.panel,
                lambda part: part.lost(news.panel, news.reason, news.last_good_us, news.by_us),
            )
            if news.reason == COLLECTOR_STOPPED:  # nobody asked for figures meanwhile
                next_us = _grid_after(news.by_us, self._period_us)
                self._next_report_us = max(self._next_report_us, next_us)
            if news.last_good_us < self.periods.last_read_us:
                names = [part.name for part in self._of_panel.get(news.panel, ())]
                found += self.periods.read_again(names, news.last_good_us)
            return found
        if isinstance(news, PanelReturned):
            return found + self._tell_panel(
                news.panel, lambda part: part.returned(news.panel, news.by_us)
            )
        if isinstance(news, ClockStepped):
            # Durations are on plant time and do not move; the calendar does.
            self.offset_us = news.offset_us
            self.periods.step_clock(news.by_us, news.offset_us)
            self._note_deadlines([self.periods.name])
            return found
        return found + self._report(news) if isinstance(news, Tick) else found

    def next_deadline_us(self) -> int:
        """Plant time at which it wants a ``Tick`` if nothing comes before."""
        if self._wake_us is None:
            return self._next_report_us
        return min(self._next_report_us, self._wake_us)

    def _answers(self, point: str) -> bool:
        """Whether the panel of a point is known to answer; what is found on its return is not."""
        link = self.components.get(point.partition(".")[0])  # gone in an old record
        return isinstance(link, LinkMeter) and link.up

    def _sees_nothing(self) -> bool:
        """Whether no panel answers."""
        return not any(self._answers(panel) for panel in self._panels)

    def _pass_time(self, until_us: int) -> list[Output]:
        """Wake what is due up to a plant time, the earliest first."""
        found: list[Output] = []
        if self._wake_us is not None and self._wake_us <= until_us and self._sees_nothing():
            self.periods.see_nothing_until(until_us)
        while self._wake_us is not None and self._wake_us <= until_us:
            at_us = self._wake_us
            due = [name for name in self._timed if self._deadlines.get(name) == at_us]
            told: list[Output] = []
            for name in due:
                if name != self.desks.name:
                    told += self._timed[name].wake(at_us)
            found += told + self.desks.learn(told, at_us)
            if self.desks.name in due:
                found += self.desks.wake(at_us)
            self._note_deadlines([*due, self.desks.name])
            if self._wake_us is not None and self._wake_us <= at_us:
                raise Bug(f"one of {', '.join(due)} wants to be woken again and again at {at_us}")
        return found

    def _note_deadlines(self, names: Iterable[str]) -> None:
        """Ask those that are timed when they want to be woken next."""
        moved = False
        for name in names:
            part = self._timed.get(name)
            if part is None:
                continue
            deadline_us = part.deadline_us()
            if deadline_us != self._deadlines.get(name):
                moved = True
                if deadline_us is None:
                    del self._deadlines[name]
                else:
                    self._deadlines[name] = deadline_us
        if moved:
            self._wake_us = min(self._deadlines.values(), default=None)

    @property
    def longest_correction_us(self) -> int:
        """How long after its end a period may still be told again."""
        return self.periods.kept_us

    def has_watched(self, panel: str) -> bool:
        """Whether anything, good or bad, is on record of a panel."""
        link = self.components[panel]
        return isinstance(link, LinkMeter) and link.reason != NOT_YET_READ

    def _tell_panel(self, panel: str, tell: Callable[[Component], list[Output]]) -> list[Output]:
        found: list[Output] = []
        parts = self._of_panel.get(panel, ())
        for part in parts:
            found += tell(part)
        self._note_deadlines(part.name for part in parts)
        return found

    def _report(self, tick: Tick) -> list[Output]:
        if tick.by_us < self._next_report_us:
            return []
        self._next_report_us = _grid_after(tick.by_us, self._period_us)
        found: list[Output] = []
        for name, part in self.components.items():
            known_us = tick.by_us
            for panel in self._panels_of[name]:
                known_us = min(known_us, tick.known_until_us.get(panel, known_us))
            found += part.report(tick.by_us, known_us)
        self._note_deadlines(self._timed)
        return found

    # --- keeping --------------------------------------------------------------------------------

    def save(self) -> str:
        """Its whole state as JSON text."""
        return json.dumps(
            {
                "next_report_us": self._next_report_us,
                "offset_us": self.offset_us,
                "periods": self.periods.save(),
                "desks": self.desks.save(),
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
        self.offset_us = state.get("offset_us", self.offset_us)
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
        fresh = [name for name in self.components if name not in told]
        self.periods.restore(state.get("periods"), fresh)
        self.desks.restore(state.get("desks"), self.points)
        self._note_deadlines(self._timed)
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
            watched_us = news.by_us
            if isinstance(news, PanelLost) and news.reason == COLLECTOR_STOPPED:
                watched_us = news.last_good_us  # nobody ticked during the stop
            self._tick_up_to(watched_us)
            self.step(news)
        self._tick_up_to(until_us)
        self._pass_time(until_us - NOT_YET_TOLD_US)
        self._next_report_us = max(self._next_report_us, _grid_after(now_us, self._period_us))

    def _tick_up_to(self, at_us: int) -> None:
        while self._next_report_us <= at_us:
            self.step(Tick(self._next_report_us))


def _panels_of(part: Component) -> set[str]:
    """The panels a component lives on."""
    if isinstance(part, LinkMeter):
        return {part.panel}
    return {point.partition(".")[0] for point in part.points}


def _grace_and_kept_us(plant: Plant) -> tuple[int, int]:
    """How long a loss of a panel may go unnoticed: by its silence, and by its standing still."""
    panels = plant.panels.values()
    silence_s = max(panel.silence_s + 2.0 * panel.scan_period_s for panel in panels)
    frozen_s = max((p.frozen.after_s for p in panels if p.frozen is not None), default=0.0)
    grace_us = round(silence_s * 1e6) + NOTICED_US
    return grace_us, grace_us + round(frozen_s * 1e6)


def _grid_after(at_us: int, period_us: int) -> int:
    return (at_us // period_us + 1) * period_us
