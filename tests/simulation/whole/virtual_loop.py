"""Time that passes only when nobody has anything to do, and an event loop that lives in it.

The agenda holds what the world does by itself (a reply arrives, a link dies); the loop holds what
the daemon waits for. When the daemon waits, time jumps to whatever comes first of the two.
"""

from __future__ import annotations

import asyncio
import heapq
from asyncio import base_events
from collections.abc import Callable
from typing import Any

SECOND_NS = 1_000_000_000
MOST_TURNS_AT_ONCE = 20_000
"""Turns of the loop without any time passing: more is a daemon that spins."""


class Stuck(AssertionError):
    """The daemon waits for nothing at all, or spins without time passing."""


class Agenda:
    """The true time of the world, and what it does by itself.

    Attributes:
        now_ns: true time since the world began.
        ghost_ns: time lent to a dead process that is being cleared away; the world stands still.
    """

    def __init__(self) -> None:
        self.now_ns = 0
        self.ghost_ns = 0
        self._events: list[tuple[int, int, Callable[[], object]]] = []
        self._count = 0

    @property
    def seen_ns(self) -> int:
        """Time as a process sees it."""
        return self.now_ns + self.ghost_ns

    def at(self, at_ns: int, act: Callable[[], object]) -> None:
        """Have something happen at an instant; of one instant in the order of asking."""
        self._count += 1
        heapq.heappush(self._events, (max(at_ns, self.now_ns), self._count, act))

    def after(self, seconds: float, act: Callable[[], object]) -> None:
        """Have something happen after a while."""
        self.at(self.now_ns + round(seconds * SECOND_NS), act)

    def step_until(self, limit_ns: int | None) -> None:
        """Go on to the next event, or to ``limit_ns`` if that comes first.

        Raises:
            Stuck: there is neither.
        """
        if self._events and (limit_ns is None or self._events[0][0] <= limit_ns):
            self.now_ns = max(self.now_ns, self._events[0][0])
            while self._events and self._events[0][0] <= self.now_ns:
                heapq.heappop(self._events)[2]()
        elif limit_ns is None:
            raise Stuck("everything waits, and nothing will ever happen")
        else:
            self.now_ns = max(self.now_ns, limit_ns)

    def pass_to(self, at_ns: int) -> None:
        """Let time pass with no process running."""
        while self.now_ns < at_ns:
            self.step_until(at_ns)


class _Selector:
    """What an event loop asks whether anything came in: here, time passes instead."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop

    def select(self, timeout: float | None) -> list[Any]:
        self._loop.wait(timeout)
        return []

    def close(self) -> None:
        """Nothing to close."""


class VirtualLoop(base_events.BaseEventLoop):
    """An event loop of the standard library's making that waits on an agenda.

    Args:
        agenda: time and the world.
        connect: makes connections.
    """

    def __init__(self, agenda: Agenda, connect: Callable[..., Any]) -> None:
        super().__init__()
        self.agenda = agenda
        self.turns = 0
        self.kill_at_turn: int | None = None
        self.on_kill: Callable[[], None] | None = None
        self.ghost = False
        self.start_thread: Callable[[Callable[[], None]], None] | None = None
        self._connect = connect
        self._turns_here = 0
        self._selector = _Selector(self)
        self._clock_resolution = 2e-9

    def time(self) -> float:
        return self.agenda.seen_ns / SECOND_NS

    def wait(self, timeout: float | None) -> None:
        """Called by each turn of the loop for as long as it has nothing to do."""
        self.turns += 1
        if timeout is not None and timeout <= 0:
            self._turns_here += 1
            if self._turns_here > MOST_TURNS_AT_ONCE:
                raise Stuck("the daemon spins without time passing")
        else:
            self._turns_here = 0
        if self.kill_at_turn is not None and self.turns >= self.kill_at_turn and self.on_kill:
            self.kill_at_turn = None
            self.on_kill()
            return
        if timeout is not None and timeout <= 0:
            return
        if self.ghost:
            if timeout is None:
                raise Stuck("a dead process waits for ever")
            self.agenda.ghost_ns += round(timeout * SECOND_NS) + 1
            return
        limit_ns = None
        if timeout is not None:
            limit_ns = self.agenda.now_ns + round(timeout * SECOND_NS) + 1
        self.agenda.step_until(limit_ns)

    async def create_connection(  # type: ignore[override]
        self, protocol_factory: Callable[[], Any], host: str = "", port: int = 0, **_: object
    ) -> tuple[Any, Any]:
        return await self._connect(self, protocol_factory, host, port)  # type: ignore[no-any-return]

    def run_in_executor(  # type: ignore[override]
        self, executor: Any, func: Any, *args: Any
    ) -> Any:
        """What the daemon gives to the pool runs in a thread of the lockstep."""
        outcome = self.create_future()

        def work() -> None:
            try:
                value = func(*args)
            except Exception as error:
                if not outcome.done():
                    outcome.set_exception(error)
            else:
                if not outcome.done():
                    outcome.set_result(value)

        assert self.start_thread is not None
        self.start_thread(work)
        return outcome

    def _process_events(self, event_list: list[Any]) -> None:
        """There are none; the world calls the loop itself."""

    def _write_to_self(self) -> None:
        """Nothing sleeps that would have to be woken."""

    def call_soon_threadsafe(  # type: ignore[override]
        self, callback: Any, *args: Any, context: Any = None
    ) -> Any:
        return self.call_soon(callback, *args, context=context)


def quiet(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Of a process that was killed nothing is told."""
