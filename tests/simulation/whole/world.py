"""One simulated world, and the lives of the daemon in it.

A life ends when the process is killed (between two turns of its event loop, wherever its threads
stand), when the power goes, when it is asked to stop, or when it gives up by itself. The world goes
on meanwhile: the plant runs, links fail, the clock drifts. The files stay.
"""

from __future__ import annotations

import asyncio
import shutil
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import structlog
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import SecretStr

from collector.daemon import Daemon
from collector.errors import JournalError, WeirkeeperError
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
GHOST_TURNS = 5_000


@cache
def plant_file() -> PlantFile:
    """The park's plant file, with Lower Meadow as RTU over TCP."""
    text = PLANT_TEXT.read_text(encoding="utf-8")
    head, mark, tail = text.partition("meadow_radio:\n    kind: tcp")
    assert mark
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.yaml"
        path.write_text(head + mark.replace("kind: tcp", "kind: rtu-over-tcp") + tail)
        return read_plant_file(path)


@cache
def rule_files() -> RuleFiles:
    """The rules that ship."""
    return read_rule_files(None, plant_file().plant)


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
    on_life_end: Callable[[World], None] | None = None

    def __post_init__(self) -> None:
        self.agenda = Agenda()
        self.machine = Machine(self.agenda)
        self.trace = Trace(lambda: self.agenda.now_ns)
        self.threads = Lockstep()
        self.folder = Path(tempfile.mkdtemp(prefix="whole-", dir=MEMORY))
        self.plant = OsierBend(self.seed, START_US)
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

    def live(self, until_ns: int, at_end: Callable[[World], None] | None = None) -> Life:
        """One life, ended in an orderly way at ``until_ns`` if by nothing else before.

        Args:
            until_ns: true time.
            at_end: called at ``until_ns`` while the daemon still runs.
        """
        life = Life(len(self.lives) + 1)
        self.lives.append(life)
        self.threads = Lockstep()
        self._ask = ""
        loop = self.loop = VirtualLoop(self.agenda, self.network.connect)
        self.threads.loop = loop
        loop.start_thread = lambda work: self.threads.Thread(work).start()
        self.disk.dead = False
        number = life.number

        def end() -> None:
            if len(self.lives) == number and self.loop is loop and not self._ask:
                if at_end is not None:
                    at_end(self)
                self.ask_end("stopped")

        def give_up() -> None:
            if len(self.lives) == number and self.loop is loop and self._ask == "stopped":
                raise Stuck(f"not ended {ORDERLY_WITHIN_S:g} s after it was asked to")

        self.agenda.at(until_ns, end)
        self.agenda.at(until_ns + round(ORDERLY_WITHIN_S * SECOND_NS), give_up)
        with seams.in_place(self), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self._run(life, loop)
        if life.ended == "power":
            self.disk.cut_power()
            self.machine.boot()
        self.trace.note("life ended", life.ended, life.why)
        self.counts[f"life {life.ended}"] += 1
        return life

    def _run(self, life: Life, loop: VirtualLoop) -> None:
        def kill() -> None:
            raise _KilledNow

        loop.on_kill = kill
        self.daemon = Daemon(
            plant_file(), rule_files(), self.settings(), seed=self.chance.getrandbits(32)
        )
        running = loop.create_task(self.daemon.run())
        try:
            loop.run_until_complete(running)
            life.ended = "stopped"
        except _KilledNow:
            life.ended = self._ask
        except WeirkeeperError as error:
            life.ended, life.why = type(error).__name__, str(error)
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
            if self.daemon is not None and hasattr(self.daemon, "reader"):
                self.daemon.reader.close()
            self.agenda.ghost_ns = 0
            self.trace.muted = False
            loop.close()


def silence_logs() -> None:
    """The daemon's log is no part of the comparison."""
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(50),
        cache_logger_on_first_use=False,
    )


