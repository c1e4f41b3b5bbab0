"""The MQTT outlet against a real mosquitto; ``mosquitto_sub`` is the independent subscriber."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from collector.core.catalogue import Catalogue
from collector.core.records import Record, RecordKind
from collector.outlets.topics import Topics
from tests.contract.outlet_parts import Ledger, all_delivered, at_work, ledger, state_is
from tests.outlet_samples import NOON_US, busy_records, one_of_each, record, sample_plant
from tests.real_parts import Heard, Listener, listening, mosquitto, program, running, until

LIVE = "weirkeeper/osier_bend/"
LATE = "weirkeeper/osier_bend/late/"


def published(book: Ledger) -> list[Record]:
    """Every record of the journal that goes out."""
    records = book.reader.records_between(1, book.journal.head, 1_000_000)
    return [r for r in records if r.kind is not RecordKind.CONFIGURATION]


def topics_of(book: Ledger) -> Topics:
    plant = sample_plant()
    return Topics("weirkeeper", plant, Catalogue(plant), book.reader.journal_id)


def expected_body(book: Ledger, item: Record) -> dict[str, object]:
    maker = topics_of(book)
    tail = maker.state_tail(item)
    if tail is not None:
        message = maker.now(item, tail)
    else:
        tail = maker.event_tail(item)
        assert tail is not None
        message = maker.event(item, tail, late=False)
    body: dict[str, object] = json.loads(message.payload)
    return body


def retained_never_goes_back(heard: Sequence[Heard]) -> bool:
    """Whether the numbers on every ``now`` topic only rise."""
    newest: dict[str, int] = {}
    for message in heard:
        if "/now/" in message.topic:
            if message.body["number"] < newest.get(message.topic, 0):
                return False
            newest[message.topic] = message.body["number"]
    return True


def states(sub: Listener) -> list[str]:
    """The presences heard."""
    return [m.body["state"] for m in sub.heard if "state" in m.body]


def first_times(numbers: Sequence[int]) -> list[int]:
    """Numbers without their repeats, in the order they came first."""
    return list(dict.fromkeys(numbers))


async def test_every_record_arrives_equal_to_the_journal(tmp_path: Path) -> None:
    """What an independent subscriber hears is what the journal holds, live and in order."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(broker.port)
        async with listening(broker.port) as sub, at_work(outlet):
            await state_is(outlet, "delivering")
            for step in range(5):
                book.write(one_of_each(NOON_US + step * 1_000_000), outlet)
            await all_delivered(book, outlet)
            records = published(book)
            await until(lambda: len(sub.numbers()) >= len(records), "all messages")
            assert sub.numbers() == [r.sequence for r in records]
            bodies = [m.body for m in sub.heard if "number" in m.body]
            assert bodies == [expected_body(book, r) for r in records]
            assert not [m for m in sub.heard if m.topic.startswith(LATE)]
            for message in sub.heard:
                assert message.retained == ("/now/" in message.topic or "state" in message.body)
    assert sub.heard[0].body["state"] == "present"


async def test_a_subscriber_that_comes_later_sees_the_present_and_no_old_events(
    tmp_path: Path,
) -> None:
    """Retained is the newest state of each subject, and our presence; events are not."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(broker.port)
        async with at_work(outlet):
            await state_is(outlet, "delivering")
            book.write(busy_records(400), outlet)
            await all_delivered(book, outlet)
            async with listening(broker.port) as sub:
                await until(lambda: len(sub.heard) >= 4, "the retained messages")
                newest = {r.subject: r.sequence for r in published(book)}
                del newest["pump_1.started"]
                assert sorted(sub.numbers()) == sorted(newest.values())
                assert all(message.retained for message in sub.heard)
                (presence,) = [m for m in sub.heard if m.topic == LIVE + "collector"]
                assert presence.body["state"] == "present"


async def test_a_clean_stop_says_stopped_and_a_death_says_lost(tmp_path: Path) -> None:
    """MQTT 5.0, 3.1.2.5: the will is published unless the client says DISCONNECT."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        async with listening(broker.port) as sub:
            outlet = book.mqtt(broker.port)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
            assert outlet.status().state == "stopped"
            outlet = book.mqtt(broker.port)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                assert outlet._connection is not None
                outlet._connection.cut()
                await until(lambda: len(states(sub)) == 5, "the will and the return")
            await until(lambda: len(states(sub)) == 6, "the farewell")
            assert states(sub) == ["present", "stopped", "present", "lost", "present", "stopped"]
            assert all(m.retained for m in sub.heard)


async def test_a_broker_that_comes_late_gets_everything(tmp_path: Path) -> None:
    """The broker is absent at the start: that is told in words, and nothing is lost."""
    broker = mosquitto(tmp_path / "broker")
    with ledger(tmp_path / "journal") as book:
        book.write(busy_records(150))
        outlet = book.mqtt(broker.port)
        async with at_work(outlet):
            status = await state_is(outlet, "unreachable")
            assert (
                status.sentence == f"no connection to 127.0.0.1:{broker.port}: Connection refused"
            )
            assert status.behind == 150
            with running(broker):
                async with listening(broker.port) as sub:
                    await all_delivered(book, outlet)
                    everything = {r.sequence for r in published(book)}
                    await until(lambda: set(sub.numbers()) == everything, "all records")
                    assert retained_never_goes_back(sub.heard)


async def test_a_broker_killed_midway_costs_repeats_and_nothing_else(tmp_path: Path) -> None:
    """Kill and restart while records flow: at least once, in order, and retained is right again
    although the broker forgot everything."""
    broker = mosquitto(tmp_path / "broker")
    heard: list[Heard] = []
    with ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(broker.port, window=20)
        async with at_work(outlet):
            for part in range(4):
                broker.start()
                async with listening(broker.port) as sub:
                    await state_is(outlet, "delivering")
                    book.write(busy_records(2000, NOON_US + part * 10**9), outlet)
                    if part < 3:
                        await until(lambda sub=sub: len(sub.numbers()) > 300, "some messages")  # type: ignore[misc]
                        broker.kill()
                        await state_is(outlet, "unreachable")
                    else:
                        await all_delivered(book, outlet)
                        await until(lambda sub=sub: 8000 in sub.numbers(), "the last one")  # type: ignore[misc]
                assert retained_never_goes_back(sub.heard)
                late = first_times(sub.numbers(LATE))
                assert all(a < b for a, b in pairwise(late))
                heard += sub.heard
            async with listening(broker.port) as sub:
                newest = {r.subject: r.sequence for r in published(book)}
                del newest["pump_1.started"]
                await until(lambda: len(sub.heard) >= 4, "the retained messages")
                assert sorted(sub.numbers()) == sorted(newest.values())
            broker.stop()
    numbers = {m.body["number"] for m in heard if "number" in m.body}
    missing = set(range(1, 8001)) - numbers
    # What a killed broker had acknowledged, its subscriber may have lost with it: PUBACK says that
    # the broker has the message, not that a subscriber has (MQTT 5.0, 4.3.2).
    assert len(missing) <= 3 * 20


async def test_the_present_does_not_wait_for_twenty_thousand_old_records(tmp_path: Path) -> None:
    """A record journaled while a long backlog is worked off arrives before the backlog's end, and
    the backlog arrives in order, complete, below ``late`` and not retained."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        book.write(busy_records(20_000))
        outlet = book.mqtt(broker.port)
        async with listening(broker.port) as sub, at_work(outlet):
            await until(lambda: len(sub.numbers(LATE)) > 100, "the backlog to move")
            fresh = record(RecordKind.POINT, "works.float_start", NOON_US + 10**10, True)
            head = book.write([fresh], outlet)
            await all_delivered(book, outlet)
            await until(lambda: len(sub.numbers(LATE)) >= 20_000, "the whole backlog")
            order = sub.numbers()
            assert sub.numbers(LATE) == list(range(1, 20_001))
            assert order.index(head) < order.index(20_000)
            (live,) = [m for m in sub.heard if m.body.get("number") == head]
            assert live.topic == LIVE + "now/point/works/float_start"
            assert not [m for m in sub.heard if m.topic.startswith(LATE) and m.retained]
            assert retained_never_goes_back(sub.heard)
            assert book.reader.cursor("mqtt").ahead_from == 0


async def test_an_interrupted_backlog_goes_on_where_it_was(tmp_path: Path) -> None:
    """A stop in the middle of a backlog keeps both stretches of the cursor, so the next start
    repeats at most a window."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        book.write(busy_records(5000))
        async with listening(broker.port) as sub:
            first = book.mqtt(broker.port, window=10)
            async with at_work(first):
                await until(lambda: len(sub.numbers(LATE)) > 200, "the backlog to move")
                book.write(busy_records(5, NOON_US + 10**10), first)
                await until(lambda: 5005 in sub.numbers(), "the live ones")
                await until(lambda: first._delivery.cursor.ahead_to == 5005, "their receipt")
            assert book.journal.flush(20)
            kept = book.reader.cursor("mqtt")
            assert 100 < kept.delivered < 5000
            assert (kept.ahead_from, kept.ahead_to) == (5001, 5005)
            before = len(sub.numbers(LATE))
            second = book.mqtt(broker.port, window=10)
            async with at_work(second):
                await all_delivered(book, second)
            await until(lambda: 5000 in sub.numbers(LATE), "the end of the backlog")
        assert set(sub.numbers(LATE)) == set(range(1, 5001))
        again = sub.numbers(LATE)[before:]
        assert again[0] <= kept.delivered + 1
        assert kept.delivered - again[0] <= 10


async def test_what_left_the_plant_file_is_no_longer_retained(tmp_path: Path) -> None:
    """MQTT 5.0, 3.3.1.3: an empty retained message clears the topic; the record itself is history
    and comes late."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "journal") as book:
        book.write(
            [
                record(RecordKind.POINT, "works.removed", NOON_US, True),
                record(RecordKind.POINT, "works.p1_run", NOON_US, True),
            ]
        )
        topic = LIVE + "now/point/works/removed"
        publish = program("mosquitto_pub", "mosquitto-clients")
        old = await asyncio.create_subprocess_exec(
            publish, "-p", str(broker.port), "-h", "127.0.0.1", "-r", "-m", "{}", "-t", topic
        )
        assert await old.wait() == 0
        outlet = book.mqtt(broker.port)
        async with listening(broker.port) as sub, at_work(outlet):
            await all_delivered(book, outlet)
            await until(lambda: {*sub.numbers(LATE)} == {1, 2}, "both records")
        async with listening(broker.port) as late_comer:
            await until(lambda: len(late_comer.heard) >= 2, "the retained messages")
            topics = {m.topic for m in late_comer.heard}
            assert topics == {LIVE + "collector", LIVE + "now/point/works/p1_run"}
