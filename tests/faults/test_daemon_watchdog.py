"""The watchdog: the sign of life stops when polling or the journal hangs, and only then.

On a virtual clock, so that minutes pass at once. The protocol is that of sd_notify(3): a service
that has not sent WATCHDOG=1 for ``WATCHDOG_USEC`` is ended and started anew by its manager.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from collector.core.scans import Read
from collector.daemon import STUCK_AFTER_US, Daemon
from collector.links.faults import NoConnection
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from collector.service_manager import Pulse, ServiceManager
from collector.settings import JournalSettings, Settings
from tests.faults.daemon_parts import PLANT
from tests.unit.links.virtual_clock import VirtualClock

STUCK_S = STUCK_AFTER_US // 1_000_000


class Hearing:
    """The manager's socket, and how many signs of life came since last asked."""

    def __init__(self, path: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(path)
        self._count = 0
        asyncio.get_running_loop().add_reader(self._socket, self._hear)

    def _hear(self) -> None:
        self._count += self._socket.recv(4096).startswith(b"WATCHDOG=1")

    def signs(self) -> int:
        """Signs of life since the last time."""
        count, self._count = self._count, 0
        return count

    def close(self) -> None:
        """Stop hearing."""
        asyncio.get_running_loop().remove_reader(self._socket)
        self._socket.close()


@pytest.fixture
async def hearing(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Hearing]:
    """A service manager that listens."""
    with tempfile.TemporaryDirectory(prefix="wk") as short:
        heard = Hearing(f"{short}/notify")
        monkeypatch.setenv("NOTIFY_SOCKET", f"{short}/notify")
        yield heard
        heard.close()


class Panel:
    """A link whose far end answers, refuses, or never returns from a read."""

    def __init__(self) -> None:
        self.behaviour = "answer"

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """All registers 0."""
        if self.behaviour == "hang":
            await asyncio.Event().wait()
        if self.behaviour == "refuse":
            raise NoConnection("nobody is there")
        return bytes(request.payload_length)

    async def close(self) -> None:
        """Nothing to give up."""


@contextlib.asynccontextmanager
async def watching(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[tuple[Daemon, VirtualClock, Panel]]:
    """A daemon on a virtual clock, in this process."""
    panel, clock = Panel(), VirtualClock()
    monkeypatch.setattr("collector.daemon.open_link", lambda link: panel)
    plant_file = tmp_path / "plant.yaml"
    plant_file.write_text(PLANT.replace("PORT", "9"), encoding="utf-8")
    settings = Settings(journal=JournalSettings(path=tmp_path / "journal", commit_period_s=0.0))
    read = read_plant_file(plant_file)
    rules = read_rule_files(None, read.plant)
    daemon = Daemon(read, rules, settings, clock, seed=1)
    ready = asyncio.Event()
    working = asyncio.create_task(daemon.run(ready.set))
    try:
        await asyncio.wait_for(ready.wait(), 20)
        yield daemon, clock, panel
    finally:
        daemon.stop()
        await working


async def passed(daemon: Daemon, clock: VirtualClock, seconds: int) -> None:
    """Let virtual time pass, no faster than the journal's thread, which lives in real time."""
    for _ in range(seconds // 10):
        await clock.pass_s(10)
        assert await asyncio.to_thread(daemon.journal.flush, 20)


async def test_it_gives_a_sign_of_life_every_second_while_polling_gets_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hearing: Hearing
) -> None:
    """Whether the panel answers or not: a lost panel is no hang."""
    async with watching(tmp_path, monkeypatch) as (daemon, clock, panel):
        await passed(daemon, clock, 100)
        assert hearing.signs() == 100
        assert daemon.buses[0].counters["meadow"].scans >= 1000
        panel.behaviour = "refuse"
        await passed(daemon, clock, 5 * STUCK_S)
        assert hearing.signs() == 5 * STUCK_S


async def test_it_falls_silent_when_polling_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hearing: Hearing
) -> None:
    """A read that never returns is noticed after a minute, and the manager hears no more."""
    async with watching(tmp_path, monkeypatch) as (_, clock, panel):
        await clock.pass_s(10)
        hearing.signs()
        panel.behaviour = "hang"
        await clock.pass_s(STUCK_S + 2)
        assert hearing.signs() <= STUCK_S + 2
        await clock.pass_s(10 * STUCK_S)
        assert hearing.signs() == 0


async def test_it_falls_silent_when_the_journal_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hearing: Hearing
) -> None:
    """Records wait and the writer does not move: its thread hangs, not only the disk."""
    async with watching(tmp_path, monkeypatch) as (daemon, clock, _):
        await clock.pass_s(10)
        hearing.signs()
        journal = type(daemon.journal)
        with monkeypatch.context() as patch:
            patch.setattr(journal, "progress", property(lambda self: 7))
            patch.setattr(journal, "backlog", property(lambda self: 1))
            await clock.pass_s(STUCK_S + 2)
            hearing.signs()
            await clock.pass_s(STUCK_S)
            assert hearing.signs() == 0
        await clock.pass_s(5)
        assert hearing.signs() == 5


def test_a_pulse_beats_while_something_moves_or_has_nothing_to_do() -> None:
    """It stops only after standing still for longer than its patience with work before it."""
    pulse = Pulse(patience_us=10)
    assert pulse.beats(1, 0, busy=True)
    assert pulse.beats(1, 10, busy=True)
    assert not pulse.beats(1, 11, busy=True)
    assert pulse.beats(2, 11, busy=True)
    assert pulse.beats(2, 21, busy=True)
    assert pulse.beats(2, 1_000, busy=False)
    assert pulse.beats(2, 1_010, busy=True)
    assert not pulse.beats(2, 1_011, busy=True)


def test_without_a_manager_or_with_a_deaf_one_nothing_happens(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A daemon started by hand has nobody to tell, and a manager that went does not stop it."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    ServiceManager().ready("watching")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    ServiceManager().alive("watching")


def test_a_manager_that_does_not_read_holds_nothing_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its queue is full after a few datagrams; the daemon goes on."""
    with (
        tempfile.TemporaryDirectory(prefix="wk") as short,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf,
    ):
        deaf.bind(f"{short}/notify")
        monkeypatch.setenv("NOTIFY_SOCKET", f"{short}/notify")
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as filling:
            filling.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    filling.sendto(b"X=1", f"{short}/notify")
        ServiceManager().alive("watching")  # would wait for ever
