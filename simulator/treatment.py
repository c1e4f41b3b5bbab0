"""Air, mixing, sludge: what runs by the clock.

Blowers change over every morning at six, the new one before the old stops; at night they pause for
twenty minutes of each hour. Without air there is no airlift, so sludge stays in the
clarifier and solids begin to come over. Figures invented for the scenario.
"""

from __future__ import annotations

from collections.abc import Sequence

from simulator.panel import Panel
from simulator.pumping import Motor
from simulator.schedule import SECOND_US, Schedule

CHANGEOVER_MINUTE = 6 * 60
STORE_HIGH_M3 = 15.0
HAULED_TO_M3 = 2.0


class Aeration:
    """Duty and standby blower."""

    def __init__(self, schedule: Schedule, blowers: Sequence[Motor]) -> None:
        self._schedule = schedule
        self.blowers = blowers
        self.duty = 0
        self._pausing = False
        self._overlap = schedule.timer(self._apply)
        self._standby = schedule.timer(self._apply)
        for blower in blowers:
            blower.availability_changed = self.notice
        self._standby.set_in(SECOND_US)

    @property
    def has_air(self) -> bool:
        """A blower runs."""
        return any(blower.running for blower in self.blowers)

    def notice(self) -> None:
        """A blower came or went: the other takes over after some seconds."""
        self._standby.set_in(8 * SECOND_US)

    def minute(self, minute_of_day: int) -> None:
        """The panel's clock moves on by a minute."""
        self._pausing = minute_of_day < CHANGEOVER_MINUTE and 20 <= minute_of_day % 60 < 40
        if minute_of_day == CHANGEOVER_MINUTE:
            self.duty = 1 - self.duty
            if self.blowers[self.duty].available:
                self.blowers[self.duty].call(wanted=True)
            self._overlap.set_in(5 * SECOND_US)
        elif self._overlap.due_us is None and self._standby.due_us is None:
            self._apply()

    def _apply(self) -> None:
        order = (self.blowers[self.duty], self.blowers[1 - self.duty])
        chosen = next((blower for blower in order if blower.available), None)
        for blower in self.blowers:
            blower.call(wanted=blower is chosen and not self._pausing)


class SludgeStore:
    """Fills by the airlift's doses, is hauled when there is enough of it.

    Attributes:
        stored_m3: in the store.
        hauled_m3: since the start.
    """

    DOSE_M3 = 0.045

    def __init__(self, panel: Panel, schedule: Schedule, stored_m3: float) -> None:
        self._panel = panel
        self.stored_m3 = stored_m3
        self.hauled_m3 = 0.0
        self._close = schedule.timer(self._close_valve)

    def minute(self, minute_of_day: int, weekday: int, *, has_air: bool) -> None:
        """The panel's clock moves on by a minute."""
        if minute_of_day % 120 == 15 and has_air:
            self._panel.set_contact("airlift_open", made=True)
            self.stored_m3 = min(18.0, self.stored_m3 + self.DOSE_M3)
            self._close.set_in(240 * SECOND_US + 350_000)
        if weekday == 1 and minute_of_day == 10 * 60 + 20 and self.stored_m3 > 11.0:
            self.hauled_m3 += self.stored_m3 - HAULED_TO_M3
            self.stored_m3 = HAULED_TO_M3
        self._panel.set_contact("sludge_high", made=self.stored_m3 >= STORE_HIGH_M3)

    def _close_valve(self) -> None:
        self._panel.set_contact("airlift_open", made=False)


class Clarifier:
    """Tanks from the anoxic zone to the clarifier: full to the weir, so what comes in goes out,
    smoothed like a linear reservoir; and how much the clarifier lets solids over.

    Attributes:
        outflow_l_s: of the present minute.
        carry_over: 0 when it settles well, up to 4 when there was no air for long.
    """

    TAU_S = 900.0
    STEP_S = 60.0

    def __init__(self, outflow_l_s: float) -> None:
        self._above_weir_l = outflow_l_s * self.TAU_S
        self.outflow_l_s = outflow_l_s
        self.carry_over = 0.0
        self._airless_s = 0.0

    def step(self, inflow_l: float, *, has_air: bool) -> None:
        """Go on by a minute in which ``inflow_l`` came."""
        self._above_weir_l += inflow_l - self.outflow_l_s * self.STEP_S
        self.outflow_l_s = max(0.0, self._above_weir_l / self.TAU_S)
        self._airless_s = 0.0 if has_air else self._airless_s + self.STEP_S
        if self._airless_s > 3600.0:
            self.carry_over = min(4.0, self.carry_over + self.STEP_S / 5400.0)
        else:
            self.carry_over = max(0.0, self.carry_over - self.STEP_S / 14400.0)
