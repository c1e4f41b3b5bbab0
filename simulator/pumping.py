"""Motors, the pumps of a well, and the panel's lead/lag program.

The program, as small panels have it (common practice, no source): the start-1 float calls the lead
pump, start-2 (or high) the lag pump as well; what runs, runs until the stop float opens; after each
stop the other pump leads. The stop float is the low float; where there is none, the pumps stop when
no start float is made. The low float, open, also keeps everything off, against dry running.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from simulator.hydraulics import PumpSet
from simulator.panel import Panel
from simulator.schedule import SECOND_US, Schedule
from simulator.truth import MachineTruth
from simulator.wells import FloatSwitch, Well

CHECK_VALVE_TAU_S = 80.0
"""Time in which a leaking check valve lets back two thirds of the main (invented)."""

LONGEST_LEAK_STRETCH_S = 5.0
BETWEEN_STARTS_US = 4 * SECOND_US


class Motor:
    """A motor with contactor, overload relay and selector.

    Attributes:
        called: the panel wants it.
        selector: ``auto``, ``hand`` or ``off``.
        tripped: the overload relay has opened.
        welded: the contactor no longer opens.
        fails_to_start: the contactor no longer closes.
        wear: share of a new pump's flow at the same head.
        blockage: further share, by what it has caught.
        running: the run contact.
    """

    def __init__(
        self, name: str, signal: str, schedule: Schedule, panel: Panel, truth: MachineTruth,
        rng: Random, *, wear: float = 1.0, rated_a: float = 0.0, run_word: str = "run",
    ) -> None:  # fmt: skip
        self.name = name
        self.truth = truth
        self.called = False
        self.selector = "auto"
        self.tripped = False
        self.welded = False
        self.fails_to_start = False
        self.powered = True
        self.worn_to = 1.0
        self.blockage = 1.0
        self.running = False
        self.changed: Callable[[], None] | None = None
        self.availability_changed: Callable[[], None] | None = None
        self._wear = wear
        self._rated_a = rated_a
        self._signal = signal
        self._run_signal = f"{signal}_{run_word}"
        self._panel = panel
        self._schedule = schedule
        self._rng = rng
        self._timer = schedule.timer(self._switch)
        self._has_auto = panel.image.has_contact(f"{signal}_auto")
        self._has_fault = panel.image.has_contact(f"{signal}_fault")
        self.state_changed()

    @property
    def wear(self) -> float:
        """Share of a new pump's flow it gives at the same head."""
        return self._wear * self.worn_to * self.blockage

    @property
    def available(self) -> bool:
        """The panel can count on it."""
        return self.powered and self.selector == "auto" and not self.tripped

    def call(self, *, wanted: bool) -> None:
        """The panel's program wants it to run, or no more."""
        if wanted != self.called:
            self.called = wanted
            self.update()

    def update(self) -> None:
        """Let the contactor follow, some tenths of a second later; power and relay act at once."""
        if self._wants() == self.running:
            self._timer.cancel()
        elif not self.powered or self.tripped:
            self._switch()
        else:
            self._timer.set_in(150_000 + int(self._rng.random() * 350_000))

    def state_changed(self) -> None:
        """Selector, relay or power changed: show it and act on it."""
        if self._has_auto:
            self._panel.set_contact(f"{self._signal}_auto", made=self.selector == "auto")
        if self._has_fault:
            self._panel.set_contact(f"{self._signal}_fault", made=self.tripped)
        self.update()
        if self.availability_changed is not None:
            self.availability_changed()

    def _wants(self) -> bool:
        if not self.powered or self.tripped:
            return False
        if self.welded:
            return True
        if self.fails_to_start or self.selector == "off":
            return False
        return self.called or self.selector == "hand"

    def _switch(self) -> None:
        running = self._wants()
        if running == self.running:
            return
        self.running = running
        self.truth.switch(self._schedule.now_us, running=running)
        self._panel.set_contact(self._run_signal, made=running)
        if self.changed is not None:
            self.changed()

    def run_s(self) -> float:
        """True run time since the start of the simulation."""
        return self.truth.run_us(self._schedule.now_us) * 1e-6

    def current_a(self) -> float:
        """Motor current: less where a pump moves less, more where something blocks it."""
        if not self.running:
            return 0.0
        load = 0.72 + 0.28 * self._wear * self.worn_to + (0.35 if self.blockage < 1.0 else 0.0)
        return self._rated_a * (load + 0.02 * (self._rng.random() - 0.5))


class PumpStation:
    """The pumps of one well and their rising main; the well's drain."""

    def __init__(
        self, well: Well, pumps: Sequence[Motor], pump_set: PumpSet,
        send: Callable[[float], None],
    ) -> None:  # fmt: skip
        self.well = well
        self.pumps = pumps
        self.check_valve_leaks = False
        self._pump_set = pump_set
        self._send = send
        self._main_full_m3 = pump_set.main.volume_m3
        self._main_m3 = self._main_full_m3
        self._running = False
        well.drain = self
        for pump in pumps:
            pump.changed = well.refresh

    def flows(self, level_m: float) -> tuple[float, float]:
        """Pump flow and return flow in m3/s at a level."""
        wear_sum = 0.0
        for pump in self.pumps:
            if pump.running:
                wear_sum += pump.wear
        self._running = wear_sum > 0.0
        if self._running:
            return self._pump_set.operating_point(level_m, wear_sum)[0] * 0.001, 0.0
        if self.check_valve_leaks and self._main_m3 > 1e-6:
            return 0.0, self._main_m3 / CHECK_VALVE_TAU_S
        return 0.0, 0.0

    def pass_on(self, pumped_m3_s: float) -> float:
        """Send on what does not go into filling the main."""
        missing_m3 = self._main_full_m3 - self._main_m3
        if pumped_m3_s > 0.0:
            if missing_m3 > 1e-9:
                self._send(0.0)
                return missing_m3 / pumped_m3_s
            self._send(pumped_m3_s)
            return math.inf
        self._send(0.0)
        if self.check_valve_leaks and not self._running and self._main_m3 > 1e-6:
            return LONGEST_LEAK_STRETCH_S
        return math.inf

    def settle(self, pumped_m3: float, returned_m3: float) -> None:
        """Fill or empty the main."""
        if returned_m3 or self._main_m3 < self._main_full_m3:
            self._main_m3 = min(self._main_full_m3, self._main_m3 + pumped_m3 - returned_m3)


class LeadLag:
    """The panel's pump program for one well.

    Attributes:
        enabled: the program may call pumps.
        lead: which pump leads the next cycle.
    """

    def __init__(
        self, schedule: Schedule, floats: dict[str, FloatSwitch], pumps: Sequence[Motor],
        rng: Random,
    ) -> None:  # fmt: skip
        self._schedule = schedule
        self._floats = floats
        self._pumps = pumps
        self._rng = rng
        self._demand = 0
        self._ran = False
        self._last_start_us = schedule.now_us - BETWEEN_STARTS_US
        self.enabled = True
        self.lead = 0
        self._timer = schedule.timer(self._evaluate)
        for each in floats.values():
            each.told = self._float_moved
        for pump in pumps:
            pump.availability_changed = self.notice
        self._timer.set_in(2 * SECOND_US)

    def _float_moved(self, moved: FloatSwitch) -> None:
        self.notice(1_500_000 if moved.contact else 300_000)

    def notice(self, reaction_us: int = 500_000) -> None:
        """Something changed: look at it after the program's reaction time."""
        if self._timer.due_us is None:
            self._timer.set_in(reaction_us + int(self._rng.random() * 300_000))

    def enable(self, *, enabled: bool) -> None:
        """Let the program act, or stop everything it called."""
        self.enabled = enabled
        self.notice()

    def _evaluate(self) -> None:
        self._demand = self._demanded()
        if self._demand == 0 and self._ran:
            self._ran = False
            self.lead = (self.lead + 1) % len(self._pumps)
        count = len(self._pumps)
        order = [self._pumps[(self.lead + k) % count] for k in range(count)]
        wanted = [pump for pump in order if pump.available][: self._demand]
        for pump in self._pumps:
            if pump not in wanted:
                pump.call(wanted=False)
        for pump in wanted:
            if pump.called:
                continue
            wait_us = self._last_start_us + BETWEEN_STARTS_US - self._schedule.now_us
            if wait_us > 0:
                self._timer.set_in(wait_us)
                return
            self._last_start_us = self._schedule.now_us
            self._ran = True
            pump.call(wanted=True)

    def _demanded(self) -> int:
        """How many pumps the floats call for, given how many they called for before."""
        made = {role: each.contact for role, each in self._floats.items()}
        starts = made["start_1"] or made.get("start_2", False) or made.get("high", False)
        stop = not made["low"] if "low" in made else not starts
        if stop or not self.enabled:
            return 0
        demand = self._demand
        if made["start_1"]:
            demand = max(demand, 1)
        if made.get("start_2", False) or made.get("high", False):
            demand = len(self._pumps)
        return demand
