"""Threads that take turns with the event loop, so that their order is that of the seed.

Each is a stack of its own (a greenlet) on the one thread there is. It runs until it waits, for a
condition or for the disk; the loop then goes on, and lets it go on when its time has come. So the
journal's writer, calls into foreign libraries and whatever the daemon gives to the pool stay the
real code, and nothing of them runs at once with anything else.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Self

import greenlet  # type: ignore[import-untyped]

from tests.simulation.whole.virtual_loop import VirtualLoop


class Killed(Exception):
    """The process was killed: what it waited for never comes."""


class Lockstep:
    """All threads of one process. Takes the place of the module ``threading``."""

    Event = threading.Event
    Lock = threading.Lock
    RLock = threading.RLock

    def __init__(self) -> None:
        self.loop: VirtualLoop | None = None
        self.dead = False
        self.alive: list[_Thread] = []
        self._hub = greenlet.getcurrent()

    # --- the names of the module ----------------------------------------------------------------

    def Thread(  # noqa: N802
        self, target: Callable[..., object], name: str = "", daemon: bool = True,
        args: tuple[Any, ...] = (),
    ) -> _Thread:  # fmt: skip
        """As ``threading.Thread``."""
        return _Thread(self, lambda: target(*args), name)

    def Condition(self) -> _Condition:  # noqa: N802
        """As ``threading.Condition``, of which only ``wait_for`` and ``notify_all`` are used."""
        return _Condition(self)

    def Timer(self, *_: object) -> _NoTimer:  # noqa: N802
        """A timer that never rings: what it limits takes no virtual time."""
        return _NoTimer()

    # --- for the played parts -------------------------------------------------------------------

    def sleep(self, seconds: float) -> None:
        """Let time pass in the thread that calls; nothing in the loop's own."""
        thread = self.current()
        if thread is None or seconds <= 0:
            return
        if self.dead or self.loop is None:
            raise Killed
        self.loop.call_later(seconds, thread.resume)
        self.hand_over()

    def current(self) -> _Thread | None:
        """The thread that calls, None for the loop's."""
        here = greenlet.getcurrent()
        return next((thread for thread in self.alive if thread.stack is here), None)

    def hand_over(self) -> None:
        """Let the loop go on until this thread is resumed."""
        self._hub.switch()
        if self.dead:
            raise Killed

    def kill(self) -> None:
        """End all threads where they stand."""
        self.dead = True
        while self.alive:
            thread = self.alive[-1]
            if thread.stack is not None and thread.stack:
                thread.stack.throw(Killed)
            if thread in self.alive:
                self.alive.remove(thread)

    def run_what_can(self) -> bool:
        """Let threads that wait for a condition look again; for a wait in the loop's thread."""
        ran = False
        for thread in list(self.alive):
            if thread.woken or not thread.begun:
                ran = True
                thread.woken = False
                thread.resume()
        return ran


class _Thread:
    """One thread."""

    def __init__(self, steps: Lockstep, work: Callable[[], object], name: str) -> None:
        self.name = name
        self.stack: Any = None
        self.begun = False
        self.woken = False
        self._steps = steps
        self._work = work
        self._ended: list[Callable[[], None]] = []

    def start(self) -> None:
        """As in ``threading``; it begins with the loop's next turn."""
        self._steps.alive.append(self)
        self.stack = greenlet.greenlet(self._run, self._steps._hub)
        if self._steps.loop is not None:
            self._steps.loop.call_soon(self._begin)

    def is_alive(self) -> bool:
        """As in ``threading``."""
        return self in self._steps.alive

    def join(self, timeout: float | None = None) -> None:
        """As in ``threading``."""
        condition = _Condition(self._steps)
        self._ended.append(condition.notify_all)
        condition.wait_for(lambda: not self.is_alive(), timeout)

    def resume(self) -> None:
        """Go on where it stopped."""
        if self.is_alive() and self.stack is not None:
            self.begun = True
            self.stack.switch()

    def wake(self) -> None:
        """Go on with the loop's next turn."""
        if not self.woken and self._steps.loop is not None and not self._steps.dead:
            self.woken = True
            self._steps.loop.call_soon(self._resume_if_woken)

    def _begin(self) -> None:
        if not self.begun:
            self.resume()

    def _resume_if_woken(self) -> None:
        if self.woken:
            self.woken = False
            self.resume()

    def _run(self) -> None:
        try:
            self._work()
        except Killed:
            pass
        finally:
            if self in self._steps.alive:
                self._steps.alive.remove(self)
            for told in self._ended:
                told()


class _Condition:
    """A condition of which nobody can be in the middle."""

    def __init__(self, steps: Lockstep) -> None:
        self._steps = steps
        self._waiting: list[_Thread] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def notify_all(self) -> None:
        """Wake all that wait."""
        waiting, self._waiting = self._waiting, []
        for thread in waiting:
            thread.wake()

    def wait_for(self, condition: Callable[[], bool], timeout: float | None = None) -> bool:
        """As in ``threading``; in the loop's own thread the others run meanwhile."""
        steps = self._steps
        thread = steps.current()
        if thread is None:
            while not condition() and not steps.dead and steps.run_what_can():
                pass
            return condition()
        if steps.dead or steps.loop is None:
            raise Killed
        ends = None if timeout is None else steps.loop.time() + timeout
        while not condition():
            left = None if ends is None else ends - steps.loop.time()
            if left is not None and left <= 0:
                return False
            alarm = None if left is None else steps.loop.call_later(left, thread.wake)
            self._waiting.append(thread)
            try:
                steps.hand_over()
            finally:
                if thread in self._waiting:
                    self._waiting.remove(thread)
                if alarm is not None:
                    alarm.cancel()
        return True


class _NoTimer:
    daemon = True

    def start(self) -> None:
        """Nothing."""

    def cancel(self) -> None:
        """Nothing."""

    def join(self) -> None:
        """Nothing."""
