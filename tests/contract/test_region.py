"""Many plants on one broker and one store: nobody is taken for another, nobody waits for another.

Real mosquitto, real victoria-metrics, and the outlets on journals of their own.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import JournalReader
from tests.contract.outlet_parts import all_delivered, at_work, ledger, secret, state_is
from tests.contract.test_store_delivery import Refusing, number_in, refusing
from tests.faults.daemon_parts import SETTINGS, Meadow, daemon
from tests.outlet_samples import NOON_US, busy_records, one_of_each
from tests.real_parts import (
    BrokerOptions,
    Listener,
    free_port,
    listening,
    mosquitto,
    running,
    stored_series,
    until,
    victoria_metrics,
)

ACCESS = Path(__file__).parents[2] / "deploy" / "broker" / "access"
USERS = {"osier_bend": "o", "willow_camp": "w", "engineer": "e"}
ENGINEER = ("-u", "engineer", "-P", "e")
BACKLOG = 60_000


def guarded() -> BrokerOptions:
    """A broker with the access list that ships; the engineer may also greet."""
    lines = [*ACCESS.read_text().splitlines(), "user engineer", "topic readwrite greeting"]
    return BrokerOptions(users=dict(USERS), access=lines)


def tails(sub: Listener, plant: str) -> set[str]:
    """What was heard of a plant, without its name."""
    trunk = f"weirkeeper/{plant}/"
    return {m.topic.removeprefix(trunk) for m in sub.heard if m.topic.startswith(trunk)}


def journals(sub: Listener, trunk: str) -> set[object]:
    """The journals that messages below a topic come from."""
    return {m.body["journal"] for m in sub.heard if m.topic.startswith(trunk)}


def clients(log: Path) -> list[str]:
    """Under which identifiers clients came, as mosquitto logs it."""
    came = (line.partition(" as ")[2] for line in log.read_text().splitlines() if " as " in line)
    return [words.split()[0] for words in came]


async def test_neighbours_with_the_same_panels_share_nothing(tmp_path: Path) -> None:
    """Two plants whose panels, points and equipment have the same names, one broker, one store:
    each topic and each series is of one plant alone, and says what its own journal says."""
    broker, store = mosquitto(tmp_path / "b", guarded()), victoria_metrics(tmp_path / "s")
    with (
        running(broker),
        running(store),
        ledger(tmp_path / "one", "osier_bend") as osier,
        ledger(tmp_path / "two", "willow_camp") as willow,
    ):
        async with contextlib.AsyncExitStack() as stack:
            sub = await stack.enter_async_context(
                listening(broker.port, "weirkeeper/#", *ENGINEER, greeting=ENGINEER)
            )
            for book, user, count in ((osier, "osier_bend", 2), (willow, "willow_camp", 3)):
                for step in range(count):
                    book.write(one_of_each(NOON_US + step * 1_000_000))
                for outlet in (
                    book.mqtt(broker.port, user=user, password=secret(USERS[user])),
                    book.store(store.port),
                ):
                    await stack.enter_async_context(at_work(outlet))
                    await all_delivered(book, outlet)
            awaited = {osier.reader.journal_id: osier, willow.reader.journal_id: willow}
            for journal, book in awaited.items():
                numbers = {
                    r.sequence
                    for r in book.reader.records_between(1, book.journal.head, 1000)
                    if r.kind is not RecordKind.CONFIGURATION
                }
                await until(
                    lambda journal=journal, numbers=numbers: (  # type: ignore[misc]
                        {m.body.get("number") for m in sub.heard if m.body["journal"] == journal}
                        >= numbers
                    ),
                    "every record at the subscriber",
                )
        assert journals(sub, "weirkeeper/osier_bend/") == {osier.reader.journal_id}
        assert journals(sub, "weirkeeper/willow_camp/") == {willow.reader.journal_id}
        assert {m.topic.split("/")[1] for m in sub.heard} == {"osier_bend", "willow_camp"}
        assert tails(sub, "osier_bend") == tails(sub, "willow_camp")
        came = clients(tmp_path / "b" / "mosquitto.log")
        assert {"weirkeeper-osier_bend", "weirkeeper-willow_camp"} <= set(came)
        named = {plant: stored_series(store.port, f'{{plant="{plant}"}}') for plant in USERS}
        ours, theirs = named["osier_bend"], named["willow_camp"]
        assert len(ours) + len(theirs) == len(stored_series(store.port))
        bare = [
            {tuple(sorted((k, v) for k, v in s.labels.items() if k != "plant")) for s in series}
            for series in (ours, theirs)
        ]
        assert bare[0] == bare[1]
        assert len(bare[0]) == len(ours) == len(theirs)
        for series, book in ((ours, osier), (theirs, willow)):
            stored = {n for s in series for _, n in s.figures if s.labels["__name__"] ==
                       "contact_number"}  # fmt: skip
            contacts = ("works.p1_run", "works.float_start")
            records = book.reader.records_between(1, book.journal.head, 1000)
            assert stored == {r.sequence for r in records if r.subject in contacts}


async def test_who_has_a_neighbours_name_by_mistake_is_held_and_disturbs_nobody(
    tmp_path: Path,
) -> None:
    """The plant file was copied with its name; the user is their own. The access list refuses the
    topics (MQTT 5.0, 3.4.2.1: 0x87), and the connection of the plant that has the name by right
    stays (3.1.4: the same client identifier would end it)."""
    broker = mosquitto(tmp_path / "b", guarded())
    with running(broker), ledger(tmp_path / "one") as right, ledger(tmp_path / "two") as wrong:
        true = right.mqtt(broker.port, user="osier_bend", password=secret("o"))
        mistaken = wrong.mqtt(broker.port, user="willow_camp", password=secret("w"))
        async with (
            listening(broker.port, "weirkeeper/#", *ENGINEER, greeting=ENGINEER) as sub,
            at_work(true),
        ):
            await state_is(true, "delivering")
            async with at_work(mistaken):
                wrong.write(busy_records(10), mistaken)
                await state_is(mistaken, "held")
                right.write(busy_records(10), true)
                await all_delivered(right, true)
                await until(lambda: len(set(sub.numbers())) == 10, "the records of the true one")
                assert mistaken.status().delivered == 0
            assert journals(sub, "weirkeeper/") == {right.reader.journal_id}
            presences = [m.body["state"] for m in sub.heard if "state" in m.body]
            assert presences == ["present"]
            assert wrong.reader.quarantined("mqtt", 1) == []


async def test_a_plant_on_trial_below_another_root_disturbs_nobody(tmp_path: Path) -> None:
    """One broker, one plant name, two roots: both deliver, each below its own root."""
    broker = mosquitto(tmp_path / "b")
    with running(broker), ledger(tmp_path / "one") as real, ledger(tmp_path / "two") as trial:
        one, two = real.mqtt(broker.port), trial.mqtt(broker.port, root="trial")
        async with listening(broker.port) as sub, at_work(one), at_work(two):
            await state_is(one, "delivering")
            await state_is(two, "delivering")
            for book, outlet in ((real, one), (trial, two)):
                book.write(busy_records(10), outlet)
                await all_delivered(book, outlet)
            await until(lambda: len(sub.numbers()) == 20, "all records")
            assert journals(sub, "weirkeeper/") == {real.reader.journal_id}
            assert journals(sub, "trial/") == {trial.reader.journal_id}
            assert [m.body["state"] for m in sub.heard if "state" in m.body] == ["present"] * 2


async def test_one_plants_backlog_keeps_no_other_plant_waiting(tmp_path: Path) -> None:
    """While one plant catches up with tens of thousands of records, on broker and store, each
    record of its neighbour arrives before the backlog is through."""
    broker, store = mosquitto(tmp_path / "b"), victoria_metrics(tmp_path / "s")
    with (
        running(broker),
        running(store),
        ledger(tmp_path / "one", "osier_bend") as long_away,
        ledger(tmp_path / "two", "willow_camp") as live,
    ):
        long_away.write(busy_records(BACKLOG))
        slow = (long_away.mqtt(broker.port), long_away.store(store.port))
        ours = (live.mqtt(broker.port), live.store(store.port))
        async with contextlib.AsyncExitStack() as stack:
            sub = await stack.enter_async_context(listening(broker.port))
            for outlet in (*ours, *slow):
                await stack.enter_async_context(at_work(outlet))
            for outlet in slow:
                await until(lambda o=outlet: o.status().delivered > 500, "the backlog to move")  # type: ignore[misc]
            for step in range(5):
                head = live.write(busy_records(4, NOON_US + step * 10**6))
                for outlet in ours:
                    outlet.notify(head)
                await until(lambda head=head: head in sub.numbers("/willow_camp/"), "a record")  # type: ignore[misc]
                await until(lambda: ours[1].status().behind == 0, "the store to have it")
                assert slow[0].status().behind > 0
                assert slow[1].status().behind > 0
            assert sub.numbers("/willow_camp/") == list(range(1, 21))
            rows = stored_series(store.port, 'event_number{plant="willow_camp"}')
            assert [n for series in rows for _, n in series.figures] == [4, 8, 12, 16, 20]
            for outlet in slow:
                assert long_away.delivered(outlet.name) < BACKLOG


class Narrow:
    """A way to a port that can be stopped up: connections stay, and nothing passes.

    Attributes:
        open: set while bytes pass.
    """

    def __init__(self, behind: int) -> None:
        self.port = free_port()
        self.open = asyncio.Event()
        self._behind = behind

    @contextlib.asynccontextmanager
    async def there(self) -> AsyncIterator[None]:
        """Carry connections, and cut them at the end."""
        tasks: set[asyncio.Task[None]] = set()

        async def carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            there, thither = await asyncio.open_connection("127.0.0.1", self._behind)
            for ways in ((reader, thither), (there, writer)):
                tasks.add(asyncio.create_task(self._pass(*ways)))

        server = await asyncio.start_server(carry, "127.0.0.1", self.port)
        try:
            yield
        finally:
            server.close()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _pass(self, one: asyncio.StreamReader, other: asyncio.StreamWriter) -> None:
        try:
            while True:
                await self.open.wait()
                data = await one.read(4096)
                if not data:
                    return
                await self.open.wait()
                other.write(data)
                await other.drain()
        except OSError:
            return
        finally:
            other.close()


async def test_a_broker_that_stops_taking_makes_the_cursor_stand_in_a_bounded_window(
    tmp_path: Path,
) -> None:
    """However much is journaled, no more than a window is out and two are read ahead; when it
    takes again, everything arrives, once, in order."""
    broker = mosquitto(tmp_path / "b")
    way = Narrow(broker.port)
    window = 20
    with running(broker), ledger(tmp_path / "journal") as book:
        outlet = book.mqtt(way.port, window=window)
        async with listening(broker.port) as sub, way.there():
            way.open.set()
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                book.write(busy_records(10), outlet)
                await all_delivered(book, outlet)
                way.open.clear()
                for step in range(1, 11):
                    book.write(busy_records(1000, NOON_US + step * 10**8), outlet)
                    await until(lambda: len(outlet._out) == window, "a full window")
                    assert outlet._delivery.unconfirmed <= 2 * window
                    assert sum(len(read) for read in outlet._read.values()) <= 2 * window
                    assert book.delivered("mqtt") == 10
                assert outlet.status().behind == 10_000
                way.open.set()
                await all_delivered(book, outlet)
                await until(lambda: len(sub.numbers()) >= 10_010, "all records")
        assert sub.numbers() == list(range(1, 10_011))
        assert outlet.status().retried == 0


async def test_a_store_that_does_not_answer_gets_one_batch_and_no_second(tmp_path: Path) -> None:
    """The cursor stands, one request is out; when it answers, every row is written once, in
    order."""
    answers = threading.Event()
    asked: list[int] = []

    def slowly(lines: list[str]) -> int:
        asked.append(len(lines))
        return 204 if answers.wait(20) else 503

    store = Refusing(rule=slowly)
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(50))
        outlet = book.store(port, batch=100)
        try:
            async with at_work(outlet):
                await until(lambda: asked == [50], "the first batch")
                for step in range(1, 6):
                    book.write(busy_records(1000, NOON_US + step * 10**8), outlet)
                    await asyncio.sleep(0.05)  # some turns of the outlet
                    assert asked == [50]
                    assert outlet._delivery.unconfirmed <= 100
                    assert book.delivered("store") == 0
                answers.set()
                await all_delivered(book, outlet)
        finally:
            answers.set()
        assert [number_in(line) for line in store.taken] == list(range(1, 5051))
        assert max(asked) == 100


def moved(records: Sequence[Record]) -> list[object]:
    """What the pump's contact was seen to be, in order."""
    return [r.value for r in records if r.subject == "meadow.pump_1_run" and r.value is not None]


async def test_the_whole_way_stands_still_but_polling_does_not(tmp_path: Path) -> None:
    """The daemon with a broker and a store that take nothing: every move of a contact is journaled,
    no panel counts as lost, the cursors stand. When they take again, each number that left the
    journal is in both, and none that did not."""
    broker, store = mosquitto(tmp_path / "b"), victoria_metrics(tmp_path / "s")
    ways = (Narrow(broker.port), Narrow(store.port))
    meadow = Meadow()
    folder = tmp_path / "collector"
    folder.mkdir()
    settings = (
        f"{SETTINGS}mqtt: {{host: 127.0.0.1, port: {ways[0].port}}}\n"
        f"store: {{url: 'http://127.0.0.1:{ways[1].port}', timeout_s: 60}}\n"
    )
    with running(broker), running(store):
        async with contextlib.AsyncExitStack() as stack:
            for way in ways:
                way.open.set()
                await stack.enter_async_context(way.there())
            sub = await stack.enter_async_context(listening(broker.port, "weirkeeper/#"))
            await stack.enter_async_context(meadow.served())
            collector = await stack.enter_async_context(daemon(folder, meadow.port, settings))
            await collector.start()
            await collector.said("outlet", outlet="mqtt", state="delivering")
            await collector.said("outlet", outlet="store", state="delivering")
            with JournalReader(collector.journal) as reader:
                await until(lambda: reader.cursor("mqtt").delivered == reader.head(), "the cursor")
                for way in ways:
                    way.open.clear()
                begun, stood = len(moved(collector.records())), reader.cursor("mqtt").delivered
                for number in range(12):
                    meadow.set("pump_1_run", made=number % 2 == 0)
                    await collector.until_records(
                        lambda found, number=number: len(moved(found)) == begun + number + 1,  # type: ignore[misc]
                        "the move in the journal",
                    )
                assert reader.cursor("mqtt").delivered == stood < reader.head()
                assert reader.cursor("store").delivered <= stood
            kinds = {r.kind for r in collector.records()}
            assert RecordKind.PANEL_LOST not in kinds
            for way in ways:
                way.open.set()
            wanted = {
                r.sequence for r in collector.records() if r.kind is not RecordKind.CONFIGURATION
            }
            await until(lambda: wanted <= set(sub.numbers()), "all at the subscriber")

            def stored() -> list[float]:
                found = stored_series(store.port, '{__name__=~".*_number"}')
                return [n for series in found for _, n in series.figures]

            await until(lambda: wanted <= set(stored()), "all in the store")
            assert await collector.stop() == ExitCode.DONE
            everything = {
                r.sequence for r in collector.records() if r.kind is not RecordKind.CONFIGURATION
            }
            assert set(sub.numbers()) <= everything
            assert set(stored()) <= everything
            by_number: dict[int, list[dict[str, object]]] = {}
            for message in sub.heard:
                if "number" in message.body:
                    by_number.setdefault(message.body["number"], []).append(message.body)
            assert all(body == bodies[0] for bodies in by_number.values() for body in bodies)
