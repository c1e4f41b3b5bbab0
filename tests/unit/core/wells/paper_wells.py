"""Wells on paper: a level that a test makes, sampled into contacts, and what is made of them.

``Watched`` turns samples of level and pump states into changes of points with their brackets, as a
panel read at each sample would show them. ``Sump`` is the simplest plant there is: inflow and pump
flows as functions of time, floats, a panel program. It is written here from the mass balance alone
and shares nothing with the project's code.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.core.records import Input, PanelLost, PanelReturned, PointChanged, Quality
from collector.core.wells.of_plant import well_flows_of
from collector.core.wells.well_flow import WellFlow
from collector.plant.model import Plant
from tests.unit.core.scans_for_tests import a_plant

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
START_US = 1_700_000_000 * SECOND_US
FLOATS = {"low": (0.45, 0.40), "start_1": (1.00, 0.94), "start_2": (1.30, 1.24),
          "high": (1.60, 1.54)}  # fmt: skip
"""Heights at which the floats of the paper sump make and break, m."""


def a_well(*args: Any, **keys: Any) -> WellFlow:
    """The component of a well, by way of a plant file; arguments as of ``paper_plant``."""
    (found,) = well_flows_of(paper_plant(*args, **keys), START_US)
    return found


def paper_plant(
    floats: Mapping[str, tuple[float, float]] = FLOATS,
    pumps: Sequence[str] = ("pump_1", "pump_2"),
    *,
    area_m2: float = 2.0,
    reverse: bool = False,
    curves: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    with_speed: bool = False,
    **well: Any,
) -> Plant:
    """A well with these floats and pumps, all on one panel.

    Args:
        floats: heights by role.
        pumps: names.
        area_m2: plan area.
        reverse: write points and equipment in the opposite order.
        curves: (L/s, m) by pump, for wells with a ``main``.
        with_speed: the speed of each pump is read, as ``speed_of_`` and its name.
        well: further keys of the well.
    """
    names = [*floats, *pumps]
    points: dict[str, dict[str, Any]] = {
        name: {"table": "discrete-input", "address": k} for k, name in enumerate(names)
    }
    equipment: dict[str, Any] = {
        "sump": {
            "kind": "well", "plan_area_m2": area_m2,
            "floats": {
                role: {"point": f"p.{role}", "makes_at_m": makes, "breaks_at_m": breaks}
                for role, (makes, breaks) in floats.items()
            },
            **well,
        }
    }  # fmt: skip
    for name in pumps:
        equipment[name] = {"kind": "pump", "well": "sump", "run": f"p.{name}"}
        if with_speed:
            equipment[name]["speed"] = f"p.speed_of_{name}"
            points[f"speed_of_{name}"] = {
                "table": "input-register", "address": len(points), "unit": "%",
            }  # fmt: skip
        if curves is not None:
            equipment[name]["curve"] = [
                {"flow_l_per_s": flow, "head_m": head} for flow, head in curves[name]
            ]
    if reverse:
        points = dict(reversed(points.items()))
        equipment = dict(reversed(equipment.items()))
    return a_plant({"p": {"points": points}}, equipment)


def tell(well: WellFlow, news: Input) -> None:
    """Give a component one input, as the engine would."""
    if isinstance(news, PointChanged):
        if news.point in well.points:
            well.point_changed(news)
    elif isinstance(news, PanelLost):
        well.lost(news.panel, news.reason, news.last_good_us, news.by_us)
    elif isinstance(news, PanelReturned):
        well.returned(news.panel, news.by_us)


@dataclass
class Watched:
    """A panel read at each sample.

    Args:
        floats: heights by role.
        changes: what was found, in order.
    """

    floats: Mapping[str, tuple[float, float]]
    changes: list[Input] = field(default_factory=list)
    _shown: dict[str, bool] = field(default_factory=dict)
    _sampled_us: int | None = None

    def made(self, role: str) -> bool:
        """Whether a float is lifted."""
        return self._shown[role]

    def sample(self, at_us: int, level_m: float, running: Mapping[str, bool]) -> None:
        """Read the panel."""
        first = self._sampled_us is None
        after_us = at_us if self._sampled_us is None else self._sampled_us
        for role, (makes, breaks) in self.floats.items():
            before = self._shown.get(role, level_m >= makes)
            made = level_m >= makes or (before and level_m > breaks)
            self._note(role, made, after_us, at_us)
        for name, runs in running.items():
            self._note(name, runs, after_us, at_us)
        if first:
            self.changes.append(PanelReturned("p", at_us))
        self._sampled_us = at_us

    def _note(self, name: str, made: bool, after_us: int, by_us: int) -> None:
        if self._shown.get(name) is not made:
            self._shown[name] = made
            self.changes.append(PointChanged(f"p.{name}", made, Quality.GOOD, "", after_us, by_us))


@dataclass
class Sump:
    """A sump with a lead and a lag pump.

    Args:
        inflow_l_s: as a function of seconds since the start.
        flows_l_s: of each pump, as a function of seconds and level.
        area_m2: plan area.
        alternating: the lead changes after each cycle.
        step_s: of the simulation and of the reads.

    Attributes:
        days_in_m3, days_out_m3: true volumes of each day; the latter by pump.
    """

    inflow_l_s: Callable[[float], float]
    flows_l_s: Sequence[Callable[[float, float], float]]
    area_m2: float = 2.0
    alternating: bool = True
    step_s: int = 1
    floats: Mapping[str, tuple[float, float]] = field(default_factory=lambda: FLOATS)
    level_m: float = 0.7
    days_in_m3: list[float] = field(default_factory=list)
    days_out_m3: list[list[float]] = field(default_factory=list)

    def run(self, days: float) -> list[Input]:
        """Let it work, and read its panel at each step."""
        watched = Watched(self.floats)
        names = [f"pump_{k + 1}" for k in range(len(self.flows_l_s))]
        running = dict.fromkeys(names, False)
        lead = 0
        for step in range(round(days * 86_400 / self.step_s)):
            at_s = step * self.step_s
            if at_s % 86_400 == 0:
                self.days_in_m3.append(0.0)
                self.days_out_m3.append([0.0] * len(names))
            watched.sample(START_US + at_s * SECOND_US, self.level_m, running)
            lead = self._control(watched, running, names, lead)
            came = self.inflow_l_s(at_s) * 1e-3 * self.step_s
            self.days_in_m3[-1] += came
            self.level_m += came / self.area_m2
            for k, name in enumerate(names):
                if running[name]:
                    went = self.flows_l_s[k](at_s, self.level_m) * 1e-3 * self.step_s
                    self.days_out_m3[-1][k] += went
                    self.level_m -= went / self.area_m2
        return watched.changes

    def _control(
        self, watched: Watched, running: dict[str, bool], names: list[str], lead: int
    ) -> int:
        if not watched.made("low"):
            if any(running.values()):
                running.update(dict.fromkeys(names, False))
                return (lead + 1) % len(names) if self.alternating else lead
        elif watched.made("start_2"):
            running.update(dict.fromkeys(names, True))
        elif watched.made("start_1"):
            running[names[lead]] = True
        return lead
