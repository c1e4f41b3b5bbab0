"""The daemon: opens the journal, continues where it stopped, polls, records, delivers.

Order of a start: files, journal (its lock refuses a second daemon), plant time, pipeline, polling,
"ready", and only then the outlets: a broker or store that is away delays nothing. Order of a stop:
polling, last state, journal, outlets. Everything that waits does so on the clock it was given.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Mapping, Sequence
from concurrent.futures import Future
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import structlog

from collector import __version__, intray_files
from collector.action_taking import ActionTaking
from collector.audit.keys import default_key_path, open_signer
from collector.calendar_jobs import calendar_works
from collector.calendar_work import CalendarDesk
from collector.clock import MICROSECONDS, Clock, SystemClock, maybe_synchronised
from collector.continuation import boot_id, continue_from
from collector.core.records import ActionTaken, Record, RecordKind
from collector.core.scans import PanelScan
from collector.daemon_log import say
from collector.errors import Bug, ConfigurationError, WeirkeeperError
from collector.journal.fresh import FreshRecords
from collector.journal.reader import JournalReader
from collector.journal.salvage.opening import damaged_files
from collector.journal_opening import note_damage, open_journal
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.links.poller import Bus
from collector.outlet_opening import Outlet, answering, load_libraries, open_outlets
from collector.own_watch import OwnWatch, behind_s
from collector.plant_file import PlantFile, read_plant_file
from collector.recorder import Recorder
from collector.rule_files import KIND as RULES
from collector.rule_files import SERVICE_KIND, RuleFiles, read_rule_files
from collector.rulebook.service_load import ServiceSet
from collector.service_manager import Pulse, ServiceManager
from collector.settings import PageSettings, Settings

if TYPE_CHECKING:
    from collector.page.part import PagePart

HOUSEKEEPING_US = MICROSECONDS
STUCK_AFTER_US = 60 * MICROSECONDS
CLOSE_WITHIN_S = 1.0
CHANGE_WITHIN_S = 10.0

log = structlog.get_logger()


class Daemon:
    """One collector for one plant.

    Args:
        plant_file: the plant file to begin with.
        rules: the rule files to begin with, bound to its plant.
        settings: where the journal is and where records go.
        clock: None for the machine's own clocks.
        seed: seed of the jitter of retries; None for a different one each time.
    """

    def __init__(
        self,
        plant_file: PlantFile,
        rules: RuleFiles,
        settings: Settings,
        clock: Clock | None = None,
        seed: int | None = None,
    ) -> None:
        self.plant_file = plant_file
        self.rules = rules
        self.settings = settings
        self.outlets: list[Outlet] = []
        outlets = {"mqtt": settings.mqtt, "store": settings.store}
        self._configured = [name for name, outlet in outlets.items() if outlet is not None]
        self.buses: list[Bus] = []
        self.calendar: CalendarDesk | None = None
        self.page = None if settings.page is None else _page(settings.page)
        load_libraries(settings)
        self._given_clock = clock
        # Jitter of retries, nothing that needs to be hard to guess.
        self._random = random.Random(seed)  # noqa: S311
        self._manager = ServiceManager()
        self._polling: list[asyncio.Task[None]] = []
        self._delivering: list[asyncio.Task[None]] = []
        self._stopping = asyncio.Event()
        self._changed: tuple[PlantFile, RuleFiles] | None = None
        self._failure: WeirkeeperError | None = None
        self._key_is_new = False
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
        """Read plant and rule files again; if any is bad, all that is in force stays so."""
        try:
            plant_file = read_plant_file(self.plant_file.path)
            rules = read_rule_files(self.rules.paths, plant_file.plant)
        except ConfigurationError as refused:
            for problem in refused.problems:
                log.error("files refused, the old ones stay in force", problem=str(problem))
            return
        fresh = (plant_file.hash, rules.hash, rules.tasks.hash)
        if fresh == (self.plant_file.hash, self.rules.hash, self.rules.tasks.hash):
            self._changed = None
            log.info("files unchanged")
        else:
            self._changed = (plant_file, rules)

    # --- start ----------------------------------------------------------------------------------

    def _open(self) -> None:
        settings = self.settings.journal
        self.signer = open_signer(self.settings.audit.key_file or default_key_path(settings.path))
        self.journal = open_journal(
            self.settings, self._given_clock or SystemClock(), self._configured, self.signer,
            self._on_commit, self._on_trouble, self._manager.starting,
        )  # fmt: skip
        self._damaged_files = damaged_files(settings.path)
        self.journal.failed.add_done_callback(self._on_journal_ended)
        try:
            self.reader = JournalReader(settings.path)
            self._fresh = FreshRecords(self.reader)
            self._continue("started")
            self.actions = ActionTaking(settings.path, self.reader)
            self._open_intray()
        except BaseException as failure:
            note_damage(self.settings, failure)
            self.journal.close(CLOSE_WITHIN_S)
            raise

    def _continue(self, happened: str) -> None:
        plant = self.plant_file.plant
        self.plans = {
            name: plan_panel(panel, plant.links[panel.link]) for name, panel in plant.panels.items()
        }
        found = continue_from(self.reader, plant, self.plans, self._given_clock, self.rules)
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
        told += self._new_key(now_us, utc_us)
        files: dict[str, PlantFile | RuleFiles | ServiceSet] = {
            "plant": self.plant_file, RULES: self.rules, SERVICE_KIND: self.rules.tasks,
        }  # fmt: skip
        for kind, file in files.items():
            in_force = self.reader.configuration_in_force(kind)
            if in_force is None or in_force.hash != file.hash:
                self.journal.remember_configuration(kind, file.text, file.hash)
                told.append(
                    Record(RecordKind.CONFIGURATION, kind, now_us, utc_us, now_us, file.hash)
                )
        self.recorder.commit(told + found.records)
        self.own = OwnWatch(
            {
                "disk_short": lambda _: self.journal.trouble is not None,
                "record_in_danger": lambda _: self.journal.record_in_danger,
                "journal_replaced": lambda _: any(file.exists() for file in self._damaged_files),
                "backup_failed": lambda _: self._failing("backup"),
                "signing_key_new": lambda _: self._key_is_new,
                "clock_unsynchronised": lambda _: _negated(maybe_synchronised()),
                "mqtt_behind": lambda at_us: self._behind_s("mqtt", at_us),
                "store_behind": lambda at_us: self._behind_s("store", at_us),
            }
        )
        self.recorder.take_points(self.own.changes(self.clock.now_us()))
        self.recorder.keep_state()

    def _new_key(self, now_us: int, utc_us: int) -> list[Record]:
        """A record of the key that signs from now on, where it was another one before."""
        subject, key = "collector.signing_key", self.signer.key_id
        kept = self.reader.latest((RecordKind.COLLECTOR,))
        before = kept.get((RecordKind.COLLECTOR, subject))
        if before is not None and before.value == key:
            return []
        if before is not None:
            self._key_is_new = True
            log.warning("heads are signed with another key from now on", key=key)
        return [Record(RecordKind.COLLECTOR, subject, now_us, utc_us, now_us, key)]

    def _open_intray(self) -> None:
        path = self.settings.journal.path
        try:
            intray_files.make_folder(path)
        except OSError as error:
            folder = str(intray_files.folder_of(path))
            log.warning("nothing can be handed in", folder=folder, because=error.strerror)
        intray_files.clear_unfinished(path, self.clock.wall_us())

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
        self.outlets = open_outlets(
            self.settings, plant, self.rules, self.journal, (self.reader, self._fresh), self.clock,
            self._on_action,
        )  # fmt: skip
        self.actions.answering = answering(self.outlets)
        for outlet in self.outlets:
            self._delivering.append(self._guarded(outlet.run()))
        zone, path = ZoneInfo(plant.plant.time_zone), self.settings.journal.path
        works = calendar_works(path, self.settings.backup, zone, self.reader)
        self.calendar = CalendarDesk(works, zone, self.reader, self.clock, self._put_on_record)
        self._delivering.append(self._guarded(self.calendar.run()))
        if self.page is not None:
            self.page.start(self)

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
                await self._change_files(*self._changed)
            self.recorder.pass_time()
            self._look_around()
            if self._moving():
                self._manager.alive(self._summary())

    def _look_around(self) -> None:
        """Take what people have handed in, and tell what has changed of ourselves."""
        if self.recorder.paused:
            return
        now_us = self.clock.now_us()
        self.recorder.take_points(self.own.changes(now_us))
        self.actions.take_waiting(self.recorder, now_us, self.recorder.pipeline.offset_us)

    def _on_action(self, action: ActionTaken) -> None:
        """Somebody has said something over the broker."""
        self.actions.take_spoken(action, self.recorder)

    def _put_on_record(self, subject: str, value: str, reason: str) -> None:
        """Something that the collector itself has done."""
        now_us = self.clock.now_us()
        utc_us = now_us + self.recorder.pipeline.offset_us
        self.recorder.commit(
            [Record(RecordKind.COLLECTOR, subject, now_us, utc_us, now_us, value, reason=reason)]
        )

    def _failing(self, job: str) -> bool:
        return self.calendar is not None and job in self.calendar.failing

    def _behind_s(self, outlet: str, at_us: int) -> float:
        """How far an outlet is behind; one that is not configured has nothing to deliver."""
        return behind_s(outlet, self.reader, at_us) if outlet in self._configured else 0.0

    async def _wait_until(self, at_us: int) -> None:
        """Wait on the clock, or until the daemon is to stop."""
        waiting = asyncio.ensure_future(self.clock.sleep_until(at_us))
        stopping = asyncio.ensure_future(self._stopping.wait())
        await asyncio.wait({waiting, stopping}, return_when=asyncio.FIRST_COMPLETED)
        for task in (waiting, stopping):
            task.cancel()

    def _on_scan(self, scan: PanelScan) -> None:
        self.recorder.take_scan(scan)
        if self.page is not None:
            self.page.take_scan(scan)

    def _on_commit(self, head: int, records: Sequence[Record]) -> None:
        """Called by the journal's thread after each commit."""
        self._loop.call_soon_threadsafe(self._committed, head, records)

    def _committed(self, head: int, records: Sequence[Record]) -> None:
        self._fresh.note(records)
        for outlet in self.outlets:
            outlet.notify(head)
        for record in records:
            say(record)
        self.actions.committed(records)
        if self.calendar is not None:
            self.calendar.committed(records)
        if self.page is not None:
            self.page.committed(records, self.clock.now_us())

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
        note_damage(self.settings, failure)
        if self._failure is None:
            self._failure = failure
            log.error("stopping", because=str(failure))
        self._stopping.set()

    # --- what the page asks ---------------------------------------------------------------------

    @property
    def paused(self) -> bool:
        """Whether watching pauses because the journal can take no more."""
        return self.recorder.paused

    def known_until_us(self) -> Mapping[str, int]:
        """For each panel that answers, the plant time of its last good answer."""
        return self.recorder.pipeline.known_until_us()

    def utc_us(self, at_us: int) -> int:
        """The date of a plant time, as stamps are made now."""
        return at_us + self.recorder.pipeline.offset_us

    # --- changes --------------------------------------------------------------------------------

    def _writing_freely(self) -> bool:
        """Whether the journal takes what it is given; a change of files waits until it does."""
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

    async def _change_files(self, plant_file: PlantFile, rules: RuleFiles) -> None:
        """Put other files in force: stop polling, keep the state, go on with the new ones."""
        await self._stop_polling()
        await self._stop_outlets()
        self.recorder.keep_state()
        if await asyncio.to_thread(self.journal.flush, CHANGE_WITHIN_S):
            self._changed = None
            self.plant_file, self.rules = plant_file, rules
            self._continue("reloaded")
            log.info("files changed", plant=plant_file.hash[:12], rules=rules.hash[:12])
        # Else the journal could not take it: the old ones go on, and it is tried again.
        self._start_polling()
        self._start_outlets()

    # --- stop -----------------------------------------------------------------------------------

    async def _stop_polling(self) -> None:
        await _cancel(self._polling)
        self._polling, self.buses, self._polling_pulses = [], [], []

    async def _stop_outlets(self) -> None:
        if self.page is not None:
            await self.page.stop()
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


def _page(settings: PageSettings) -> PagePart:
    # Loaded before polling begins, and by those alone who have a page.
    from collector.page.part import PagePart

    return PagePart(settings)


async def _cancel(tasks: Sequence[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def _negated(known: bool | None) -> bool | None:
    return None if known is None else not known
