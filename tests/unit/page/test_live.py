"""What those who look on are sent, and how little it costs however many they are.

The form of events: HTML Living Standard, section 9.2.5.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Mapping
from typing import Any, cast

import structlog

from collector.page.kept import Kept
from collector.page.live import Hub
from collector.page.plant_renderer import Rendered
from tests.unit.page.fast_clock import FastClock

PERIOD_US = 500_000
SOON_S = 5.0


class Plant:
    """Sections a test sets, made anew as often as somebody asks, and the hub that tells of them."""

    def __init__(self) -> None:
        self.sections = {"one": "1", "two": "2"}
        self.made = 0
        self.broken = False
        clock = FastClock()
        self.hub = Hub(Kept(self._make, clock, PERIOD_US), self._beat, clock)

    async def _make(self) -> Rendered | None:
        self.made += 1
        if self.broken:
            raise ZeroDivisionError
        return Rendered(cast("Any", None), dict(self.sections))

    @staticmethod
    def _beat(_: Rendered | None) -> Mapping[str, Any]:
        return {"utc": 1.5}

    def set(self, **sections: str) -> None:
        """Change sections, as a commit does."""
        self.sections |= sections
        self.hub.wake()

    async def __aenter__(self) -> Plant:
        self._running = asyncio.create_task(self.hub.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._running.cancel()
        await asyncio.gather(self._running, return_exceptions=True)


async def heard(messages: AsyncGenerator[bytes], name: str = "sections") -> dict[str, Any]:
    """The data of the next event of a name."""
    while True:
        message = (await asyncio.wait_for(anext(messages), SOON_S)).decode()
        if message.startswith(f"event: {name}\ndata: "):
            assert message.endswith("\n\n")
            assert message.count("\n") == 3
            found: dict[str, Any] = json.loads(message.split("data: ", 1)[1])
            return found


async def end_of(messages: AsyncGenerator[bytes]) -> None:
    """Listen until there is no more."""
    async for _ in messages:
        pass


class Listener:
    """One who is counted while he listens."""

    def __init__(self, plant: Plant) -> None:
        plant.hub.listeners += 1
        self.messages = plant.hub.messages()

    async def hears(self, name: str = "sections") -> dict[str, Any]:
        """The data of the next event of a name."""
        return await heard(self.messages, name)


async def test_a_listener_gets_everything_and_then_what_changes() -> None:
    """So it does not matter what happened between his page and his listening."""
    async with Plant() as plant:
        listener = Listener(plant)
        assert await listener.hears() == {"one": "1", "two": "2"}
        plant.set(two="3")
        assert await listener.hears() == {"two": "3"}
        plant.set(one="a\nb", two="3")
        assert await listener.hears() == {"one": "a\nb"}


async def test_beats_come_without_any_change() -> None:
    """Their absence is how a page knows that it is old."""
    async with Plant() as plant:
        listener = Listener(plant)
        assert [await listener.hears("beat") for _ in range(3)] == [{"utc": 1.5}] * 3


async def test_a_commit_that_changes_nothing_shown_is_not_told() -> None:
    """The next he hears of is a beat."""
    async with Plant() as plant:
        listener = Listener(plant)
        await listener.hears()
        made = plant.made
        plant.hub.wake()
        await listener.hears("beat")
        await listener.hears("beat")
        assert plant.made == made + 1


async def test_thousands_of_commits_and_many_listeners_cost_few_renderings() -> None:
    """At most one in each period of 0.5 s; nobody looks on, none at all."""
    async with Plant() as plant:
        for _ in range(50):
            plant.set(one="x")
            await asyncio.sleep(0)
        assert plant.made == 0
        listeners = [Listener(plant) for _ in range(20)]
        await asyncio.gather(*(each.hears() for each in listeners))
        began, clock = plant.made, FastClock()
        for number in range(300):
            plant.set(one=str(number))
            await asyncio.sleep(0.0002)
        periods = clock.now_us() / PERIOD_US
        assert 1 <= plant.made - began <= periods + 1


async def test_a_slow_listener_gets_the_newest_and_not_all_there_was() -> None:
    """Nothing waits for him but the difference to what he was sent last."""
    async with Plant() as plant:
        slow, quick = Listener(plant), Listener(plant)
        assert await slow.hears() == await quick.hears()
        for number in range(5):
            plant.set(one=f"x{number}")
            assert await quick.hears() == {"one": f"x{number}"}
        assert await slow.hears() == {"one": "x4"}


async def test_a_bug_while_rendering_leaves_beats_and_ends_with_itself() -> None:
    """It is logged; who looks on hears that the daemon lives, and news when there are some."""
    async with Plant() as plant:
        listener = Listener(plant)
        await listener.hears()
        with structlog.testing.capture_logs() as log:
            plant.broken = True
            plant.set(one="never shown")
            await listener.hears("beat")
            await listener.hears("beat")
            assert log[0]["event"] == "the page could not be brought up to date"
        plant.broken = False
        plant.set(one="shown")
        assert await listener.hears() == {"one": "shown"}


async def test_who_comes_while_it_is_broken_hears_beats() -> None:
    """And the sections once they can be made."""
    async with Plant() as plant:
        plant.broken = True
        with structlog.testing.capture_logs():
            listener = Listener(plant)
            await listener.hears("beat")
        plant.broken = False
        plant.hub.wake()
        assert await listener.hears() == {"one": "1", "two": "2"}


async def test_the_end_ends_every_stream() -> None:
    """So that the daemon is not kept by those who look on."""
    async with Plant() as plant:
        listeners = [Listener(plant) for _ in range(3)]
        for each in listeners:
            await each.hears()
        plant.hub.close()
        for each in listeners:
            await asyncio.wait_for(end_of(each.messages), SOON_S)
        assert plant.hub.full
