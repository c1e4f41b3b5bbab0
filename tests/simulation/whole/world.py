"""One simulated world, and the lives of the daemon in it.

A life ends when the process is killed (between two turns of its event loop, wherever its threads
stand), when the power goes, when it is asked to stop, or when it gives up by itself. The world goes
on meanwhile: the plant runs, links fail, the clock drifts. The files stay.
"""

from __future__ import annotations

import asyncio
import gc
import re
import shutil
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import structlog
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import SecretStr

from collector.core.records import Record
from collector.daemon import Daemon
from collector.errors import WeirkeeperError
from collector.journal.reader import JournalReader
from collector.plant_file import PlantFile, read_plant_file
from collector.rule_files import RuleFiles, read_rule_files
from collector.settings import Settings
from collector.settings_sections import (
    AuditSettings,
    JournalSettings,
    MqttSettings,
    StoreSettings,
)
from simulator.plant import OsierBend
from tests.faults.faulty_disk import MEMORY
from tests.simulation.whole import seams
from tests.simulation.whole.growth import reached_by
from tests.simulation.whole.lockstep import Lockstep
from tests.simulation.whole.machine import START_US, Machine
from tests.simulation.whole.played_broker import PlayedBroker
from tests.simulation.whole.played_disk import PlayedDisk
from tests.simulation.whole.played_store import PlayedStore
from tests.simulation.whole.trace import Trace
from tests.simulation.whole.virtual_loop import SECOND_NS, Agenda, Stuck, VirtualLoop, quiet
from tests.simulation.whole.wires import Network, Way

PLANT_TEXT = Path(__file__).parents[3] / "config" / "osier-bend" / "plant.yaml"
PORTS = {15020: "works", 15021: "meadow", 15022: "bowser"}
RTU = frozenset({"meadow"})
"""Lower Meadow talks RTU over its radio here, so that replies without numbers are tried too."""
KILL_WITHIN_TURNS = 60
ORDERLY_WITHIN_S = 60.0
MOST_AT_ONCE = 50_000
LOOK_EVERY_S = 5
HOUR_S = 3600.0
COLLECT_EVERY = 20  # lives


@cache
def plant_file(stretch: float = 1.0) -> PlantFile:
    """The park's plant file, with Lower Meadow as RTU over TCP.

    Args:
        stretch: by how much longer the scan periods are than the file says.
    """
    text = re.sub(
        r"scan_period_s: ([0-9.]+)", lambda found: f"scan_period_s: {stretch * float(found[1])}",
        PLANT_TEXT.read_text(encoding="utf-8"),
    )  # fmt: skip
    head, mark, tail = text.partition("meadow_radio:\n    kind: tcp")
    assert mark
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.yaml"
        path.write_text(head + mark.replace("kind: tcp", "kind: rtu-over-tcp") + tail)
        return read_plant_file(path)


@cache
def rule_files(stretch: float = 1.0) -> RuleFiles:
    """The rules that ship."""
    return read_rule_files(None, plant_file(stretch).plant)


@dataclass
class Life:
    """One life of the daemon.

    Args:
        number: counted from 1.
        ended: how: ``killed``, ``power``, ``stopped``, or the error's class.
        why: the error's sentence.
    """

    number: int
    ended: str = ""
    why: str = ""
    error: BaseException | None = None


class _KilledNow(BaseException):
    """Leaves the event loop where it stands."""


@dataclass
class World:
    """Everything around the daemon.

    Args:
        seed: decides all.
    """

    seed: int
    lives: list[Life] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    stretch: float = 1.0

    def __post_init__(self) -> None:
        self.quiet = False
        self.actions: dict[str, str] = {}
        self.disk_chance = self.rng("disk pace")
        self.committed = 0
        self.offsets: list[tuple[int, int]] = [(START_US, 0)]
        self.unmeasured: list[tuple[int, int]] = []
        self.wrong: list[str] = []
        self.reached: list[int] = []  # objects, hour by hour
        self._stopped_at_us: int | None = None
        self.agenda = Agenda()
        self.machine = Machine(self.agenda)
        self.trace = Trace(lambda: self.agenda.now_ns)
        self.threads = Lockstep()
        self.folder = Path(tempfile.mkdtemp(prefix="whole-", dir=MEMORY))
        self.plant = OsierBend(self.seed, START_US, intervals_kept=100_000)
        note = self.trace.note
        self.disk = PlayedDisk(self.folder, self.rng("disk"), lambda s: self.threads.sleep(s))
        self.network = Network(
            self.agenda, self.plant, self.machine.true_us, PORTS, RTU, self.rng("network"), note,
            {name: Way() for name in PORTS.values()},
        )  # fmt: skip
        self.broker = PlayedBroker(self.agenda, self.rng("broker"), note)
        self.store = PlayedStore(
            self.agenda, self.rng("store"), note, lambda s: self.threads.sleep(s)
        )
        self.chance = self.rng("lives")
        self.daemon: Daemon | None = None
        self.loop: VirtualLoop | None = None
        self._ask: str = ""
        self._write_key()

    def rng(self, name: str) -> Random:
        """A stream of chance of its own, so that one part draws nothing from another's."""
        return Random(f"{self.seed}/{name}")

    @property
    def journal_path(self) -> Path:
        """The journal."""
        return self.folder / "weirkeeper.journal"

    def close(self) -> None:
        """Remove everything."""
        self.disk.unregister()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _write_key(self) -> None:
        key = Ed25519PrivateKey.from_private_bytes(self.seed.to_bytes(32, "big"))
        path = self.folder / "signing.key"
        path.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        path.chmod(0o600)
        self.key_file = path

    def settings(self) -> Settings:
        """What the daemon is told."""
        return Settings(
            journal=JournalSettings(path=self.journal_path),
            mqtt=MqttSettings(
                host="broker.example", user="weirkeeper", password=SecretStr("osier"), actions=True
            ),
            store=StoreSettings(url="http://store.example:8086"),
            audit=AuditSettings(key_file=self.key_file),
        )

    def step_clock(self, step_us: int) -> None:
        """The wall clock is stepped."""
        self.machine.wall_offset_us += step_us
        self.offsets.append((self.machine.true_us(), self.machine.wall_offset_us))

    def offset_at(self, true_us: int) -> int:
        """By how much the wall clock was wrong at an instant."""
        return next(offset for at, offset in reversed(self.offsets) if at <= true_us)

    # --- what may be asked of a life ------------------------------------------------------------

    def ask_end(self, how: str) -> None:
        """End the life under way: ``killed``, ``power`` or ``stopped``."""
        if self.loop is None or self.daemon is None or self._ask:
            return
        self._ask = how
        if how == "stopped":
            self.daemon.stop()
        else:
            self.loop.kill_at_turn = self.loop.turns + self.chance.randrange(KILL_WITHIN_TURNS)

    def live(self, until_ns: int, settled: Callable[[], bool] | None = None) -> Life:
        """One life, ended in an orderly way at ``until_ns`` if by nothing else before.

        Args:
            until_ns: true time.
            settled: asked now and then whether it may end already.
        """
        life = Life(len(self.lives) + 1)
        self.lives.append(life)
        self.threads = Lockstep()
        self._ask = ""
        loop = self.loop = VirtualLoop(self.agenda, self.network.connect)
        self.threads.loop = loop
        loop.start_thread = lambda work: self.threads.Thread(work).start()
        self.disk.dead = False

        def look() -> None:
            if self.loop is not loop:
                return
            over = self.agenda.now_ns >= until_ns
            if (settled is not None and settled()) or over:
                self.ask_end("stopped")
            else:
                self.agenda.at(self._next_look(until_ns, settled), look)

        def give_up() -> None:
            if self.loop is loop and self._ask == "stopped":
                raise Stuck(f"not ended {ORDERLY_WITHIN_S:g} s after it was asked to")

        def count() -> None:
            if self.loop is loop and self.daemon is not None:
                self.reached.append(reached_by(self.daemon))
                self.agenda.after(HOUR_S, count)

        self._note_stop()
        self.agenda.after(HOUR_S, count)
        self.agenda.at(self._next_look(until_ns, settled), look)
        self.agenda.at(until_ns + round(ORDERLY_WITHIN_S * SECOND_NS), give_up)
        with seams.in_place(self), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self._run(life, loop)
        self.disk.dead = False
        if life.ended == "power":
            self.disk.cut_power()
            self.machine.boot()
        if life.ended == "stopped":
            self.store.settle()
        self.trace.note("life ended", life.ended, life.why)
        self.counts[f"life {life.ended}"] += 1
        return life

    def _next_look(self, until_ns: int, settled: object) -> int:
        pace_ns = until_ns if settled is None else self.agenda.now_ns + LOOK_EVERY_S * SECOND_NS
        return min(until_ns, pace_ns)

    def _note_stop(self) -> None:
        """Keep the stop that ends now if the wall clock was stepped in it: its length cannot be
        measured by anybody."""
        now_us = self.machine.true_us()
        since_us = self._stopped_at_us
        if since_us is not None and self.offset_at(since_us) != self.machine.wall_offset_us:
            self.unmeasured.append((since_us, now_us))

    def _watch_commits(self, made: Daemon) -> None:
        """See every commit as it is acknowledged: numbers follow without a hole, and nothing that
        was acknowledged before is missing."""
        tell = made._on_commit

        def on_commit(head: int, records: Sequence[Record]) -> None:
            first = head - len(records) + 1
            if first <= self.committed or (
                self.committed and first > self.committed + MOST_AT_ONCE
            ):
                self.wrong.append(f"a commit begins with {first}, {self.committed} were committed")
            self.committed = head
            self.trace.note("committed", head)
            tell(head, records)

        made._on_commit = on_commit  # type: ignore[method-assign]

    def _run(self, life: Life, loop: VirtualLoop) -> None:
        def kill() -> None:
            raise _KilledNow

        loop.on_kill = kill
        self.daemon = Daemon(
            plant_file(self.stretch),
            rule_files(self.stretch),
            self.settings(),
            seed=self.chance.getrandbits(32),
        )
        self._watch_commits(self.daemon)
        running = loop.create_task(self.daemon.run())
        try:
            loop.run_until_complete(running)
            life.ended = "stopped"
        except _KilledNow:
            life.ended = self._ask
        except WeirkeeperError as error:
            life.ended, life.why = type(error).__name__, str(error)
            life.error = error
        finally:
            self._clear_away(loop)

    def _clear_away(self, loop: VirtualLoop) -> None:
        """What a dead process leaves: nothing but its files."""
        self.trace.muted = True
        self.disk.dead = True
        self.broker.drop_all()
        self.network.cut_all()
        loop.ghost = True
        loop.kill_at_turn = None
        loop.set_exception_handler(quiet)
        self.threads.kill()
        try:
            left = [task for task in asyncio.all_tasks(loop) if not task.done()]
            for handle in list(loop._ready):  # type: ignore[attr-defined]
                if getattr(handle._callback, "__func__", None) is Daemon._committed:
                    handle.cancel()
            for task in left:
                task.cancel()
            if left:
                loop.run_until_complete(asyncio.wait(left, timeout=30.0))
        finally:
            self.loop = None
            self._note_last_sign()
            if self.daemon is not None and hasattr(self.daemon, "reader"):
                self.daemon.reader.close()
            self.daemon = None
            if len(self.lives) % COLLECT_EVERY == 0:
                gc.collect()
            self.agenda.ghost_ns = 0
            self.trace.muted = False
            loop.close()

    def _note_last_sign(self) -> None:
        """When the life that ended was last known, by the journal, in true time."""
        made = self.daemon
        if made is None or not hasattr(made, "recorder"):
            return
        with JournalReader(self.journal_path) as reader:
            alive, newest = reader.alive(), reader.recent(1)
        if alive is not None:
            last_us = max(alive.at_us, newest[0].at_us if newest else 0)
            self._stopped_at_us = self.machine.true_us() - (made.clock.now_us() - last_us)


def silence_logs() -> dict[str, Any]:
    """The daemon's log is no part of the comparison; how it was before."""
    before = structlog.get_config()
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(50),
        cache_logger_on_first_use=False,
    )
    return before
