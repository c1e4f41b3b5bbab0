"""The cloth filter: water rises over the cloth as it clogs, then a cleaning cycle runs.

Head over the cloth is flow times resistance, and the resistance grows with the solids caught. When
the level contact makes, the cleaning begins: the drive turns the cloth past the suction of the
vacuum pump, filtering goes on, the wash water returns to the equalization tank. Figures invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from simulator.demand import STEP_S
from simulator.panel import Panel
from simulator.pumping import Motor
from simulator.schedule import HOUR_US, SECOND_US, Schedule

CLEAN_M_PER_L_S = 0.045
MORE_PER_GRAM = 0.0011
LEVEL_MAKES_M = 0.25
LEVEL_BREAKS_M = 0.11
VACUUM_M3_S = 0.002
VACUUM_S = 150.0
LEFT_SHARE = 0.06
LONGEST_PAUSE_US = 14 * HOUR_US


class ClothFilter:
    """The filter and its cleaning program.

    Attributes:
        flow_l_s: through the cloth.
        cleanings: finished cycles.
        endless: a fault keeps the cleaning from ending.
    """

    def __init__(
        self, schedule: Schedule, panel: Panel, cleaning: Motor, wash: Callable[[float], None],
        rng: Random, flow_l_s: float,
    ) -> None:  # fmt: skip
        self._schedule = schedule
        self._panel = panel
        self._cleaning = cleaning
        self._wash = wash
        self._rng = rng
        self.flow_l_s = flow_l_s
        self.cleanings = 0
        self._wash_m3 = 0.0
        self._filtered_m3 = 0.0
        self.endless = False
        self._solids_g_per_l = 0.01
        self._load_g = 138.0
        self._removal_g_s = 0.0
        self._since_us = schedule.now_us
        self._last_clean_us = schedule.now_us
        self._vacuum = False
        self._level = False
        self._level_timer = schedule.timer(self._level_moves)
        self._steps: list[tuple[int, Callable[[], None]]] = []
        self._sequence = schedule.timer(self._next_step)
        cleaning.changed = self._cleaning_moved
        cleaning.availability_changed = self._availability_changed

    @property
    def head_m(self) -> float:
        """Water over the cloth."""
        return self.flow_l_s * (CLEAN_M_PER_L_S + MORE_PER_GRAM * self._load_g)

    def volumes_now(self) -> tuple[float, float]:
        """Filtered volume and wash water in m3 at this instant; looking changes nothing."""
        elapsed_s = (self._schedule.now_us - self._since_us) * 1e-6
        filtered_m3 = self._filtered_m3 + self.flow_l_s * 0.001 * elapsed_s
        return filtered_m3, self._wash_m3 + (VACUUM_M3_S * elapsed_s if self._vacuum else 0.0)

    def settle(self) -> None:
        """Book what was caught and washed since the last call."""
        elapsed_s = (self._schedule.now_us - self._since_us) * 1e-6
        self._since_us = self._schedule.now_us
        self._filtered_m3 += self.flow_l_s * 0.001 * elapsed_s
        caught_g_s = self.flow_l_s * self._solids_g_per_l
        self._load_g = max(0.0, self._load_g + (caught_g_s - self._removal_g_s) * elapsed_s)
        if self._vacuum:
            self._wash_m3 += VACUUM_M3_S * elapsed_s

    def step(self, flow_l_s: float, solids_g_per_l: float) -> None:
        """The coming minute has another flow."""
        self.settle()
        self.flow_l_s = flow_l_s
        self._solids_g_per_l = solids_g_per_l
        self._plan()
        if self._schedule.now_us - self._last_clean_us > LONGEST_PAUSE_US:
            self._begin()

    def _plan(self) -> None:
        """When the level contact will move, if flow and suction stay as they are."""
        growth_g_s = self.flow_l_s * self._solids_g_per_l - self._removal_g_s
        growth_m_s = self.flow_l_s * MORE_PER_GRAM * growth_g_s
        limit_m = LEVEL_BREAKS_M if self._level else LEVEL_MAKES_M
        missing_m = limit_m - self.head_m
        wrong_side = missing_m >= 0.0 if self._level else missing_m <= 0.0
        if wrong_side:
            self._level_timer.set_in(1)
        elif growth_m_s != 0.0 and 0.0 < missing_m / growth_m_s < 2.0 * STEP_S:
            self._level_timer.set_in(max(1, math.ceil(missing_m / growth_m_s * SECOND_US)))
        else:  # never, or after the next step has planned anew
            self._level_timer.cancel()

    def _level_moves(self) -> None:
        self.settle()
        self._level = not self._level
        self._panel.set_contact("filter_level", made=self._level)
        self._plan()
        if self._level:
            self._begin()

    def _begin(self) -> None:
        if self._steps or not self._cleaning.available:
            return
        vacuum_us = int((VACUUM_S + self._rng.random() * 4.0) * SECOND_US)
        self._steps = [
            (2_100_000, lambda: self._cleaning.call(wanted=True)),
            (6_400_000, self._vacuum_on),
            (vacuum_us, self._vacuum_off),
            (4_700_000, self._end),
        ]
        self._sequence.set_in(self._steps[0][0])

    def _next_step(self) -> None:
        _, action = self._steps.pop(0)
        action()
        if self._steps:
            self._sequence.set_in(self._steps[0][0])

    def _vacuum_on(self) -> None:
        self.settle()
        self._vacuum = True
        self._removal_g_s = self._load_g * (1.0 - LEFT_SHARE) / VACUUM_S
        self._panel.set_contact("filter_vacuum", made=True)
        self._wash(VACUUM_M3_S)
        self._plan()

    def _vacuum_off(self) -> None:
        if self.endless:
            self._steps.insert(0, (60 * SECOND_US, self._vacuum_off))
            return
        self._stop_vacuum()

    def _stop_vacuum(self) -> None:
        if self._vacuum:
            self.settle()
            self._vacuum = False
            self._removal_g_s = 0.0
            self._panel.set_contact("filter_vacuum", made=False)
            self._wash(0.0)
            self._plan()

    def _end(self) -> None:
        self._cleaning.call(wanted=False)
        self.cleanings += 1
        self._last_clean_us = self._schedule.now_us
        if self._level:
            self._steps = []
            self._begin()

    def _cleaning_moved(self) -> None:
        """The drive turns while the cleaning runs."""
        self._panel.set_contact("filter_drive", made=self._cleaning.running)

    def _availability_changed(self) -> None:
        """Without power, or tripped, the cycle breaks off; afterwards it begins anew."""
        if not self._cleaning.available:
            self._steps = []
            self._sequence.cancel()
            self._stop_vacuum()
            self._cleaning.call(wanted=False)
        elif self._level:
            self._begin()
