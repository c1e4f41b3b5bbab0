"""From a moved contact to the subscriber and the store, every part a real one.

Simulated panel, the daemon as a process, mosquitto with ``mosquitto_sub``, and victoria-metrics
read back over HTTP. What arrives must equal the journal, whatever was away in between.
"""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
from collections.abc import AsyncIterator, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from tests.faults.daemon_parts import SETTINGS, DaemonProcess, Meadow, daemon
from tests.real_parts import (
    BrokerOptions,
    Heard,
    free_port,
    listening,
    mosquitto,
    program,
    running,
    stored_series,
    until,
    victoria_metrics,
)

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
PLACE = "weirkeeper/lower_meadow"
MOVES = 6
SECRET = "correct-horse-battery-staple"


class Gate:
    """A way to a port of this machine that can be shut, so that a server is away for us alone."""

    def __init__(self, behind: int) -> None:
        self.port = free_port()
        self._behind = behind
        self._server: asyncio.Server | None = None
        self._open: list[asyncio.StreamWriter] = []

    async def open(self) -> None:
        """Let connections through."""
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", self.port)

    async def shut(self) -> None:
        """Cut what there is and refuse what comes."""
        if self._server is not None:
            self._server.close()
        for writer in self._open:
            writer.close()
        self._server, self._open = None, []

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, thither = await asyncio.open_connection("127.0.0.1", self._behind)
        self._open += [writer, thither]

        async def carry(one: asyncio.StreamReader, other: asyncio.StreamWriter) -> None:
            with contextlib.suppress(OSError):
                while data := await one.read(65_536):
                    other.write(data)
                    await other.drain()
            other.close()

        await asyncio.gather(carry(reader, thither), carry(there, writer))


@contextlib.asynccontextmanager
async def gates(*ports: int) -> AsyncIterator[list[Gate]]:
    """Gates before ports, shut at first."""
    made = [Gate(port) for port in ports]
    try:
        yield made
    finally:
        for gate in made:
            await gate.shut()


def outlets(broker_port: int, store_port: int, more: str = "") -> str:
    """Settings with both outlets."""
    return (
        f"{SETTINGS}mqtt: {{host: 127.0.0.1, port: {broker_port}{more}}}\n"
        f"store: {{url: 'http://127.0.0.1:{store_port}'}}\n"
    )


async def move(meadow: Meadow, times: int = MOVES) -> None:
    """Move the pump's contact and a float, each long enough to be seen."""
    for number in range(times):
        meadow.set("pump_1_run", made=number % 2 == 0)
        meadow.set("start_1", made=number % 3 == 0)
        await asyncio.sleep(0.25)


async def settled(collector: DaemonProcess) -> list[Record]:
    """Wait until no more records come; all of them."""
    before = -1
    while len(records := collector.records()) != before:
        before = len(records)
        await asyncio.sleep(0.5)
    return records


def told(records: Iterable[Record]) -> set[int]:
    """The numbers that leave the journal: all but those of configurations."""
    return {r.sequence for r in records if r.kind is not RecordKind.CONFIGURATION}


def stamp(record: Record) -> str:
    """When it was, as RFC 3339 has it."""
    at = EPOCH + timedelta(microseconds=record.utc_us)
    return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def equal_the_journal(heard: Sequence[Heard], records: Sequence[Record]) -> None:
    """Each message says what its record says."""
    by_number = {record.sequence: record for record in records}
    for message in heard:
        number = message.body.get("number")
        if number is None:
            continue
        record = by_number[number]
        assert message.body["at"] == stamp(record), message
        assert message.body["quality"] == record.quality.word
        topic = message.topic.removeprefix(PLACE).split("/")
        assert topic[-1] == record.subject.rpartition(".")[2]
        if record.kind is RecordKind.POINT and record.subject.startswith("meadow."):
            assert message.body["value"] == record.value, message
        elif record.subject.endswith((".run_hours", ".run_hours_unknown")):
            assert isinstance(record.value, float)
            assert message.body["unit"] == "h"
            assert message.body["value"] == pytest.approx(record.value / 3600, rel=1e-12)


def keep_a_mark(port: int, *credentials: str) -> None:
    """Have the broker retain a message, by which a subscriber sees that its subscription stands."""
    publish = [program("mosquitto_pub", "mosquitto-clients"), "-h", "127.0.0.1", "-p", str(port)]
    subprocess.run([*publish, *credentials, "-t", f"{PLACE}/mark", "-m", "{}", "-r"], check=True)


def stored_numbers(port: int) -> set[int]:
    """The numbers of the records the store holds."""
    found = stored_series(port, '{__name__=~".*_number"}')
    return {int(figure) for series in found for _, figure in series.figures}


def store_equals_the_journal(port: int, records: Sequence[Record]) -> None:
    """Every point's row is there with its stamp (ms) and figure."""
    rows = {
        (dict(series.labels)["__name__"], dict(series.labels).get("point"), at_ms, figure)
        for series in stored_series(port)
        for at_ms, figure in series.figures
    }
    for record in records:
        if record.kind is RecordKind.POINT and record.value is not None:
            kind = "contact" if isinstance(record.value, bool) else "reading"
            kind = "own" if record.subject.startswith("collector.") else kind
            row = (f"{kind}_value", record.subject.rpartition(".")[2], record.utc_us // 1000)
            assert (*row, float(record.value)) in rows, record


async def test_what_arrives_equals_the_journal_even_if_both_were_away(tmp_path: Path) -> None:
    """Broker and store away at the start, then there, then away again: nothing is missing.

    Every record has been heard by a subscriber and stands in the store, as the journal has it.
    """
    broker, store = mosquitto(tmp_path / "broker"), victoria_metrics(tmp_path / "store")
    meadow = Meadow()
    with running(broker), running(store):
        async with (
            gates(broker.port, store.port) as (broker_gate, store_gate),
            listening(broker.port, f"{PLACE}/#") as listener,
            meadow.served(),
        ):
            settings = outlets(broker_gate.port, store_gate.port)
            (tmp_path / "collector").mkdir()
            async with daemon(tmp_path / "collector", meadow.port, settings) as collector:
                await collector.start()
                await collector.said("outlet", outlet="mqtt", state="unreachable")
                await collector.said("outlet", outlet="store", state="unreachable")
                await move(meadow)
                assert len(told(collector.records())) > MOVES
                await broker_gate.open()
                await store_gate.open()
                await collector.said("outlet", outlet="mqtt", state="delivering")
                await collector.said("outlet", outlet="store", state="delivering")
                await move(meadow)
                await broker_gate.shut()
                await store_gate.shut()
                await move(meadow)
                await broker_gate.open()
                await store_gate.open()
                await move(meadow)
                records = await settled(collector)
                wanted = told(records)
                await until(
                    lambda: wanted <= set(listener.numbers()),
                    f"{len(wanted)} records at the subscriber",
                )
                await until(
                    lambda: wanted <= stored_numbers(store.port), "all records in the store"
                )
                assert await collector.stop() == ExitCode.DONE
                await until(
                    lambda: listener.heard[-1].body.get("state") == "stopped", "the farewell"
                )
                everything = collector.records()
        equal_the_journal(listener.heard, everything)
        assert stored_numbers(store.port) <= told(everything)
        store_equals_the_journal(store.port, records)
        retained_only = ("--retained-only",)
        async with listening(broker.port, f"{PLACE}/now/#", *retained_only, greeting=None) as later:
            await until(lambda: len(later.heard) > 5, "the retained state")
        latest = {r.subject: r for r in records if r.kind is RecordKind.POINT}
        for name in ("start_1", "pump_1_run"):
            (kept,) = [m for m in later.heard if m.topic.endswith(f"/point/meadow/{name}")]
            assert kept.retained
            assert kept.body["value"] == latest[f"meadow.{name}"].value
            assert kept.body["number"] == latest[f"meadow.{name}"].sequence


async def test_a_wrong_password_holds_the_broker_and_nothing_else(tmp_path: Path) -> None:
    """Journal and store go on; with the right password everything is delivered after all."""
    broker = mosquitto(tmp_path / "broker", BrokerOptions(users={"weir": SECRET}))
    store = victoria_metrics(tmp_path / "store")
    credentials = ("-u", "weir", "-P", SECRET)
    meadow = Meadow()
    with running(broker), running(store):
        (tmp_path / "collector").mkdir()
        settings = outlets(broker.port, store.port, ", user: weir")
        async with (
            meadow.served(),
            daemon(tmp_path / "collector", meadow.port, settings) as collector,
        ):
            await collector.start(WEIRKEEPER_MQTT__PASSWORD="wrong-" + SECRET)
            held = await collector.said("outlet", outlet="mqtt", state="held")
            assert held["level"] == "warning"
            assert "refuses us" in held["sentence"]
            await move(meadow)
            before = await settled(collector)
            assert len(told(before)) > MOVES
            await until(lambda: told(before) <= stored_numbers(store.port), "the store")
            assert await collector.stop() == ExitCode.DONE
            keep_a_mark(broker.port, *credentials)
            async with listening(
                broker.port, f"{PLACE}/#", *credentials, greeting=None
            ) as listener:
                await until(lambda: len(listener.heard) == 1, "the subscription")
                seen = len(collector.log)
                await collector.start(WEIRKEEPER_MQTT__PASSWORD=SECRET)
                await collector.said("outlet", after=seen, outlet="mqtt", state="delivering")
                records = await settled(collector)
                await until(
                    lambda: told(records) <= set(listener.numbers()), "all of it at the subscriber"
                )
                assert await collector.stop() == ExitCode.DONE
            equal_the_journal(listener.heard, collector.records())
            assert SECRET not in collector.raw_log
