"""``kill -9`` in every state of an alarm: it is in the same state after the start.

The rules are three about one float, told apart by what the test makes of them. The states are those
of IEC 62682 / ISA-18.2 (alarm state transition diagram, quoted from secondary sources).
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import signal
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.audit.chain import AUDITED
from collector.core.alarms.states import State
from collector.core.alarms.wire import alarm_of
from collector.core.records import Quality, Record, RecordKind, Value
from collector.intray import Outcome, hand_in
from collector.journal import JournalReader
from tests.faults.daemon_parts import SETTINGS, DaemonProcess, Meadow, are_contiguous, daemon
from tests.real_parts import until

ALARM = "sump.water_is_in"
RULES = """
alarms:
  water_is_in:
    for: {one: sump}
    title: water is in
    when: "meadow.start_1"
    priority: medium
    causes: [a test]
    consequence: none
    response: Nothing.
    respond_within: 1 h
    suppressed_by:
      - {when: "meadow.pump_2_run", reason: the other pump runs}
"""


@pytest.fixture
def settings(tmp_path: Path) -> str:
    """Settings with the rules of this test."""
    (tmp_path / "rules.yaml").write_text(RULES, encoding="utf-8")
    return f"{SETTINGS}rules: {{paths: [rules.yaml]}}\n"


def moves(collector: DaemonProcess) -> list[Record]:
    """What the alarm did, as committed."""
    return [r for r in collector.records(RecordKind.ALARM) if r.subject == ALARM]


def state(collector: DaemonProcess) -> str:
    """The state of the alarm as committed."""
    told = moves(collector)
    return alarm_of(told[-1]).state if told else State.NORMAL.value


async def state_is(collector: DaemonProcess, wanted: State) -> None:
    """Wait until the alarm is in a state."""
    await until(
        lambda: state(collector) == wanted.value,
        f"{wanted.value}; it is {state(collector)}: {collector.raw_log}",
    )


async def do(collector: DaemonProcess, verb: str, **details: Value) -> Outcome:
    """Hand an action in, as the command line does."""
    action = {"verb": verb, "about": ALARM, "by": "A. Warden", "way": "command line", **details}
    return await asyncio.to_thread(hand_in, collector.journal, action, 30.0)


def chain_is_whole(collector: DaemonProcess) -> None:
    """Every audited record is in it once, and each hash is that of the one before and the entry.

    Reckoned here with SHA-256 of the standard library (FIPS 180-4) from the file's own bytes.
    """
    with contextlib.closing(sqlite3.connect(collector.journal)) as file:
        rows = file.execute("SELECT number, sequence, body, hash FROM chain ORDER BY number")
        entries = rows.fetchall()
    assert [number for number, *_ in entries] == list(range(1, len(entries) + 1))
    before = bytes(32)
    for _, _, body, kept in entries:
        before = hashlib.sha256(before + body.encode()).digest()
        assert before == kept
    audited = [r.sequence for r in collector.records() if r.kind in AUDITED]
    assert [sequence for _, sequence, *_ in entries] == audited


async def bring_into(wanted: State, meadow: Meadow, collector: DaemonProcess) -> None:
    """Raise the alarm and bring it into a state."""
    meadow.set("start_1", made=True)
    await state_is(collector, State.UNACKNOWLEDGED)
    if wanted is State.ACKNOWLEDGED:
        assert (await do(collector, "acknowledge")).state == "accepted"
    elif wanted is State.RETURNED:
        meadow.set("start_1", made=False)
    elif wanted is State.SUPPRESSED:
        meadow.set("pump_2_run", made=True)
    elif wanted is State.SHELVED:
        end = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
        assert (await do(collector, "shelve", until=end, reason="a test")).state == "accepted"
    elif wanted is State.OUT_OF_SERVICE:
        assert (await do(collector, "out_of_service", reason="a test")).state == "accepted"
    await state_is(collector, wanted)


async def lead_out_of(left: State, meadow: Meadow, collector: DaemonProcess) -> None:
    """What moves an alarm of each state moves it after the restart too, to where it should."""
    if left is State.UNACKNOWLEDGED:
        assert (await do(collector, "acknowledge")).state == "accepted"
        await state_is(collector, State.ACKNOWLEDGED)
    elif left is State.ACKNOWLEDGED:
        meadow.set("start_1", made=False)
        await state_is(collector, State.NORMAL)
    elif left is State.RETURNED:
        assert (await do(collector, "acknowledge")).state == "accepted"
        await state_is(collector, State.NORMAL)
    elif left is State.SUPPRESSED:
        meadow.set("pump_2_run", made=False)
        await state_is(collector, State.UNACKNOWLEDGED)
    elif left is State.SHELVED:
        assert (await do(collector, "unshelve")).state == "accepted"
        await state_is(collector, State.UNACKNOWLEDGED)
    else:
        assert (await do(collector, "return_to_service")).state == "accepted"
        await state_is(collector, State.UNACKNOWLEDGED)


@pytest.mark.parametrize(
    "wanted",
    [
        State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.SHELVED, State.SUPPRESSED,
        State.OUT_OF_SERVICE,
    ],
    ids=lambda each: each.value,
)  # fmt: skip
async def test_killed_in_a_state_it_is_in_that_state_after_the_start(
    tmp_path: Path, settings: str, wanted: State
) -> None:
    """Nothing is told twice, the activation is the same, and it moves on from there.

    Between the kill and the panel's answer nobody knows whether its condition holds: at most that
    is told, and that it is known again.
    """
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start()
        await bring_into(wanted, meadow, collector)
        before = moves(collector)
        await collector.kill()
        await collector.start()
        await collector.until_records(
            lambda records: len(records) == 2, "the panel", RecordKind.PANEL_RETURNED
        )
        await until(lambda: moves(collector)[-1].quality is Quality.GOOD, "it to be known again")
        after = [alarm_of(record) for record in moves(collector)[len(before) :]]
        assert {move.happening for move in after} <= {"became unknown", "became known"}
        assert {(move.state, move.activation) for move in after} <= {(wanted.value, 1)}
        assert state(collector) == wanted.value
        await lead_out_of(wanted, meadow, collector)
        assert alarm_of(moves(collector)[-1]).activation == 1
        assert await collector.stop() == 0
        assert are_contiguous(collector.records())
        chain_is_whole(collector)


async def test_what_was_handed_in_while_it_was_down_is_done_at_the_start(
    tmp_path: Path, settings: str
) -> None:
    """Once, with the name of whoever said it; what is no longer possible is refused on record."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start()
        await bring_into(State.UNACKNOWLEDGED, meadow, collector)
        await collector.kill()
        action = {"verb": "acknowledge", "about": ALARM, "by": "A. Warden", "way": "command line"}
        waits = await asyncio.to_thread(hand_in, collector.journal, action, 0.0)
        assert waits.state == "waiting"
        assert "is not running" in waits.why
        await collector.start()
        await state_is(collector, State.ACKNOWLEDGED)
        assert alarm_of(moves(collector)[-1]).details["actor"] == "A. Warden"
        refused = await do(collector, "acknowledge", about="sump.water_is_out")
        assert (refused.state, refused.why) == (
            "refused",
            "there is no alarm 'sump.water_is_out'; did you mean 'sump.water_is_in'?",
        )
        told = [json.loads(str(record.value)) for record in collector.records(RecordKind.ACTION)]
        assert [(each["id"], each.get("refused")) for each in told] == [
            (waits.id, None),
            (refused.id, refused.why),
        ]
        await until(lambda: not list_of_files(collector), "the in-tray to be empty")


async def test_changed_rules_come_into_force_while_it_runs_and_bad_ones_do_not(
    tmp_path: Path, settings: str
) -> None:
    """SIGHUP: all that is wrong is in the log; what is right is kept with its text and hash."""
    meadow = Meadow()
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start()
        await bring_into(State.ACKNOWLEDGED, meadow, collector)
        rules = tmp_path / "rules.yaml"
        rules.write_text(RULES.replace("meadow.start_1", "meadow.start_2"), encoding="utf-8")
        assert collector.process is not None
        collector.process.send_signal(signal.SIGHUP)
        refused = await collector.said("files refused, the old ones stay in force")
        assert "did you mean 'meadow.start_1'?" in refused["problem"]
        more = RULES.replace("water_is_in", "water_too").partition("alarms:\n")[2]
        rules.write_text(RULES + more, encoding="utf-8")
        collector.process.send_signal(signal.SIGHUP)
        await collector.said("files changed")
        await collector.until_records(
            lambda records: any(r.subject == "sump.water_too" for r in records), "the new alarm",
            RecordKind.ALARM,
        )  # fmt: skip
        assert state(collector) == State.ACKNOWLEDGED.value
        assert await collector.stop() == 0
        with JournalReader(collector.journal) as reader:
            kept = reader.configuration_in_force("rules")
        assert kept is not None
        assert json.loads(kept.text) == [["rules.yaml", RULES + more]]
        told = [r for r in collector.records(RecordKind.CONFIGURATION) if r.subject == "rules"]
        assert (len(told), told[-1].value) == (2, kept.hash)


def list_of_files(collector: DaemonProcess) -> list[str]:
    """What lies in the in-tray."""
    folder = collector.journal.with_name(f"{collector.journal.name}.intray")
    return [path.name for path in folder.iterdir() if path.is_file()]
