"""The process that draws, as real processes that do well, and that do everything wrong."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import structlog

from collector.page.closer_process import MOST_WAITING, CloserProcess
from tests.real_parts import until
from tests.unit.page.fast_clock import FastClock

ODD = "tests.unit.page.odd_work"


@contextlib.asynccontextmanager
async def drawing(within_s: float = 10.0) -> AsyncIterator[CloserProcess]:
    """The daemon's side, ended afterwards with whatever it has started."""
    made = CloserProcess(Path("none.journal"), FastClock(), ODD, within_s)
    running = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def is_there(process: int) -> bool:
    """Whether a process runs."""
    return Path(f"/proc/{process}").exists()


async def test_one_process_answers_one_after_another() -> None:
    """It is begun when first asked, and kept while it is in use."""
    async with drawing() as closer:
        answers = await asyncio.gather(*(closer.ask({"do": "well"}) for _ in range(MOST_WAITING)))
        assert [answer.status for answer in answers] == [200] * MOST_WAITING
        assert len({answer.text for answer in answers}) == 1
        assert int(answers[0].text) != os.getpid()
        process = int(answers[0].text)
        assert is_there(process)
    assert not is_there(process)


async def test_it_ends_when_nobody_has_asked_for_a_while_and_begins_again() -> None:
    """A minute; a page that nobody looks at costs no memory."""
    async with drawing() as closer:
        first = int((await closer.ask({"do": "well"})).text)
        await until(lambda: not is_there(first), "the idle process to end")
        assert int((await closer.ask({"do": "well"})).text) != first


@pytest.mark.parametrize(
    ("do", "status", "event"),
    [
        ("end", 500, "the process that draws charts has ended"),
        ("sleep", 503, "a chart took too long"),
        ("nonsense", 500, "the process that draws charts cannot be used"),
        ("bug", 500, "a chart could not be drawn"),
    ],
)
async def test_what_goes_wrong_is_told_and_the_next_is_served(
    do: str, status: int, event: str
) -> None:
    """One sentence for the asker, the rest for the log; a late answer is nobody else's."""
    async with drawing(within_s=1.5) as closer:
        await closer.ask({"do": "well"})
        with structlog.testing.capture_logs() as log:
            answer = await closer.ask({"do": do})
        assert (answer.status, answer.kind) == (status, "text/plain")
        assert "Traceback" not in answer.text
        assert [line["event"] for line in log] == [event]
        assert (await closer.ask({"do": "well"})).status == 200


async def test_a_large_picture_comes_whole() -> None:
    """Eight megabytes in one line."""
    async with drawing() as closer:
        assert len((await closer.ask({"do": "long"})).text) == 8 << 20


async def test_more_than_may_wait_are_told_to_come_again() -> None:
    """The line is short, so that a wait is."""
    async with drawing() as closer:
        asked = (closer.ask({"do": "well", "for_s": 0.05}) for _ in range(MOST_WAITING + 3))
        statuses = [answer.status for answer in await asyncio.gather(*asked)]
        assert sorted(statuses) == [200] * MOST_WAITING + [503] * 3


async def test_who_leaves_before_his_answer_takes_nobody_else_s() -> None:
    """A browser that goes away cancels; what was being drawn for it is thrown away."""
    async with drawing() as closer:
        first = (await closer.ask({"do": "well"})).text
        leaving = asyncio.create_task(closer.ask({"do": "well", "for_s": 0.2}))
        await asyncio.sleep(0.05)
        leaving.cancel()
        await asyncio.gather(leaving, return_exceptions=True)
        answer = await closer.ask({"do": "well"})
        assert answer.status == 200
        assert answer.text != first
