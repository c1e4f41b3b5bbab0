"""Stories of a small works, told contact by contact to the whole engine; and what it found.

One panel ``p`` that is known without a gap unless the story says so. All of it is invented.
"""

from __future__ import annotations

from typing import Any

from collector.core.engine import Engine
from collector.core.records import (
    Finding,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Tick,
)
from collector.plant.model import Plant
from tests.unit.core.scans_for_tests import a_plant, us

CONTACTS = (
    "low", "start_1", "start_2", "high", "run_1", "run_2", "fault_1", "auto_1", "auto_2",
    "mains", "cleaning", "filter_level", "dosing", "tank_low", "blower_1", "blower_2", "mixer",
)  # fmt: skip
HEIGHTS = {"low": (0.4, 0.3), "start_1": (0.9, 0.8), "start_2": (1.3, 1.2), "high": (1.6, 1.5)}


def works(
    *,
    floats: tuple[str, ...] = ("low", "start_1", "start_2", "high"),
    doses: bool = False,
    **panel: Any,
) -> Plant:
    """A sump with two pumps in turn, a filter, two blowers, a mixer, and a dosing pump if asked."""
    points = {name: {"table": "discrete-input", "address": k} for k, name in enumerate(CONTACTS)}
    equipment: dict[str, dict[str, Any]] = {
        "sump": {
            "kind": "well",
            "floats": {
                role: {"point": f"p.{role}", "makes_at_m": HEIGHTS[role][0],
                       "breaks_at_m": HEIGHTS[role][1]}
                for role in floats
            },
        },
        "pump_1": {"kind": "pump", "well": "sump", "run": "p.run_1", "fault": "p.fault_1",
                   "auto": "p.auto_1", "starts_per_hour_limit": 6.0},
        "pump_2": {"kind": "pump", "well": "sump", "run": "p.run_2", "auto": "p.auto_2",
                   "starts_per_hour_limit": 6.0},
        "pumps": {"kind": "group", "members": ["pump_1", "pump_2"]},
        "supply": {"kind": "mains", "present": "p.mains", "panels": ["p"]},
        "filter": {"kind": "filter", "cleaning": "p.cleaning", "level": "p.filter_level",
                   "longest_cleaning_min": 8.0},
        "hypo": {"kind": "dosing_pump", "chemical": "hypochlorite", "run": "p.dosing",
                 "tank_low": "p.tank_low", "flow_from": "sump"},
        "blower_1": {"kind": "blower", "run": "p.blower_1"},
        "blower_2": {"kind": "blower", "run": "p.blower_2"},
        "blowers": {"kind": "group", "members": ["blower_1", "blower_2"], "serves": ["aeration"]},
        "mixer": {"kind": "mixer", "run": "p.mixer"},
    }  # fmt: skip
    if not doses:
        del equipment["hypo"]["flow_from"]
    return a_plant({"p": {"points": points, **panel}}, equipment)


class Story:
    """Tells the engine what happens, in seconds.

    Args:
        plant: from ``works``.
        idle: what is made at the begin beside low, auto and mains.
    """

    def __init__(self, plant: Plant | None = None, *idle: str) -> None:
        self.plant = works() if plant is None else plant
        self.engine = Engine(self.plant, 0)
        self.now_s = 0.0
        self.findings: list[Finding] = []
        made = {"low", "auto_1", "auto_2", "mains", *idle}
        for name in CONTACTS:
            self._step(PointChanged(f"p.{name}", name in made, Quality.GOOD, "", 0, 0))
        self._step(PanelReturned("p", 0))

    def _step(self, news: Input) -> None:
        self._keep(self.engine.step(news))

    def _keep(self, found: list[Output]) -> None:
        self.findings += [output for output in found if isinstance(output, Finding)]

    def at(self, seconds: float, **made: bool) -> Story:
        """Contacts move, each within the second before."""
        self.wait_until(seconds)
        for name, state in made.items():
            self._step(PointChanged(f"p.{name}", state, Quality.GOOD, "", us(seconds) - us(1),
                                    us(seconds)))  # fmt: skip
        return self

    def wait_until(self, seconds: float) -> Story:
        """Let time pass, as the daemon does."""
        while self.engine.next_deadline_us() < us(seconds):
            self._step(Tick(self.engine.next_deadline_us()))
        self._step(Tick(us(seconds)))
        self.now_s = seconds
        return self

    def bad(self, seconds: float, name: str) -> Story:
        """A contact is no longer known."""
        self.wait_until(seconds)
        self._step(PointChanged(f"p.{name}", None, Quality.BAD, "exception 02",
                                us(seconds) - us(1), us(seconds)))  # fmt: skip
        return self

    def lost(
        self, seconds: float, reason: str = "no reply", last_good_s: float | None = None
    ) -> Story:
        """The panel is lost; it was good until three seconds before, or as said."""
        good_s = seconds - 3.0 if last_good_s is None else last_good_s
        self._step(PanelLost("p", reason, us(good_s), us(seconds)))
        return self

    def back(self, seconds: float, **made: bool) -> Story:
        """The panel returns; these contacts are other than before."""
        self.wait_until(seconds)
        for name, state in made.items():
            self._step(PointChanged(f"p.{name}", state, Quality.GOOD, "", us(seconds), us(seconds)))
        self._step(PanelReturned("p", us(seconds)))
        return self

    def cycle(
        self, begin_s: float, pump: int, lag: int | None = None, length_s: float = 100.0
    ) -> Story:
        """A whole pump cycle in order, led by one pump; start-2 makes if a lag pump is named."""
        self.at(begin_s, start_1=True).at(begin_s + 3, **{f"run_{pump}": True})
        if lag is not None:
            self.at(begin_s + 20, start_2=True).at(begin_s + 23, **{f"run_{lag}": True})
            self.at(begin_s + 40, start_2=False)
        self.at(begin_s + 60, start_1=False).at(begin_s + length_s, low=False)
        runs = {f"run_{each}": False for each in (pump, lag) if each is not None}
        return self.at(begin_s + length_s + 2, **runs).at(begin_s + length_s + 60, low=True)

    def restart(self) -> Story:
        """The engine's state goes through JSON text into a new engine."""
        saved = self.engine.save()
        self.engine = Engine(self.plant, us(self.now_s))
        assert self.engine.restore(saved) == []
        return self

    @property
    def raised(self) -> list[str]:
        """Subjects raised, in order."""
        return [finding.subject for finding in self.findings if finding.standing]

    @property
    def standing(self) -> set[str]:
        """Subjects that stand now."""
        stands: dict[str, bool] = {}
        for finding in self.findings:
            stands[finding.subject] = finding.standing
        return {subject for subject, now in stands.items() if now}

    def finding(self, subject: str) -> Finding:
        """The last time a subject was raised."""
        return next(f for f in reversed(self.findings) if f.subject == subject and f.standing)
