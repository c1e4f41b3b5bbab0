"""Notices on a real journal and a real mail server, with the mail server and ourselves failing.

Time is the machine's own with jumps ahead, so that days pass in seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.core.alarms import states
from collector.core.alarms.states import State
from collector.core.alarms.wire import alarm_text
from collector.core.catalogue import Catalogue
from collector.core.notices.courier import Outcome
from collector.core.notices.notice import notice_of
from collector.core.notices.wording import Text
from collector.core.records import AlarmMoved, Record, RecordKind
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.notices.outlet import NoticesOutlet, Send
from collector.notices.settings import NoticesSettings
from tests.faults.daemon_parts import SETTINGS, Meadow, daemon
from tests.mail_server import MailServer, mail_server
from tests.outlet_samples import NOON_US, sample_plant
from tests.real_parts import until
from tests.unit.core.alarms.one_alarm import rule

HOUR_US = 3_600_000_000
HIGH = "sump.high"


class JumpingClock:
    """The machine's clock, which a test moves ahead."""

    def __init__(self) -> None:
        self._real = SystemClock(NOON_US)
        self.ahead_us = 0

    def now_us(self) -> int:
        """Plant time."""
        return self._real.now_us() + self.ahead_us

    def wall_us(self) -> int:
        """The same."""
        return self.now_us()

    async def sleep_until(self, at_us: int) -> None:
        """Wait for the instant, however it comes."""
        while self.now_us() < at_us:  # noqa: ASYNC110 — the test jumps, nothing tells
            await asyncio.sleep(0.01)


class Book:
    """A journal, and what a test writes into it."""

    def __init__(self, path: Path) -> None:
        self.clock = JumpingClock()
        self.journal = Journal.open(path, wall_us=self.clock.wall_us, commit_period_s=0.0)
        self.reader = JournalReader(path)
        self.offset_us = 0
        self.outlet: NoticesOutlet | None = None
        self._loop = asyncio.get_running_loop()
        self.journal.on_commit = self._on_commit

    def _on_commit(self, head: int, records: object) -> None:
        del records
        self._loop.call_soon_threadsafe(self._tell, head)

    def _tell(self, head: int) -> None:
        if self.outlet is not None:
            self.outlet.notify(head)

    def write(self, kind: RecordKind, subject: str, value: str | int) -> None:
        """Commit a record of now."""
        now_us = self.clock.now_us()
        assert self.journal.submit(
            [Record(kind, subject, now_us, now_us + self.offset_us, now_us, value)]
        )
        assert self.journal.flush(10)

    def alarm(self, happening: str, state: State, subject: str = HIGH, number: int = 1) -> None:
        """An alarm moves."""
        details = {"priority": "high", "title": "Sump: high water"}
        moved = AlarmMoved(subject, state.value, happening, 0, 0, number, details=details)
        self.write(RecordKind.ALARM, subject, alarm_text(moved))

    def steps(self) -> list[str]:
        """The life of all notices so far."""
        found = self.reader.records_after(0, 100_000, (RecordKind.NOTICE,))
        return [notice_of(record)[1] for record in found]

    @contextlib.asynccontextmanager
    async def at_work(
        self, settings: NoticesSettings, send: Send | None = None
    ) -> AsyncIterator[NoticesOutlet]:
        """The outlet at work; it is cancelled afterwards, as in a crash."""
        plant = sample_plant()
        rules = [rule(HIGH, fact="sump.high")]
        outlet = self.outlet = NoticesOutlet(
            settings, plant, Catalogue(plant), rules, self.journal.submit, self.reader,
            self.clock, send,
        )  # fmt: skip
        task = asyncio.create_task(outlet.run())
        try:
            yield outlet
        finally:
            self.outlet = None
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def settle(self) -> None:
        """Let the outlet do what is due now."""
        self._tell(self.journal.head)
        before = -1
        while self.journal.head != before:
            before = self.journal.head
            await asyncio.sleep(0.05)


@pytest.fixture
async def book(tmp_path: Path) -> AsyncIterator[Book]:
    """An open journal."""
    opened = Book(tmp_path / "notices.journal")
    yield opened
    opened.reader.close()
    opened.journal.close()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[MailServer]:
    """A mail server that listens."""
    with mail_server(tmp_path) as made:
        yield made


async def test_an_alarm_becomes_a_mail_and_each_step_is_on_record(
    book: Book, server: MailServer
) -> None:
    """Wanted, attempted, sent, in this order; and its end a second mail."""
    async with book.at_work(server.settings()):
        book.alarm(states.RAISED, State.UNACKNOWLEDGED)
        await until(lambda: len(server.mailbox.received) == 1, "the mail")
        await until(lambda: len(book.steps()) == 3, "the result on record")
        book.alarm(states.CLEARED, State.RETURNED)
        await until(lambda: len(server.mailbox.received) == 2, "the second mail")
        await until(lambda: len(book.steps()) == 6, "its result")
    assert book.steps() == ["wanted", "attempted", "sent"] * 2
    first, second = (str(mail["Subject"]) for mail in server.mailbox.received)
    assert first.startswith("Osier Bend: HIGH Sump: high water since ")
    assert second.startswith("Osier Bend: ENDED at ")


async def test_mail_server_away_for_two_days(book: Book, server: MailServer) -> None:
    """Twenty-four alarms come and go meanwhile and one stands: one mail tells all of it, once.

    A restart in the middle of it changes nothing.
    """
    server.stop()
    settings = server.settings(repeats=0)
    for day in range(2):
        async with book.at_work(settings) as outlet:
            for number in range(12):
                subject = f"sump.a{day}_{number}"
                book.alarm(states.RAISED, State.UNACKNOWLEDGED, subject)
                await book.settle()
                book.clock.ahead_us += HOUR_US
                book.alarm(states.CLEARED, State.RETURNED, subject)
                await book.settle()
                book.clock.ahead_us += HOUR_US
            assert outlet.status().state == "unreachable"
    assert "sent" not in book.steps()
    book.alarm(states.RAISED, State.UNACKNOWLEDGED)
    server.start()
    book.clock.ahead_us += HOUR_US
    async with book.at_work(settings):
        await until(lambda: len(server.mailbox.received) == 1, "the mail")
        for _ in range(4):
            book.clock.ahead_us += HOUR_US
            await book.settle()
    (mail,) = server.mailbox.received
    text = mail.get_content()
    assert str(mail["Subject"]).startswith("Osier Bend: HIGH Sump: high water since ")
    assert "Came and went before anybody was told:" in text
    assert "and 4 more" in text  # twenty are listed
    assert mail["Message-ID"] is not None


async def test_dying_in_the_middle_of_an_attempt(book: Book, server: MailServer) -> None:
    """The next process makes it again: the same Message-ID, marked as a possible repeat."""
    identities: list[str] = []

    def hang(way: str, identity: str, text: Text, utc_us: int) -> Outcome:
        identities.append(identity)
        threading.Event().wait(2.0)
        return Outcome(False, "too late")

    async with book.at_work(server.settings(), hang):
        book.alarm(states.RAISED, State.UNACKNOWLEDGED)
        await until(lambda: bool(identities), "the attempt")
    assert book.steps() == ["wanted", "attempted"]
    async with book.at_work(server.settings()):
        await until(lambda: book.steps()[-1] == "sent", "the mail")
    (mail,) = server.mailbox.received
    assert mail["Message-ID"] == f"<{identities[0]}@osierbend.example>"
    assert "This may be a repeat" in mail.get_content()


async def test_a_bug_of_a_way_ends_the_outlet(book: Book, server: MailServer) -> None:
    """It is not swallowed: whoever runs the outlet hears of it."""

    def broken(way: str, identity: str, text: Text, utc_us: int) -> Outcome:
        raise ZeroDivisionError(way)

    plant = sample_plant()
    outlet = book.outlet = NoticesOutlet(
        server.settings(), plant, Catalogue(plant), [], book.journal.submit, book.reader,
        book.clock, broken,
    )  # fmt: skip
    running = asyncio.create_task(outlet.run())
    book.alarm(states.RAISED, State.UNACKNOWLEDGED)
    with pytest.raises(ZeroDivisionError, match="warden_mail"):
        await running
    book.outlet = None


async def test_clock_stepped_over_the_digest(book: Book, server: MailServer) -> None:
    """At noon the clock is put a day ahead and back again, with a restart at each: three days that
    were seen, three digests."""
    people = {"warden": {"ways": ["warden_mail"], "digest": True}}
    settings = server.settings(people=people)
    for step_us in (0, 24 * HOUR_US, 0, 0):
        book.offset_us = step_us
        book.write(RecordKind.CLOCK, "clock", step_us)
        async with book.at_work(settings):
            await book.settle()
            await asyncio.sleep(0.1)
            await book.settle()
    book.clock.ahead_us += 48 * HOUR_US
    async with book.at_work(settings):
        await until(lambda: len(server.mailbox.received) == 3, "the third digest")
        await book.settle()
    days = [str(mail["Subject"]).split("digest of ")[1][:10] for mail in server.mailbox.received]
    assert days == ["2026-03-01", "2026-03-02", "2026-03-03"]


async def test_a_journal_without_room_holds_notices_back(book: Book, server: MailServer) -> None:
    """What cannot be put on record is not sent; when there is room it is."""
    room = False
    submit = book.journal.submit

    def refuse(records: list[Record]) -> bool:
        return submit(records) if room else False

    book.journal.submit = refuse  # type: ignore[method-assign, assignment]
    now_us = book.clock.now_us()
    details = {"priority": "high", "title": "Sump: high water"}
    moved = AlarmMoved(HIGH, State.UNACKNOWLEDGED.value, states.RAISED, 0, 0, 1, details=details)
    async with book.at_work(server.settings()):
        submit([Record(RecordKind.ALARM, HIGH, now_us, now_us, now_us, alarm_text(moved))])
        await book.settle()
        await asyncio.sleep(0.3)
        assert server.mailbox.received == []
        room = True
        book.clock.ahead_us += HOUR_US // 60
        await until(lambda: len(server.mailbox.received) == 1, "the mail")


RULES = """
alarms:
  runs:
    for: {one: pump_1}
    title: runs where it must not
    when: "this.state == 'running'"
    priority: high
    causes: [somebody is testing]
    consequence: nothing, this is a test
    response: Stop it.
    respond_within: 1 h
    caution: ["isolate, lock out, verify"]
"""


async def test_from_the_panel_to_the_mailbox(tmp_path: Path, server: MailServer) -> None:
    """A simulated contact, the daemon as a process, a real mail server: the whole way."""
    meadow = Meadow()
    folder = tmp_path / "collector"
    folder.mkdir()
    (folder / "rules.yaml").write_text(RULES, encoding="utf-8")
    values = server.values()
    notices = "".join(f"  {key}: {value}\n" for key, value in values.items())
    settings = f"{SETTINGS}rules: {{paths: [rules.yaml]}}\nnotices:\n{notices}"
    async with meadow.served(), daemon(folder, meadow.port, settings) as collector:
        await collector.start()
        await asyncio.sleep(0.5)
        meadow.set("pump_1_run", made=True)
        await until(lambda: len(server.mailbox.received) == 1, f"the mail; {collector.raw_log}")
        await collector.until_records(
            lambda found: [notice_of(r)[1] for r in found] == ["wanted", "attempted", "sent"],
            "the result on record", RecordKind.NOTICE,
        )  # fmt: skip
        assert await collector.stop() == ExitCode.DONE
        assert values["mail_password"] not in collector.raw_log
    (mail,) = server.mailbox.received
    subject = str(mail["Subject"]).strip()  # a folded line begins with its blank
    assert subject.startswith("Lower Meadow lift sump: HIGH Pump 1: runs where it must not since ")
    text = mail.get_content()
    assert "weirkeeper alarms acknowledge pump_1.runs --by NAME" in text
    assert "29 CFR 1910.147" in text  # the caution in full
    assert "Every panel answers." in text
