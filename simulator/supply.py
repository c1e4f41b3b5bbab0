"""Mains supply of a site: what stops when it fails, and how long the panel lives on its battery."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simulator.panel import Panel
from simulator.pumping import Motor
from simulator.schedule import SECOND_US, Schedule

BOOT_US = 25 * SECOND_US


class Supply:
    """The mains of one panel's site.

    Args:
        battery_us: how long the panel lives without mains; 0 where it has no battery.
        returned: called when motors have power again.
    """

    def __init__(
        self, schedule: Schedule, panel: Panel, motors: Sequence[Motor], battery_us: int,
        returned: Callable[[], None],
    ) -> None:  # fmt: skip
        self.present = True
        self._panel = panel
        self._motors = motors
        self._battery_us = battery_us
        self._returned = returned
        self._dies = schedule.timer(self._panel_dies)
        self._boots = schedule.timer(self._panel_boots)
        panel.set_contact("mains_present", made=True)

    def fail(self) -> None:
        """The mains fails: everything stops at once."""
        self.present = False
        self._boots.cancel()
        self._panel.set_contact("mains_present", made=False)
        for motor in self._motors:
            motor.powered = False
            motor.state_changed()
        if self._battery_us:
            self._dies.set_in(self._battery_us)
        else:
            self._panel_dies()

    def restore(self) -> None:
        """The mains is back; a panel that died has to start up first."""
        self.present = True
        self._dies.cancel()
        if self._panel.powered:
            self._motors_return()
        else:
            self._boots.set_in(BOOT_US)

    def _panel_dies(self) -> None:
        if self._panel.powered:
            self._panel.set_powered(powered=False)

    def _panel_boots(self) -> None:
        self._panel.set_powered(powered=True)
        self._motors_return()

    def _motors_return(self) -> None:
        self._panel.set_contact("mains_present", made=True)
        for motor in self._motors:
            motor.powered = True
            motor.state_changed()
        self._returned()
