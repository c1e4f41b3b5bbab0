"""``kill -9`` of the daemon under load, with a broker and a subscriber that see it all.

What a subscriber has heard must be in the journal, as it was said, after whatever happened; what is
in the journal must come to him at least once; and nothing may be there under two numbers.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import JournalReader
from tests.faults.daemon_parts import SETTINGS, DaemonProcess, Meadow, are_contiguous, daemon
from tests.faults.tally import Findings, Tally
from tests.real_parts import Listener, listening, mosquitto, running, until
from tests.unit.journal.test_chain import check_chain

CONTACTS = ("start_1", "pump_1_run", "pump_2_run")
STARTING_SHARE = 0.3
"""So many are killed while they start."""


async def keep_moving(meadow: Meadow, pace: random.Random) -> None:
    """Move contacts faster than they are scanned."""
    while True:
        meadow.set(pace.choice(CONTACTS), made=pace.random() < 0.5)
        await asyncio.sleep(pace.uniform(0.005, 0.05))


async def kill_daemons(folder: Path, kills: int, seed: int) -> AsyncIterator[Tally]:
    """Kill the daemon again and again; what came of all so far.

    Args:
        folder: for its files, those of the broker among them.
        kills: how many.
        seed: of the moments.
    """
    pace, meadow = random.Random(seed), Meadow()
    tally = Tally("kill -9 of the daemon")
    broker = mosquitto(folder / "broker")
    settings = f"{SETTINGS}mqtt: {{host: 127.0.0.1, port: {broker.port}}}\nlog: {{level: info}}\n"
    with running(broker):
        async with (
            listening(broker.port) as listener,
            meadow.served(),
            daemon(folder, meadow.port, settings) as collector,
        ):
            moving = asyncio.create_task(keep_moving(meadow, random.Random(seed)))
            watched = Watched(collector, listener)
            try:
                for number in range(kills):
                    await die(collector, pace)
                    tally.found(watched.judge(), f"kill {number + 1}")
                    yield tally
            finally:
                moving.cancel()
            tally.found(await watched.judge_end(), "the end")
            yield tally


async def die(collector: DaemonProcess, pace: random.Random) -> None:
    """Let it start, or watch for a while, and kill it."""
    if pace.random() < STARTING_SHARE:
        await collector.spawn()
        await asyncio.sleep(pace.uniform(0.0, 1.2))
    else:
        await collector.start()
        await asyncio.sleep(pace.uniform(0.0, 1.0))
    await collector.kill()


class Watched:
    """What is known of a journal and of what was delivered, and must stay so."""

    def __init__(self, collector: DaemonProcess, listener: Listener) -> None:
        self._collector = collector
        self._listener = listener
        self._before: list[Record] = []
        self._bodies: dict[tuple[str, int], str] = {}
        self._heard = 0
        self.kills = 0

    def judge(self) -> Findings:
        """What the killed one has left."""
        found = Findings()
        self.kills += 1
        process = self._collector.process
        if process is None or process.returncode != -9:
            found.crashed.append(f"it ended by itself: {self._collector.raw_log[-300:]}")
        if self._collector.journal.exists() and self._collector.journal.stat().st_size:
            self._judge_journal(found)
        self._judge_heard(found)
        return found

    async def judge_end(self) -> Findings:
        """Start it once more, let it deliver everything, and stop it in an orderly way."""
        found = Findings()
        await self._collector.start()
        await asyncio.sleep(1.0)
        await until(self._all_delivered, "everything to be delivered")
        if await self._collector.stop() != ExitCode.DONE:
            found.crashed.append("it did not end well")
        self._judge_journal(found)
        self._judge_heard(found)
        heard = {number for _, number in self._bodies}
        points = [r.sequence for r in self._before if r.kind is RecordKind.POINT]
        if len(points) < self.kills:
            found.wrong.append(f"under no load: {len(points)} changes")
        if missing := [number for number in points[:-20] if number not in heard]:
            found.lost.append(f"never delivered: {missing[:5]}")
        return found

    def _all_delivered(self) -> bool:
        with JournalReader(self._collector.journal) as reader:
            return reader.head() - reader.cursor("mqtt").delivered < 20

    def _judge_journal(self, found: Findings) -> None:
        records = self._collector.records()
        if records[: len(self._before)] != self._before:
            found.lost.append("a record that was there has gone or changed")
        if not are_contiguous(records):
            found.lost.append("a number is missing")
        points = [r for r in records if r.kind is RecordKind.POINT]
        if len({(r.subject, r.at_us, r.value) for r in points}) != len(points):
            found.doubled.append("a change is there under two numbers")
        for earlier, later in pairwise(records):
            if later.subject == "collector.started" and later.at_us < earlier.at_us:
                found.wrong.append("plant time went back over a restart")
        with JournalReader(self._collector.journal) as reader:
            if any(cursor.delivered > len(records) for cursor in reader.cursors()):
                found.wrong.append("a cursor is beyond the last record")
        try:
            check_chain(self._collector.journal)
        except AssertionError as error:
            found.wrong.append(f"the chain is not whole: {error}")
        self._before = records

    def _judge_heard(self, found: Findings) -> None:
        by_number = {record.sequence: record for record in self._before}
        for message in self._listener.heard[self._heard :]:
            number = message.body.get("number")
            if not number:
                continue
            record = by_number.get(number)
            if record is None:
                found.lost.append(f"{message.topic} was delivered as {number}, which is not there")
                continue
            told = message.body.get("value")
            if record.kind is RecordKind.POINT and told != record.value:
                found.wrong.append(f"{message.topic} {number} says {told}, not {record.value}")
            said = self._bodies.setdefault((record.subject, number), repr(told))
            if said != repr(told):
                found.doubled.append(f"{number} was delivered twice, and not the same")
        self._heard = len(self._listener.heard)
