"""Puts the played parts where the daemon's own modules look for the real ones.

No line of the collector knows of it: what is replaced is the name of a foreign module or class as
one module of the collector, or of a library it stands on, sees it.
"""

from __future__ import annotations

import datetime as real_datetime
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import apscheduler.executors.base as executors  # type: ignore[import-untyped]
import apscheduler.schedulers.base as schedulers  # type: ignore[import-untyped]
import urllib3

from collector import clock, daemon
from collector.journal import intake, ledger, reserve, writer
from collector.outlets import broker, threads
from tests.simulation.whole.played_disk import PlayedDisk

EPOCH = real_datetime.datetime(1970, 1, 1, tzinfo=real_datetime.UTC)


class MachineTime:
    """Takes the place of the module ``time`` in ``collector/clock.py``."""

    def __init__(self, machine: Any) -> None:
        self._machine = machine

    def monotonic_ns(self) -> int:
        """As in ``time``."""
        return int(self._machine.monotonic_ns())

    def time_ns(self) -> int:
        """As in ``time``."""
        return int(self._machine.wall_us()) * 1_000


def datetime_of(machine: Any) -> type[real_datetime.datetime]:
    """A ``datetime`` whose ``now`` is the machine's, for the library of the calendar."""

    class Dated(real_datetime.datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            utc = EPOCH + real_datetime.timedelta(microseconds=machine.wall_us())
            return utc.astimezone(tz)

    return Dated


class FewFiles:
    """Takes the place of ``os`` in ``reserve.py``: the played disk says what room there is."""

    def __init__(self, disk: PlayedDisk) -> None:
        self._disk = disk

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def statvfs(self, _: object) -> Any:
        """As in ``os``."""
        return self._disk.facts()

    def posix_fallocate(self, descriptor: int, offset: int, length: int) -> None:
        """As in ``os``."""
        self._disk.allocate(length)
        os.posix_fallocate(descriptor, offset, length)


@contextmanager
def in_place(world: Any) -> Iterator[None]:
    """Have the collector run in a world while the body does.

    Args:
        world: has ``machine``, ``threads``, ``disk``, ``broker`` and ``store``.
    """
    dated = datetime_of(world.machine)
    steps = world.threads
    with (
        patch.object(clock, "time", MachineTime(world.machine)),
        patch.object(daemon, "maybe_synchronised", world.machine.maybe_synchronised),
        patch.object(intake, "threading", steps),
        patch.object(writer, "threading", steps),
        patch.object(ledger, "threading", steps),
        patch.object(threads, "threading", steps),
        patch.object(broker, "threading", steps),
        patch.object(broker, "Client", world.broker.client),
        patch.object(urllib3, "PoolManager", world.store.pool),
        patch.object(schedulers, "datetime", dated),
        patch.object(executors, "datetime", dated),
        patch.object(reserve, "os", FewFiles(world.disk)),
    ):
        yield
