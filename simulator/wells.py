"""Wells and their floats.

Between two due instants all flows of a well are constant, so its volume is a straight line in time
and the instant at which a float moves follows exactly (rounded up to the microsecond). A change of
any flow ends the stretch early and begins a new one.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from copy import copy
from itertools import pairwise
from random import Random
from typing import Protocol

from simulator.panel import Panel
from simulator.schedule import SECOND_US, Schedule
from simulator.truth import WellTruth

NEARLY_M3 = 1e-9
LARGEST_CHANGE_M = 0.01
"""While pumps run, their flow is worked out anew each time the level has moved this far."""

LONGEST_STRETCH_S = 900.0
"""Nothing is planned further ahead: inflows change every minute, and old plans take room."""


class Shape:
    """Level and volume of a tank: straight between the rows of a table, and beyond its ends."""

    def __init__(self, rows: Sequence[tuple[float, float]]) -> None:
        self._levels = [level for level, _ in rows]
        self._volumes = [volume for _, volume in rows]

    @classmethod
    def prism(cls, area_m2: float) -> Shape:
        """Straight walls."""
        return cls([(0.0, 0.0), (1.0, area_m2)])

    def least_area_m2(self) -> float:
        """Smallest area of the water's surface."""
        rows = list(zip(self._levels, self._volumes, strict=True))
        return min((v2 - v1) / (l2 - l1) for (l1, v1), (l2, v2) in pairwise(rows))

    def level_m(self, volume_m3: float) -> float:
        """Level at a volume."""
        return _between(self._volumes, self._levels, volume_m3)

    def volume_m3(self, level_m: float) -> float:
        """Volume at a level."""
        return _between(self._levels, self._volumes, level_m)


def _between(xs: list[float], ys: list[float], x: float) -> float:
    row = min(max(bisect_right(xs, x), 1), len(xs) - 1) - 1
    return ys[row] + (x - xs[row]) * (ys[row + 1] - ys[row]) / (xs[row + 1] - xs[row])


class FloatSwitch:
    """A float: where the water has it, and what its contact says.

    Attributes:
        made: the water lifts it.
        contact: what the panel sees, which a fault may bend.
    """

    def __init__(
        self, name: str, signal: str, makes_m: float, breaks_m: float,
        schedule: Schedule, panel: Panel, rng: Random,
    ) -> None:  # fmt: skip
        self.name = name
        self.makes_m = makes_m
        self.breaks_m = breaks_m
        self.makes_m3 = 0.0
        self.breaks_m3 = 0.0
        self.made = False
        self.contact = False
        self.told: Callable[[FloatSwitch], None] | None = None
        self._signal = signal
        self._panel = panel
        self._rng = rng
        self._stuck: bool | None = None
        self._inverted = False
        self._chatters = False
        self._bounce = False
        self._timer = schedule.timer(self._flip)

    def water(self, *, made: bool) -> None:
        """The water lifts it or lets it hang."""
        self.made = made
        self.update()

    def update(self) -> None:
        """Work out the contact, and tell whom it concerns if it moved."""
        contact = self.made
        if self._stuck is not None:
            contact = self._stuck
        elif self._chatters:
            contact = self._bounce
        elif self._inverted:
            contact = not self.made
        if contact is not self.contact:
            self.contact = contact
            self._panel.set_contact(self._signal, made=contact)
            if self.told is not None:
                self.told(self)

    def stick(self, *, at: bool | None) -> None:
        """Hold the contact made or open, or let it go (None)."""
        self._stuck = at
        self.update()

    def invert(self, *, inverted: bool) -> None:
        """Swap the wires, or put them right."""
        self._inverted = inverted
        self.update()

    def chatter(self, *, on: bool) -> None:
        """Let the contact bounce, or let it rest."""
        self._chatters = on
        self._bounce = self.contact
        if on:
            self._timer.set_in(self._pause_us())
        else:
            self._timer.cancel()
        self.update()

    def _pause_us(self) -> int:
        return 300_000 + int(self._rng.random() * 3_200_000)

    def _flip(self) -> None:
        self._bounce = not self._bounce
        self._timer.set_in(self._pause_us())
        self.update()


class Drain(Protocol):
    """What empties a well; flows in m3/s."""

    def flows(self, level_m: float) -> tuple[float, float]:
        """Flow the pumps would take, and flow that runs back through a leaking check valve."""
        ...

    def pass_on(self, pumped_m3_s: float) -> float:
        """Send the flow on; returns the longest time in s for which it stays so, or infinity."""
        ...

    def settle(self, pumped_m3: float, returned_m3: float) -> None:
        """Book what was pumped and what ran back since the last call."""
        ...


class Well:
    """A tank into which flows come and out of which pumps draw.

    Args:
        intake_m: level at which pumps begin to draw air and give no more than comes in.
        overflow_m: level of the edge.
    """

    def __init__(
        self, name: str, schedule: Schedule, shape: Shape, level_m: float, intake_m: float,
        overflow_m: float, floats: dict[str, FloatSwitch],
    ) -> None:  # fmt: skip
        self.name = name
        self.shape = shape
        self.floats = floats
        self.volume_m3 = shape.volume_m3(level_m)
        self.truth = WellTruth(self.volume_m3, schedule.now_us)
        self.drain: Drain | None = None
        self._schedule = schedule
        self._largest_change_m3 = LARGEST_CHANGE_M * shape.least_area_m2()
        self._intake_m3 = shape.volume_m3(intake_m)
        self._overflow_m3 = shape.volume_m3(overflow_m)
        self._sources: list[float] = []
        self._since_us = schedule.now_us
        self._inflow = self._returned = self._pumped = self._overflow = self._net = 0.0
        self._target: FloatSwitch | None = None
        self._timer = schedule.timer(self._reach)
        for each in floats.values():
            each.makes_m3 = shape.volume_m3(each.makes_m)
            each.breaks_m3 = shape.volume_m3(each.breaks_m)
            each.water(made=self.volume_m3 >= each.makes_m3)

    def add_source(self) -> int:
        """A place for one inflow; returns its number for ``set_source``."""
        self._sources.append(0.0)
        return len(self._sources) - 1

    def set_source(self, source: int, flow_m3_s: float) -> None:
        """One inflow changes now."""
        if self._sources[source] != flow_m3_s:
            self._sources[source] = flow_m3_s
            self.refresh()

    def level_m(self) -> float:
        """Level at the instant the plant stands at."""
        return self.shape.level_m(self.stored_m3())

    def stored_m3(self) -> float:
        """Volume at the instant the plant stands at."""
        return self.volume_m3 + self._net * ((self._schedule.now_us - self._since_us) * 1e-6)

    def truth_now(self) -> WellTruth:
        """The true volumes at the instant the plant stands at; looking changes nothing."""
        elapsed_s = (self._schedule.now_us - self._since_us) * 1e-6
        seen = copy(self.truth)
        seen.inflow_m3 += self._inflow * elapsed_s
        seen.pumped_m3 += self._pumped * elapsed_s
        seen.returned_m3 += self._returned * elapsed_s
        seen.overflow_m3 += self._overflow * elapsed_s
        return seen

    def settle(self) -> None:
        """Book what flowed since the last call."""
        now_us = self._schedule.now_us
        elapsed_s = (now_us - self._since_us) * 1e-6
        if elapsed_s == 0.0:
            return
        self._since_us = now_us
        truth = self.truth
        self.volume_m3 += self._net * elapsed_s
        truth.inflow_m3 += self._inflow * elapsed_s
        pumped_m3 = self._pumped * elapsed_s
        returned_m3 = self._returned * elapsed_s
        truth.pumped_m3 += pumped_m3
        truth.returned_m3 += returned_m3
        truth.overflow_m3 += self._overflow * elapsed_s
        if self.drain is not None:
            self.drain.settle(pumped_m3, returned_m3)

    def refresh(self) -> None:
        """A flow changed: book the stretch behind, plan the one ahead."""
        self.settle()
        self._plan()

    def _reach(self) -> None:
        self.settle()
        target, self._target = self._target, None
        if target is not None:
            target.water(made=not target.made)
        self._plan()

    def _plan(self) -> None:
        inflow = 0.0
        for flow in self._sources:  # not sum(): Python 3.12 began to round it differently
            inflow += flow
        pumped = returned = 0.0
        longest_s = math.inf
        if self.drain is not None:
            pumped, returned = self.drain.flows(self.shape.level_m(self.volume_m3))
            if pumped > inflow and self.volume_m3 <= self._intake_m3 + NEARLY_M3:
                pumped = inflow
            longest_s = self.drain.pass_on(pumped)
        net = inflow + returned - pumped
        if pumped > 0.0 and net != 0.0:
            longest_s = min(longest_s, self._largest_change_m3 / abs(net))
        overflow = 0.0
        if net > 0.0 and self.volume_m3 >= self._overflow_m3 - NEARLY_M3:
            overflow, net = net, 0.0
        self._inflow, self._pumped, self._returned = inflow, pumped, returned
        self._overflow, self._net = overflow, net
        self._plan_end(net, longest_s)

    def _plan_end(self, net: float, longest_s: float) -> None:
        """When the stretch ends: at a float, at an edge, or when the pump flow is due anew."""
        self._target = None
        volume = self.volume_m3
        if net > 0.0:
            near = (
                self._overflow_m3 - volume if volume < self._overflow_m3 - NEARLY_M3 else math.inf
            )
            for each in self.floats.values():
                if not each.made and each.makes_m3 - volume < near:
                    near = each.makes_m3 - volume
                    self._target = each
            reach_s = near / net
        elif net < 0.0:
            near = volume - self._intake_m3 if volume > self._intake_m3 + NEARLY_M3 else math.inf
            for each in self.floats.values():
                if each.made and volume - each.breaks_m3 < near:
                    near = volume - each.breaks_m3
                    self._target = each
            reach_s = near / -net
        else:
            reach_s = math.inf
        longest_s = min(longest_s, LONGEST_STRETCH_S)
        if longest_s < reach_s:
            reach_s = longest_s
            self._target = None
        self._timer.set_in(max(1, math.ceil(reach_s * SECOND_US)))
