"""The towed tank: it fills at the far field's sump, is towed to the works and emptied there.

While it is away from the far field, that field's sewage waits in the sump and follows when the tank
is back. Its panel answers only while docked. Times and figures invented.
"""

from __future__ import annotations

from random import Random

from simulator.panel import Panel
from simulator.pumping import LeadLag, Motor
from simulator.schedule import MINUTE_US, SECOND_US, Schedule
from simulator.wells import Well

MORNING_MINUTE = 10 * 60 + 20
EVENING_MINUTE = 17 * 60 + 10
MORNING_FROM_M3 = 0.5
EVENING_FROM_M3 = 1.6
FILLING_M3_S = 0.0018
LOOK_AGAIN_US = 5 * MINUTE_US
LONGEST_DOCKING_US = 180 * MINUTE_US


class Bowser:
    """Where the tank is, and what flows into it.

    Attributes:
        place: ``field``, ``road`` or ``docked``.
        dockings: since the start.
        waiting_m3: in the far field's sump.
    """

    def __init__(
        self, schedule: Schedule, panel: Panel, well: Well, pump: Motor, program: LeadLag,
        rng: Random,
    ) -> None:  # fmt: skip
        self._schedule = schedule
        self._panel = panel
        self._well = well
        self._pump = pump
        self._program = program
        self._rng = rng
        self._filling = well.add_source()
        self.place = "field"
        self.dockings = 0
        self.waiting_m3 = 0.0
        self._docked_us = 0
        self._field_m3_s = 0.0
        self._fill_m3_s = 0.0
        self._arrives = schedule.timer(self._dock)
        self._looks = schedule.timer(self._look)
        self._back = schedule.timer(self._be_back)
        self._plugged = schedule.timer(self._plug_in)
        pump.powered = False
        pump.state_changed()
        program.enable(enabled=False)
        panel.set_here(here=False)

    def minute(self, minute_of_day: int, field_m3_s: float) -> None:
        """The minute behind is booked, the coming one has another inflow."""
        self.waiting_m3 = max(0.0, self.waiting_m3 + (self._field_m3_s - self._fill_m3_s) * 60.0)
        self._field_m3_s = field_m3_s
        due = (minute_of_day == MORNING_MINUTE and self._well.stored_m3() > MORNING_FROM_M3) or (
            minute_of_day == EVENING_MINUTE and self._well.stored_m3() > EVENING_FROM_M3
        )
        if due and self.place == "field":
            self.place = "road"
            self._arrives.set_in(self._trip_us())
        self._fill()

    def _fill(self) -> None:
        """Sewage follows while the tank stands there and has room."""
        flow = 0.0
        if self.place == "field" and not self._well.floats["high"].made:
            flow = min(FILLING_M3_S, self.waiting_m3 / 60.0 + self._field_m3_s)
        self._fill_m3_s = flow
        self._well.set_source(self._filling, flow)

    def _trip_us(self) -> int:
        return 20 * MINUTE_US + int(self._rng.random() * 9 * MINUTE_US)

    def _dock(self) -> None:
        self.place = "docked"
        self.dockings += 1
        self._docked_us = self._schedule.now_us
        self._panel.set_contact("docked", made=True)
        self._panel.set_here(here=True)
        self._plugged.set_in(70 * SECOND_US + int(self._rng.random() * 40 * SECOND_US))
        self._looks.set_in(30 * MINUTE_US)

    def _plug_in(self) -> None:
        self._pump.powered = True
        self._pump.state_changed()
        self._program.enable(enabled=True)

    def _look(self) -> None:
        """Leave once it is empty, or after three hours all the same."""
        stays_us = self._schedule.now_us - self._docked_us
        if self._well.floats["low"].made and stays_us < LONGEST_DOCKING_US:
            self._looks.set_in(LOOK_AGAIN_US)
            return
        self.place = "road"
        self._program.enable(enabled=False)
        self._pump.powered = False
        self._pump.state_changed()
        self._panel.set_contact("docked", made=False)
        self._panel.set_here(here=False)
        self._back.set_in(self._trip_us())

    def _be_back(self) -> None:
        self.place = "field"
