"""The machine the daemon runs on: its clocks."""

from __future__ import annotations

from datetime import UTC, datetime

from tests.simulation.whole.virtual_loop import Agenda

START_US = int(datetime(2026, 7, 1, tzinfo=UTC).timestamp()) * 1_000_000


class Machine:
    """Clocks of a small computer.

    Attributes:
        wall_offset_us: by how much the wall clock is wrong.
        synchronised: what the system says of that.
    """

    def __init__(self, agenda: Agenda) -> None:
        self.wall_offset_us = 0
        self.synchronised = True
        self._agenda = agenda
        self._booted_ns = 0

    def true_us(self) -> int:
        """UTC as it really is."""
        return START_US + self._agenda.seen_ns // 1_000

    def monotonic_ns(self) -> int:
        """Time since the machine was switched on."""
        return self._agenda.seen_ns - self._booted_ns

    def wall_us(self) -> int:
        """UTC as the machine believes it."""
        return self.true_us() + self.wall_offset_us

    def boot(self) -> None:
        """It is switched on."""
        self._booted_ns = self._agenda.now_ns

    def maybe_synchronised(self) -> bool:
        """As ``collector.clock.maybe_synchronised``."""
        return self.synchronised
