"""The page as a part of the daemon: over real sockets and a real journal, with a daemon that stands
still, so that a test can break what is behind the page."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
import structlog

from collector.clock import SystemClock
from collector.core.records import Record, RecordKind
from collector.journal.items import Alive
from collector.journal.writer import Journal
from collector.page import part
from collector.page.plant_renderer import PlantRenderer
from collector.page.rendering import PlantPages
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from collector.settings_sections import PageSettings
from tests.page_client import Browser
from tests.real_parts import free_port

ONE_SUMP = Path("config/one-sump/plant.yaml")
PANEL = "meadow"
PERIOD_S = 0.5


class StillDaemon:
    """A daemon that polls nothing and has committed as many records as a test has it commit."""

    def __init__(self, folder: Path) -> None:
        self.plant_file = read_plant_file(ONE_SUMP)
        self.rules = read_rule_files(None, self.plant_file.plant)
        self.clock = SystemClock()
        self.journal = Journal.open(
            folder / "still.journal", wall_us=self.clock.wall_us, commit_period_s=0.0
        )
        self.buses = (SimpleNamespace(due_us=self.clock.now_us(), counters={}),)
        self.outlets: tuple[Any, ...] = ()
        self.paused = False
        self.commit()

    def commit(self) -> None:
        """A record more, on the disk."""
        now_us = self.clock.now_us()
        record = Record(RecordKind.COLLECTOR, "collector.started", now_us, now_us, now_us, "0")
        self.journal.submit([record], alive=Alive(now_us, now_us, "boot", {PANEL: now_us}))
        assert self.journal.flush(10.0)

    def known_until_us(self) -> dict[str, int]:
        """Its panel has answered just now."""
        return {PANEL: self.clock.now_us()}

    def utc_us(self, at_us: int) -> int:
        """Plant time is UTC here."""
        return at_us


@pytest.fixture
def still(tmp_path: Path) -> Iterator[StillDaemon]:
    """A daemon that stands still."""
    made = StillDaemon(tmp_path)
    yield made
    made.journal.close()


@contextlib.asynccontextmanager
async def served(
    still: StillDaemon, *, wait: bool = True, **settings: Any
) -> AsyncIterator[tuple[part.PagePart, Browser]]:
    """Its page, once it listens or at once, and one who looks at it."""
    port = free_port()
    page = part.PagePart(PageSettings(port=port, **settings))
    page.start(cast("Any", still))
    browser = Browser(port)
    try:
        while wait:
            with contextlib.suppress(ConnectionRefusedError):
                async with browser.connection():
                    break
            await asyncio.sleep(0.005)
        yield page, browser
    finally:
        await page.stop()


async def test_a_bug_in_the_page_is_answered_and_the_next_page_is_made(
    still: StillDaemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """500 with one sentence, the traceback in the log; health and metrics are not touched."""
    whole = PlantPages.whole

    def bug(*_: object) -> str:
        raise ZeroDivisionError

    async with served(still) as (_, browser):
        assert (await browser.ask("/")).status == 200
        monkeypatch.setattr(PlantPages, "whole", bug)
        await asyncio.sleep(PERIOD_S)
        with structlog.testing.capture_logs() as log:
            reply = await browser.ask("/")
        assert (reply.status, reply.text.count("\n")) == (500, 1)
        assert [line["event"] for line in log] == ["a page could not be made"]
        assert (await browser.ask("/healthz")).status == 200
        assert (await browser.ask("/metrics")).status == 200
        monkeypatch.setattr(PlantPages, "whole", whole)
        await asyncio.sleep(PERIOD_S)
        assert (await browser.ask("/")).status == 200


async def test_who_looks_on_outlives_a_bug_in_the_sections(
    still: StillDaemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """He hears beats, and the sections when they can be made again."""
    texts = iter(["first", "", "second"])

    def sections(*_: object) -> dict[str, str]:
        text = next(texts)
        if not text:
            raise ZeroDivisionError
        return {"verdict": text}

    monkeypatch.setattr(PlantPages, "sections", sections)
    async with served(still) as (page, browser), browser.looking_on() as events:
        assert await anext(events) == ("sections", {"verdict": "first"})
        with structlog.testing.capture_logs() as log:
            page.committed([], still.clock.now_us())
            for _ in range(100):
                if log:
                    break
                await asyncio.sleep(0.02)
        assert log[0]["event"] == "the page could not be brought up to date"
        page.committed([], still.clock.now_us())
        heard = [await anext(events)]
        while heard[-1][0] == "beat":
            heard.append(await anext(events))
        assert heard[-1] == ("sections", {"verdict": "second"})


async def test_a_page_that_cannot_be_begun_is_begun_again(
    still: StillDaemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bug at its start is logged and reaches nobody; the next attempt serves it."""
    monkeypatch.setattr(part, "AGAIN_US", 100_000)
    begin = PlantRenderer.__init__
    attempts = 0

    def bug_at_first(self: PlantRenderer, *arguments: Any) -> None:
        nonlocal attempts
        attempts += 1
        if attempts == 1:
            raise ZeroDivisionError
        begin(self, *arguments)

    monkeypatch.setattr(PlantRenderer, "__init__", bug_at_first)
    with structlog.testing.capture_logs() as log:
        async with served(still) as (_, browser):
            assert (await browser.ask("/")).status == 200
    assert [line["event"] for line in log] == [
        "the page has failed; it begins again",
        "page is served",
    ]


async def test_a_file_that_cannot_be_used_is_told_once_and_looked_for_again(
    still: StillDaemon, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until it can; a page without its password is not served at all."""
    monkeypatch.setattr(part, "AGAIN_US", 50_000)
    missing = tmp_path / "page.password"
    with structlog.testing.capture_logs() as log:
        async with served(still, wait=False, password_file=missing) as (_, browser):
            await asyncio.sleep(0.3)
            with pytest.raises(OSError, match="Connect call failed"):
                await browser.ask("/")
    assert [line["because"] for line in log] == [
        f"cannot read the password file {missing}: No such file or directory"
    ]


async def test_a_daemon_that_no_longer_polls_is_not_well(still: StillDaemon) -> None:
    """A minute without the attempt that was due, or a journal that takes nothing: 503."""
    async with served(still) as (_, browser):
        assert (await browser.ask("/healthz")).status == 200
        still.buses[0].due_us -= 61_000_000
        reply = await browser.ask("/healthz")
        assert reply.status == 503
        assert '"polling":{"well":false' in reply.text
        still.buses[0].due_us += 61_000_000
        still.paused = True
        reply = await browser.ask("/healthz")
        assert reply.status == 503
        assert '"journal":{"well":false' in reply.text


async def test_while_the_journal_takes_nothing_the_page_does_not_claim_to_be_new(
    still: StillDaemon,
) -> None:
    """What is seen then is not on record and not shown; ``as_of`` says of when it is."""
    async with served(still) as (_, browser):
        still.paused = True
        await asyncio.sleep(1.1)
        async with browser.looking_on() as events:
            name, told = await anext(events)
            while name != "beat":
                name, told = await anext(events)
        assert told["as_of"] < int(told["utc"])
