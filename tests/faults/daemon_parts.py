"""The daemon as a process of its own, and one simulated panel for it to watch.

The panel is that of the Lower Meadow lift sump as the simulator serves it. The simulated plant
stands still, so that a test moves its contacts itself and knows to the millisecond what is true.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector.core.records import Record, RecordKind
from collector.journal import JournalReader
from simulator.panel import Panel
from simulator.plant import OsierBend
from simulator.server import serve
from tests.real_parts import until
from tests.unit.cli.typed import plain_environment

START_US = int(datetime(2026, 7, 4, 6, tzinfo=UTC).timestamp()) * 1_000_000
START_WITHIN_S = 30.0
STOP_WITHIN_S = 2.0  # what README.md promises

PLANT = """
plant: {name: lower_meadow, title: Lower Meadow lift sump, time_zone: Europe/London}
links:
  radio: {kind: tcp, host: 127.0.0.1, port: PORT}
panels:
  meadow:
    link: radio
    unit_identifier: 7
    scan_period_s: 0.1
    reply_timeout_s: 0.3
    lost_after_s: 1.0
    points:
      start_1: {table: holding-register, address: 0, bit: 0}
      pump_1_run: {table: holding-register, address: 0, bit: 4}
      pump_2_run: {table: holding-register, address: 0, bit: 5}
      pump_1_current: {table: input-register, address: 4, type: float32, unit: A}
equipment:
  sump:
    kind: well
    title: Sump
    plan_area_m2: 1.13
    floats: {start_1: {point: meadow.start_1, makes_at_m: 0.8, breaks_at_m: 0.4}}
  pump_1: {kind: pump, title: Pump 1, well: sump, run: meadow.pump_1_run}
"""

SETTINGS = """
journal: {path: weirkeeper.journal, commit_period_s: 0.05, alive_period_s: 1.0}
"""


class Meadow:
    """The panel and where it is served.

    Attributes:
        port: fixed from the first time it is served on.
    """

    def __init__(self) -> None:
        self.plant = OsierBend(1, START_US)
        self.port = 0

    @property
    def panel(self) -> Panel:
        """The panel, whose contacts a test may move."""
        return self.plant.panels["meadow"]

    def set(self, contact: str, *, made: bool) -> None:
        """Move a contact."""
        self.panel.set_contact(contact, made=made)

    @contextlib.asynccontextmanager
    async def served(self) -> AsyncIterator[None]:
        """Serve the panel, always on the same port."""
        async with serve(self.plant, {"meadow": self.port}, speed=0.0) as up:
            self.port = up.ports["meadow"]
            yield


class DaemonProcess:
    """``python -m collector run`` in a folder of its own.

    Args:
        folder: for its files; gets a plant file and a settings file.
        port: of the panel.

    Attributes:
        log: what it has logged so far, each line as JSON; it would fail a test if one were not.
        process: the one that runs, or ran last.
    """

    def __init__(self, folder: Path, port: int, settings: str = SETTINGS) -> None:
        self.folder = folder
        self.journal = folder / "weirkeeper.journal"
        self.plant_file = folder / "plant.yaml"
        self.plant_file.write_text(PLANT.replace("PORT", str(port)), encoding="utf-8")
        (folder / "settings.yaml").write_text(settings, encoding="utf-8")
        self.log: list[dict[str, Any]] = []
        self.raw_log = ""
        self.screen = ""
        self.process: asyncio.subprocess.Process | None = None
        self._reading: asyncio.Task[None] | None = None

    # --- life -----------------------------------------------------------------------------------

    async def spawn(self, **environment: str) -> asyncio.subprocess.Process:
        """Start it and do not wait."""
        command = [sys.executable, "-m", "collector", "run", "--plant", "plant.yaml"]
        self.process = await asyncio.create_subprocess_exec(
            *command, "--settings", "settings.yaml", cwd=self.folder,
            stdin=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
            env={**plain_environment(), **environment},
        )  # fmt: skip
        self._reading = asyncio.create_task(self._read(self.process))
        return self.process

    async def start(self, **environment: str) -> None:
        """Start it and wait until it watches."""
        seen = len(self.log)
        await self.spawn(**environment)
        await self.said("watching", after=seen)

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stderr is not None
        while line := await process.stderr.readline():
            text = line.decode()
            self.raw_log += text
            if text.startswith("weirkeeper: "):  # the sentence a command ends with
                self.screen += text
            else:
                self.log.append(json.loads(text))

    async def said(self, event: str, after: int = 0, **details: Any) -> dict[str, Any]:
        """Wait until it has logged an event with these details."""

        def found() -> dict[str, Any] | None:
            for line in self.log[after:]:
                if line["event"] == event and details.items() <= line.items():
                    return line
            return None

        def over() -> bool:
            ended = self.process is not None and self.process.returncode is not None
            return found() is not None or ended

        await until(over, f"the daemon to log '{event}'; it has said {self.raw_log}")
        line = found()
        if line is None:
            pytest.fail(f"the daemon ended without logging '{event}': {self.raw_log}")
        return line

    async def stop(self, within_s: float = STOP_WITHIN_S) -> int:
        """SIGTERM; its exit code, if it ends in time."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return await self.ended(within_s)

    async def ended(self, within_s: float) -> int:
        """Wait for its end; its exit code."""
        assert self.process is not None
        assert self._reading is not None
        code = await asyncio.wait_for(self.process.wait(), within_s)
        await self._reading
        return code

    async def kill(self) -> None:
        """End it without a chance to tidy up, if it runs."""
        if self.process is not None and self.process.returncode is None:
            self.process.kill()
            await self.ended(START_WITHIN_S)

    def holds(self, text: str) -> list[str]:
        """Its files that hold a text."""
        files = (path for path in self.folder.rglob("*") if path.is_file())
        return [path.name for path in files if text.encode() in path.read_bytes()]

    # --- what it has written --------------------------------------------------------------------

    def records(self, *kinds: RecordKind) -> list[Record]:
        """The committed records, all or of some kinds."""
        with JournalReader(self.journal) as reader:
            return reader.records_after(0, 1_000_000, kinds or None)

    def contact(self, point: str) -> bool:
        """A contact as last committed."""
        told = [record for record in self.records(RecordKind.POINT) if record.subject == point]
        return bool(told[-1].value)

    async def until_records(
        self, condition: Callable[[list[Record]], bool], what: str, *kinds: RecordKind
    ) -> list[Record]:
        """Wait until the committed records fulfil a condition."""
        await until(lambda: condition(self.records(*kinds)), what)
        return self.records(*kinds)


@contextlib.asynccontextmanager
async def daemon(folder: Path, port: int, settings: str = SETTINGS) -> AsyncIterator[DaemonProcess]:
    """A daemon, not yet started, that is gone afterwards whatever happens."""
    made = DaemonProcess(folder, port, settings)
    try:
        yield made
    finally:
        await made.kill()


def summary(records: list[Record]) -> list[tuple[str, str, object]]:
    """Records as kind, subject and value, for comparing."""
    return [(record.kind.word, record.subject, record.value) for record in records]


def are_contiguous(records: list[Record]) -> bool:
    """Whether no number is missing."""
    return [record.sequence for record in records] == list(range(1, len(records) + 1))
