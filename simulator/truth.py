"""What really happened in the simulated plant, for tests and for people.

Totals are exact in the simulated world: run times in microseconds between the instants at which
the contacts moved, volumes as the sums of flow times time the simulation itself used. Hourly
figures and intervals live in rings of fixed length, so a year takes no more memory than a month.
"""

from __future__ import annotations

import json
import struct
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from simulator.schedule import SECOND_US

HOURS_KEPT = 24 * 400


def utc_text(at_us: int) -> str:
    """An instant as RFC 3339 text, UTC, microseconds."""
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)
    return instant.isoformat(timespec="microseconds").replace("+00:00", "Z")


class MachineTruth:
    """Run time and starts of one machine, by its run contact.

    Attributes:
        starts: off-to-on changes.
        since_us: when the run under way began, or None.
        intervals: the last finished runs (begin, end), if any are kept.
    """

    __slots__ = ("_finished_us", "intervals", "since_us", "starts")

    def __init__(self, intervals_kept: int) -> None:
        self._finished_us = 0
        self.starts = 0
        self.since_us: int | None = None
        self.intervals: deque[tuple[int, int]] = deque(maxlen=intervals_kept)

    def switch(self, at_us: int, *, running: bool) -> None:
        """Note that the contact moved."""
        if running and self.since_us is None:
            self.starts += 1
            self.since_us = at_us
        elif not running and self.since_us is not None:
            self._finished_us += at_us - self.since_us
            self.intervals.append((self.since_us, at_us))
            self.since_us = None

    def run_us(self, now_us: int) -> int:
        """Run time up to now."""
        return self._finished_us + (0 if self.since_us is None else now_us - self.since_us)


_HOUR = struct.Struct("<q5d")


@dataclass(frozen=True, slots=True)
class HourOfWell:
    """Volumes of one well in one clock hour (UTC; the first one may be short), m3 and m."""

    start_us: int
    inflow_m3: float
    returned_m3: float
    pumped_m3: float
    overflow_m3: float
    level_m: float


class WellTruth:
    """Volumes of one well since the start: m3.

    Attributes:
        inflow_m3: what came in, but for what a leaking check valve let back.
        returned_m3: what a leaking check valve let back from the rising main.
        pumped_m3: what the pumps took out.
        overflow_m3: what was lost over the edge.
        first_m3: volume at the start.
    """

    def __init__(self, first_m3: float, start_us: int) -> None:
        self.first_m3 = first_m3
        self.inflow_m3 = 0.0
        self.returned_m3 = 0.0
        self.pumped_m3 = 0.0
        self.overflow_m3 = 0.0
        self._hours: deque[bytes] = deque(maxlen=HOURS_KEPT)
        self._mark = (start_us, 0.0, 0.0, 0.0, 0.0)

    @property
    def hours(self) -> list[HourOfWell]:
        """The finished hours, oldest first."""
        return [HourOfWell(*_HOUR.unpack(packed)) for packed in self._hours]

    def close_hour(self, now_us: int, level_m: float) -> None:
        """End the hour under way."""
        start_us, inflow, returned, pumped, overflow = self._mark
        self._hours.append(
            _HOUR.pack(
                start_us,
                self.inflow_m3 - inflow,
                self.returned_m3 - returned,
                self.pumped_m3 - pumped,
                self.overflow_m3 - overflow,
                level_m,
            )
        )
        self._mark = (
            now_us, self.inflow_m3, self.returned_m3, self.pumped_m3, self.overflow_m3,
        )  # fmt: skip


@dataclass(slots=True)
class FaultTruth:
    """A fault that was put in."""

    fault: str
    target: str
    begin_us: int
    end_us: int | None = None


@dataclass(slots=True)
class Truth:
    """Everything known about a run of the simulated plant.

    Attributes:
        machines: by equipment name.
        wells: by equipment name.
        volumes_m3: what passed: ``filtered``, ``wash_water``, ``effluent``, ``sludge_hauled``.
        chemicals_l: used, by equipment name.
        strokes: of dosing pumps that count them.
        cleanings: finished filter cleaning cycles.
        faults: put in by script or call, in order of their begin; the last thousand.
        rain_mm: since the start, and the last hours (start_us, mm).
    """

    seed: int
    start_us: int
    now_us: int
    intervals_kept: int
    machines: dict[str, MachineTruth] = field(default_factory=dict)
    wells: dict[str, WellTruth] = field(default_factory=dict)
    levels_m: dict[str, float] = field(default_factory=dict)
    stored_m3: dict[str, float] = field(default_factory=dict)
    volumes_m3: dict[str, float] = field(default_factory=dict)
    chemicals_l: dict[str, float] = field(default_factory=dict)
    strokes: dict[str, int] = field(default_factory=dict)
    cleanings: int = 0
    bowser_dockings: int = 0
    faults: deque[FaultTruth] = field(default_factory=lambda: deque(maxlen=1000))
    rain_mm: float = 0.0
    rain_hours: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=HOURS_KEPT))

    def machine(self, name: str) -> MachineTruth:
        """The record of one machine, begun if it is new."""
        if name not in self.machines:
            self.machines[name] = MachineTruth(self.intervals_kept)
        return self.machines[name]

    def to_json(self) -> str:
        """All of it as JSON text with sorted keys; instants in microseconds since 1970 UTC."""
        return json.dumps(self._plain(), sort_keys=True, indent=1)

    def _plain(self) -> dict[str, Any]:
        return {
            "seed": self.seed,
            "start_us": self.start_us,
            "now_us": self.now_us,
            "machines": {
                name: {
                    "run_us": machine.run_us(self.now_us),
                    "starts": machine.starts,
                    "running_since_us": machine.since_us,
                    "intervals_us": [list(interval) for interval in machine.intervals],
                }
                for name, machine in self.machines.items()
            },
            "wells": {
                name: {
                    "first_m3": well.first_m3,
                    "stored_m3": self.stored_m3[name],
                    "level_m": self.levels_m[name],
                    "inflow_m3": well.inflow_m3,
                    "returned_m3": well.returned_m3,
                    "pumped_m3": well.pumped_m3,
                    "overflow_m3": well.overflow_m3,
                    "hours": [
                        [
                            h.start_us,
                            h.inflow_m3,
                            h.returned_m3,
                            h.pumped_m3,
                            h.overflow_m3,
                            h.level_m,
                        ]
                        for h in well.hours
                    ],
                }
                for name, well in self.wells.items()
            },
            "volumes_m3": self.volumes_m3,
            "chemicals_l": self.chemicals_l,
            "strokes": self.strokes,
            "cleanings": self.cleanings,
            "bowser_dockings": self.bowser_dockings,
            "rain_mm": self.rain_mm,
            "rain_hours": [list(hour) for hour in self.rain_hours],
            "faults": [
                {"fault": f.fault, "target": f.target, "begin_us": f.begin_us, "end_us": f.end_us}
                for f in self.faults
            ],
        }

    def summary(self) -> str:
        """The same for people: a page of plain text."""
        days = (self.now_us - self.start_us) / 86_400 / SECOND_US
        lines = [
            f"Simulated plant, seed {self.seed}, rain {self.rain_mm:.1f} mm",
            f"{utc_text(self.start_us)} to {utc_text(self.now_us)}, {days:.2f} d",
            "",
            f"{'machine':<22}{'run h':>12}{'starts':>9}  now",
        ]
        for name, machine in self.machines.items():
            hours = machine.run_us(self.now_us) / 3600 / SECOND_US
            state = "stopped" if machine.since_us is None else "running"
            lines.append(f"{name:<22}{hours:>12.4f}{machine.starts:>9}  {state}")
        lines += [
            "",
            f"{'well, m3':<14}{'in':>11}{'back':>9}{'pumped':>11}{'over':>9}{'level m':>9}",
        ]
        for name, well in self.wells.items():
            lines.append(
                f"{name:<14}{well.inflow_m3:>11.3f}{well.returned_m3:>9.3f}"
                f"{well.pumped_m3:>11.3f}{well.overflow_m3:>9.3f}{self.levels_m[name]:>9.3f}"
            )
        lines += [
            "",
            f"filter: {self.cleanings} cleanings; bowser: {self.bowser_dockings} dockings",
        ]
        lines += [f"{name}: {volume:.3f} m3" for name, volume in self.volumes_m3.items()]
        lines += [f"{name}: {litres:.3f} L used" for name, litres in self.chemicals_l.items()]
        lines += [f"{name}: {count} strokes" for name, count in self.strokes.items()]
        for fault in self.faults:
            end = "still there" if fault.end_us is None else f"to {utc_text(fault.end_us)}"
            lines += [
                f"fault {fault.fault} on {fault.target}:",
                f"  from {utc_text(fault.begin_us)} {end}",
            ]
        return "\n".join(lines) + "\n"
