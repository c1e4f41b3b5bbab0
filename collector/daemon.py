"""The daemon: opens the journal, continues where it stopped, polls, records, delivers.

Order of a start: files, journal (its lock refuses a second daemon), plant time, pipeline, polling,
"ready", and only then the outlets: a broker or store that is away delays nothing. Order of a stop:
polling, last state, journal, outlets. Everything that waits does so on the clock it was given.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import Future
from typing import Any, Protocol

import structlog

from collector import __version__
from collector.clock import MICROSECONDS, Clock, SystemClock
from collector.continuation import boot_id, continue_from
from collector.core.catalogue import Catalogue
from collector.core.records import AWAY, COLLECTOR_STOPPED, Record, RecordKind
from collector.core.scans import PanelScan
from collector.errors import Bug, ConfigurationError, WeirkeeperError
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.links.poller import Bus
from collector.outlets.contract import OutletStatus
from collector.outlets.mqtt import MqttOutlet
from collector.outlets.store import StoreOutlet
from collector.plant_file import PlantFile, read_plant_file
from collector.recorder import Recorder
from collector.service_manager import Pulse, ServiceManager
from collector.settings import Settings

HOUSEKEEPING_US = MICROSECONDS
STUCK_AFTER_US = 60 * MICROSECONDS
CLOSE_WITHIN_S = 1.0
CHANGE_WITHIN_S = 10.0

log = structlog.get_logger()


class Outlet(Protocol):
    """What the daemon asks of an outlet."""

    name: str

    async def run(self) -> None: ...
    def notify(self, head: int) -> None: ...
    async def stop(self) -> None: ...
    def status(self) -> OutletStatus: ...


class Daemon:
    """One collector for one plant.

    Args:
        plant_file: the plant file to begin with.
        settings: where the journal is and where records go.
        clock: None for the machine's own clocks.
        seed: seed of the jitter of retries; None for a different one each time.
    """

    def __init__(
        self,
        plant_file: PlantFile,
        settings: Settings,
        clock: Clock | None = None,
        seed: int | None = None,
    ) -> None:
        self.plant_file = plant_file
        self.settings = settings
        self.outlets: list[Outlet] = []
        self.buses: list[Bus] = []
        self._given_clock = clock
        # Jitter of retries, nothing that needs to be hard to guess.
        self._random = random.Random(seed)  # noqa: S311
        self._manager = ServiceManager()
        self._polling: list[asyncio.Task[None]] = []
        self._delivering: list[asyncio.Task[None]] = []
        self._stopping = asyncio.Event()
        self._changed: PlantFile | None = None
        self._failure: WeirkeeperError | None = None
        self._journal_pulse = Pulse(STUCK_AFTER_US)
        self._polling_pulses: list[Pulse] = []

    # --- life -----------------------------------------------------------------------------------

    async def run(self, on_ready: Callable[[], None] | None = None) -> None:
        """Run until ``stop`` is called or something fails for good.

        Raises:
            WeirkeeperError: the journal could not be opened, or failed while running.
        """
        self._loop = asyncio.get_running_loop()
        self._open()
        try:
            self._start_polling()
            name = self.plant_file.plant.plant.name
            self._manager.ready(f"watching {name}")
            self._start_outlets()
            log.info("watching", plant=name, panels=len(self.plant_file.plant.panels),
                     journal=str(self.settings.journal.path))  # fmt: skip
            if on_ready is not None:
                on_ready()
            await self._keep_house()
        finally:
            await self._close()
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        """Ask ``run`` to end with everything committed."""
        self._stopping.set()

    def reload(self) -> None:
        """Read the plant file again; a bad one is refused and the old one stays in force."""
        try:
            fresh = read_plant_file(self.plant_file.path)
        except ConfigurationError as refused:
            for problem in refused.problems:
                log.error("plant file refused, the old one stays in force", problem=str(problem))
            return
        if fresh.hash == self.plant_file.hash:
            self._changed = None
            log.info("plant file unchanged")
        else:
            self._changed = fresh

    # --- start ----------------------------------------------------------------------------------

    def _open(self) -> None:
        settings = self.settings.journal
        configured = {"mqtt": self.settings.mqtt, "store": self.settings.store}
        self.journal = Journal.open(
            settings.path,
            wall_us=(self._given_clock or SystemClock()).wall_us,
            size_limit_bytes=settings.size_limit_mib << 20,
            commit_period_s=settings.commit_period_s,
            on_commit=self._on_commit,
            on_trouble=self._on_trouble,
            outlets=[name for name, outlet in configured.items() if outlet is not None],
        )
        self.journal.failed.add_done_callback(self._on_journal_ended)
        try:
            self.reader = JournalReader(settings.path)
            self._continue("started")
        except BaseException:
            self.journal.close(CLOSE_WITHIN_S)
            raise

    def _continue(self, happened: str) -> None:
        plant = self.plant_file.plant
        self.plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
        found = continue_from(self.reader, plant, self.plans, self._given_clock)
        if not found.stop_known:
            log.warning("the wall clock cannot be believed: a stop of unknown length")
        for equipment in found.unusable:
            log.warning("kept state could not be used, it starts afresh", equipment=equipment)
        self.clock = self._given_clock = found.clock
        self.recorder = Recorder(
            found.pipeline,
            self.journal,
            self.clock,
            boot_id(),
            self.settings.journal.alive_period_s,
        )
        now_us = self.clock.now_us()
        utc_us = now_us + found.pipeline.offset_us
        told = [
            Record(RecordKind.COLLECTOR, f"collector.{happened}", now_us, utc_us, now_us,
                   __version__)
        ]  # fmt: skip
        in_force = self.reader.configuration_in_force("plant")
        if in_force is None or in_force.hash != self.plant_file.hash:
            self.journal.remember_configuration("plant", self.plant_file.text, self.plant_file.hash)
            told.append(
                Record(RecordKind.CONFIGURATION, "plant", now_us, utc_us, now_us,
                       self.plant_file.hash)
            )  # fmt: skip
        self.recorder.commit(told + found.records)
        self.recorder.keep_state()

    def _start_polling(self) -> None:
        plant = self.plant_file.plant
        for link_name, link in plant.links.items():
            panels = {
                name: (panel, self.plans[name])
                for name, panel in plant.panels.items()
                if panel.link == link_name
            }
            bus = Bus(open_link(link), panels, self.clock, self._on_scan, self._random)
            self.buses.append(bus)
            self._polling_pulses.append(Pulse(STUCK_AFTER_US))
            self._polling.append(self._guarded(bus.run()))

    def _start_outlets(self) -> None:
        plant = self.plant_file.plant
        shared = (plant, Catalogue(plant), self.journal, self.reader, self.clock)
        if self.settings.mqtt is not None:
            self.outlets.append(MqttOutlet(self.settings.mqtt, *shared))
        if self.settings.store is not None:
            self.outlets.append(StoreOutlet(self.settings.store, *shared))
        for outlet in self.outlets:
            self._delivering.append(self._guarded(outlet.run()))

    def _guarded(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Run a part for good; if it ends by an error, that is a bug, and the daemon ends."""

        async def guard() -> None:
            try:
                await work
            except asyncio.CancelledError:
                raise
            except WeirkeeperError as failure:
                self._fail(failure)
            except Exception as failure:
                log.exception("a part of the daemon failed")
                bug = Bug(f"a part of the daemon failed: {failure}")
                bug.__cause__ = failure
                self._fail(bug)

        return asyncio.create_task(guard())

    # --- work -----------------------------------------------------------------------------------

    async def _keep_house(self) -> None:
        next_us = self.clock.now_us()
        while not self._stopping.is_set():
            next_us = max(next_us + HOUSEKEEPING_US, self.clock.now_us())
            await self._wait_until(next_us)
            if self._changed is not None and self._writing_freely():
                await self._change_plant(self._changed)
            self.recorder.pass_time()
            if self._moving():
                self._manager.alive(self._summary())

    async def _wait_until(self, at_us: int) -> None:
        """Wait on the clock, or until the daemon is to stop."""
        waiting = asyncio.ensure_future(self.clock.sleep_until(at_us))
        stopping = asyncio.ensure_future(self._stopping.wait())
        await asyncio.wait({waiting, stopping}, return_when=asyncio.FIRST_COMPLETED)
        for task in (waiting, stopping):
            task.cancel()

    def _on_scan(self, scan: PanelScan) -> None:
        self.recorder.take_scan(scan)

    def _on_commit(self, head: int, records: Sequence[Record]) -> None:
        """Called by the journal's thread after each commit."""
        self._loop.call_soon_threadsafe(self._committed, head, records)

    def _committed(self, head: int, records: Sequence[Record]) -> None:
        for outlet in self.outlets:
            outlet.notify(head)
        for record in records:
            _say(record)

    def _on_trouble(self, sentence: str | None) -> None:
        """Called by the journal's thread when it is in trouble, and when it is no more."""
        if sentence is None:
            log.info("journal out of trouble")
        else:
            log.error("journal in trouble", because=sentence)

    def _on_journal_ended(self, ended: Future[None]) -> None:
        failure = ended.exception()
        if isinstance(failure, WeirkeeperError):
            self._loop.call_soon_threadsafe(self._fail, failure)

    def _fail(self, failure: WeirkeeperError) -> None:
        if self._failure is None:
            self._failure = failure
            log.error("stopping", because=str(failure))
        self._stopping.set()

    def _writing_freely(self) -> bool:
        """Whether the journal takes what it is given; a change of plant waits until it does."""
        return not self.journal.blocked and not self.recorder.paused

    def _moving(self) -> bool:
        """Whether polling and journal move; the uplink does not count, an outage is no hang."""
        now_us = self.clock.now_us()
        writing = self.journal.backlog > 0 and not self.recorder.paused
        beats = [self._journal_pulse.beats(self.journal.progress, now_us, busy=writing)]
        for pulse, bus in zip(self._polling_pulses, self.buses, strict=True):
            reads = sum(counters.reads for counters in bus.counters.values())
            beats.append(pulse.beats(reads, now_us, busy=bus.due_us <= now_us))
        return all(beats) and all(not task.done() for task in self._polling)

    def _summary(self) -> str:
        lost = [
            name
            for name, reader in self.recorder.pipeline.readers.items()
            if reader.lost_reason is not None
        ]
        return "watching" if not lost else f"watching; no answer from {', '.join(lost)}"

    async def _change_plant(self, fresh: PlantFile) -> None:
        """Put another plant file in force: stop polling, keep the state, go on with the new one."""
        await self._stop_polling()
        await self._stop_outlets()
        self.recorder.keep_state()
        if await asyncio.to_thread(self.journal.flush, CHANGE_WITHIN_S):
            self._changed = None
            self.plant_file = fresh
            self._continue("reloaded")
            log.info("plant file changed", hash=fresh.hash[:12])
        # Else the journal could not take it: the old one goes on, and it is tried again.
        self._start_polling()
        self._start_outlets()

    # --- stop -----------------------------------------------------------------------------------

    async def _stop_polling(self) -> None:
        await _cancel(self._polling)
        self._polling, self.buses, self._polling_pulses = [], [], []

    async def _stop_outlets(self) -> None:
        await asyncio.gather(*(outlet.stop() for outlet in self.outlets))
        await _cancel(self._delivering)
        self._delivering, self.outlets = [], []

    async def _close(self) -> None:
        self._manager.stopping()
        await self._stop_polling()
        if self._failure is None:
            if self.recorder.paused:  # what it has kept back goes first, if there is room by now
                await asyncio.to_thread(self.journal.flush, CLOSE_WITHIN_S)
                self.recorder.pass_time()
            now_us = self.clock.now_us()
            utc_us = now_us + self.recorder.pipeline.offset_us
            self.recorder.commit(
                [Record(RecordKind.COLLECTOR, "collector.stopped", now_us, utc_us, now_us)]
            )
            self.recorder.keep_state()
            await asyncio.to_thread(self.journal.flush, CLOSE_WITHIN_S)
        await self._stop_outlets()
        await asyncio.to_thread(self.journal.close, CLOSE_WITHIN_S)
        self.reader.close()
        log.info("stopped")


async def _cancel(tasks: Sequence[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def _say(record: Record) -> None:
    """Log the few records a person at the log wants to see."""
    if record.kind is RecordKind.PANEL_LOST:
        tell = log.info if record.reason in (AWAY, COLLECTOR_STOPPED) else log.warning
        tell("panel lost", panel=record.subject, reason=record.reason)
    elif record.kind is RecordKind.PANEL_RETURNED:
        log.info("panel answers", panel=record.subject)
    elif record.kind is RecordKind.CLOCK:
        log.warning("wall clock stepped", by_s=(record.low or 0.0) / 1e6)
    elif record.kind is RecordKind.EVENT:
        log.debug("happened", what=record.subject, value=record.value)
