"""The daemon as a real process: its start, its signals, its end, and what it tells about itself.

The service manager's protocol is that of sd_notify(3): datagrams of KEY=VALUE lines.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
import socket
import tempfile
from pathlib import Path

import pytest

from collector.core.records import RecordKind
from collector.errors import ExitCode
from collector.journal import JournalReader
from collector.journal.holder import held_by
from tests.faults.daemon_parts import (
    SETTINGS,
    STOP_WITHIN_S,
    Meadow,
    are_contiguous,
    daemon,
    summary,
)
from tests.real_parts import until

SECRET = "correct-horse-battery-staple"


# --- start and end --------------------------------------------------------------------------------


async def test_a_terminated_daemon_has_committed_everything(tmp_path: Path) -> None:
    """SIGTERM: within 2 s, code 0, its last records on the disk, and the journal free again."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        await collector.start()
        await collector.until_records(
            lambda records: len(records) == 1, "the panel", RecordKind.PANEL_RETURNED
        )
        meadow.set("start_1", made=not collector.contact("meadow.start_1"))
        await asyncio.sleep(0.3)  # three scans; the change may still be on its way to the disk
        assert await collector.stop() == ExitCode.DONE
        records = collector.records()
        assert are_contiguous(records)
        assert summary(records)[0][:2] == ("collector", "collector.started")
        assert summary(records)[-1][:2] == ("collector", "collector.stopped")
        points = [record for record in records if record.subject == "meadow.start_1"]
        assert [record.value for record in points] == [points[0].value, not points[0].value]
        with JournalReader(collector.journal) as reader:
            state = reader.state()
            assert state is not None
            assert state[0] == records[-1].sequence
        assert held_by(collector.journal) is None
        assert collector.log[-1]["event"] == "stopped"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_outlets_that_hang_do_not_hold_up_the_end(
    tmp_path: Path, number: signal.Signals
) -> None:
    """A broker and a store that accept connections and say nothing: still within 2 s."""
    with socket.create_server(("127.0.0.1", 0)) as hole:
        port = hole.getsockname()[1]
        settings = (
            f"{SETTINGS}mqtt: {{host: 127.0.0.1, port: {port}}}\n"
            f"store: {{url: 'http://127.0.0.1:{port}', timeout_s: 60}}\n"
        )
        meadow = Meadow()
        async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
            await collector.start()
            await until(lambda: len(collector.records()) > 5, "records to deliver")
            await asyncio.sleep(0.5)  # both outlets are by now in the middle of their attempts
            assert collector.process is not None
            collector.process.send_signal(number)
            assert await collector.ended(STOP_WITHIN_S) == ExitCode.DONE
            assert summary(collector.records())[-1][1] == "collector.stopped"


async def test_a_signal_during_the_start_ends_it_too(tmp_path: Path) -> None:
    """Not only a daemon that already watches can be told to end."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        for delay_s in (0.3, 0.5, 0.7, 0.9):
            process = await collector.spawn()
            await asyncio.sleep(delay_s)
            process.send_signal(signal.SIGTERM)
            code = await collector.ended(20)
            assert code in (ExitCode.DONE, -signal.SIGTERM)
            assert "Traceback" not in collector.raw_log


async def test_the_log_is_json_lines_for_a_machine_and_holds_no_secret(tmp_path: Path) -> None:
    """Every line parses (the reader of the log would fail), has a level and an RFC 3339 stamp."""
    meadow = Meadow()
    settings = f"{SETTINGS}log: {{level: debug}}\n"
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start(
            WEIRKEEPER_MQTT__HOST="127.0.0.1", WEIRKEEPER_MQTT__PORT="9",
            WEIRKEEPER_MQTT__USER="weir", WEIRKEEPER_MQTT__PASSWORD=SECRET,
            WEIRKEEPER_STORE__URL="http://127.0.0.1:9", WEIRKEEPER_STORE__TOKEN=SECRET,
        )  # fmt: skip
        await collector.said("outlet", outlet="mqtt", state="unreachable")
        await collector.said("outlet", outlet="store", state="unreachable")
        await collector.stop()
    assert SECRET not in collector.raw_log
    for line in collector.log:
        assert line["level"] in ("debug", "info", "warning", "error")
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z", line["timestamp"])
    assert collector.holds(SECRET) == []


async def test_a_second_daemon_on_one_journal_is_refused_by_the_name_of_the_first(
    tmp_path: Path,
) -> None:
    """Code 4, one sentence with the process that holds it; the first is not disturbed."""
    meadow = Meadow()
    async with (
        meadow.served(),
        daemon(tmp_path, meadow.port) as first,
        daemon(tmp_path, meadow.port) as second,
    ):
        await first.start()
        assert first.process is not None
        await second.spawn()
        assert await second.ended(20) == ExitCode.JOURNAL
        sentence = (
            f"weirkeeper: the journal weirkeeper.journal is held by process {first.process.pid} "
            r"since \d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ"
        )
        assert re.fullmatch(sentence, second.screen.strip())
        assert second.log == []
        assert await first.stop() == ExitCode.DONE


# --- the service manager --------------------------------------------------------------------------


@pytest.mark.parametrize("abstract", [False, True], ids=["path", "abstract"])
async def test_the_service_manager_hears_ready_alive_and_stopping(
    tmp_path: Path, abstract: bool
) -> None:
    """READY=1 once polling has begun, WATCHDOG=1 again and again, STOPPING=1 at the end."""
    with (
        tempfile.TemporaryDirectory(prefix="wk") as short,  # socket paths have 108 bytes
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hearing,
    ):
        name = f"@weirkeeper-test-{os.getpid()}" if abstract else f"{short}/notify"
        hearing.bind("\0" + name[1:] if abstract else name)
        hearing.setblocking(False)
        heard: list[dict[str, str]] = []
        asyncio.get_running_loop().add_reader(hearing, lambda: heard.append(_datagram(hearing)))
        try:
            meadow = Meadow()
            async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
                await collector.start(NOTIFY_SOCKET=name, WATCHDOG_USEC="4000000")
                await until(lambda: len(heard) >= 4, "three signs of life")
                await collector.stop()
                await until(lambda: "STOPPING" in heard[-1], "the farewell")
        finally:
            asyncio.get_running_loop().remove_reader(hearing)
    words = [next(iter(message)) for message in heard]
    assert words[0] == "READY"
    assert set(words[1:-1]) == {"WATCHDOG"}
    assert words[-1] == "STOPPING"
    assert heard[0] == {"READY": "1", "STATUS": "watching lower_meadow"}
    assert heard[1]["STATUS"].startswith("watching")


def _datagram(hearing: socket.socket) -> dict[str, str]:
    lines = hearing.recv(4096).decode().split("\n")
    return {key: text for key, _, text in (line.partition("=") for line in lines)}


# --- another plant file ---------------------------------------------------------------------------


async def test_a_changed_plant_file_is_taken_up_and_run_hours_go_on(tmp_path: Path) -> None:
    """SIGHUP: the new file is in force and on record; what did not change in it continues."""
    meadow = Meadow()
    meadow.set("pump_1_run", made=True)
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        await collector.start()
        await collector.until_records(
            lambda records: len(records) == 1, "the panel", RecordKind.PANEL_RETURNED
        )
        await asyncio.sleep(0.5)
        text = collector.plant_file.read_text(encoding="utf-8")
        more = "  pump_2: {kind: pump, title: Pump 2, well: sump, run: meadow.pump_2_run}\n"
        collector.plant_file.write_text(text + more, encoding="utf-8")
        collector.process.send_signal(signal.SIGHUP)  # type: ignore[union-attr]
        await collector.said("files changed")
        await collector.until_records(
            lambda records: len(records) == 2, "the panel again", RecordKind.PANEL_RETURNED
        )
        assert await collector.stop() == ExitCode.DONE
        records = collector.records()
        with JournalReader(collector.journal) as reader:
            in_force = reader.configuration_in_force("plant")
    assert are_contiguous(records)
    assert in_force is not None
    assert in_force.text == text + more
    assert [r.value for r in records if r.kind is RecordKind.CONFIGURATION][-1] == in_force.hash
    assert [r.subject for r in records if r.kind is RecordKind.COLLECTOR] == [
        "collector.started", "collector.signing_key", "collector.reloaded", "collector.stopped",
    ]  # fmt: skip
    hours = [float(r.value or 0) for r in records if r.subject == "pump_1.run_hours"]
    assert hours == sorted(hours)
    assert hours[-1] > 0.4
    assert next(r.value for r in records if r.subject == "pump_2.state") == "stopped"
    lost = [r for r in records if r.kind is RecordKind.PANEL_LOST]
    assert [record.reason for record in lost] == ["collector stopped"]


async def test_a_bad_plant_file_is_refused_and_the_old_one_stays(tmp_path: Path) -> None:
    """SIGHUP with a wrong file, then with none: each problem in the log, watching goes on."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        await collector.start()
        await collector.said("panel answers")
        assert collector.process is not None
        text = collector.plant_file.read_text(encoding="utf-8")
        wrong = text.replace("kind: pump", "kind: pmup").replace("time_zone", "time_zome")
        collector.plant_file.write_text(wrong, encoding="utf-8")
        collector.process.send_signal(signal.SIGHUP)
        line = await collector.said("files refused, the old ones stay in force")
        assert line["level"] == "error"
        assert line["problem"] == (
            "plant.yaml:2:60: plant.time_zome: found the unknown key 'time_zome', expected one "
            "this block has; did you mean 'time_zone'?"
        )
        await until(lambda: "did you mean 'pump'?" in collector.raw_log, "the second problem")
        collector.plant_file.unlink()
        collector.process.send_signal(signal.SIGHUP)
        await until(lambda: "found no such file" in collector.raw_log, "the absent file")
        collector.plant_file.write_text(text, encoding="utf-8")
        collector.process.send_signal(signal.SIGHUP)
        await collector.said("files unchanged")
        before = len(collector.records(RecordKind.POINT))
        meadow.set("start_1", made=not collector.contact("meadow.start_1"))
        await collector.until_records(
            lambda records: len(records) == before + 1, "a change", RecordKind.POINT
        )
        assert await collector.stop() == ExitCode.DONE
        configured = collector.records(RecordKind.CONFIGURATION)
        assert [record.subject for record in configured] == ["plant", "rules", "service"]
        assert collector.records(RecordKind.PANEL_LOST) == []


async def test_another_signing_key_is_put_on_record(tmp_path: Path) -> None:
    """Whoever takes the key away cannot have heads signed by a new one in silence."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        await collector.start()
        assert await collector.stop() == ExitCode.DONE
        for name in ("key", "pub"):
            collector.journal.with_name(f"{collector.journal.name}.{name}").unlink()
        await collector.start()
        assert await collector.stop() == ExitCode.DONE
        keys = [r.value for r in collector.records() if r.subject == "collector.signing_key"]
    first, second = keys
    assert first != second
