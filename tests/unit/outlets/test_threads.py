"""The thread for blocking calls: one for all of them, and nobody waits for it."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading

import pytest

from collector.outlets.threads import CallThread, in_daemon_thread
from tests.real_parts import until


async def test_all_calls_are_made_in_one_thread_until_it_is_let_go() -> None:
    """The loop's own thread makes none of them."""
    thread = CallThread()
    made = [await thread.start(threading.current_thread) for _ in range(20)]
    assert len(set(made)) == 1
    assert made[0] is not threading.current_thread()
    thread.end()
    await until(lambda: not made[0].is_alive(), "the thread to end")


async def test_what_a_call_raises_the_waiting_side_gets_and_the_thread_goes_on() -> None:
    """Whatever it is."""
    thread = CallThread()
    with pytest.raises(ZeroDivisionError):
        await thread.start(lambda: 1 // 0)
    assert await thread.start(lambda: 7) == 7
    thread.end()
    assert await in_daemon_thread(lambda: 8) == 8


async def test_a_call_nobody_waits_for_ends_by_itself_and_so_does_its_thread() -> None:
    """Let go while it hangs, it goes when the call returns."""
    thread, release = CallThread(), threading.Event()
    hanging = thread.start(lambda: (release.wait(30), threading.current_thread())[1])
    hanging.cancel()
    thread.end()
    before = {each for each in threading.enumerate() if each.name == "outlet call"}
    assert before
    release.set()
    await until(lambda: not any(each.is_alive() for each in before), "the thread to end")
    with pytest.raises(asyncio.CancelledError):
        await hanging


PROGRAM = """
import asyncio, threading
from collector.outlets.threads import CallThread
begun = threading.Event()
async def main():
    CallThread().start(lambda: (begun.set(), threading.Event().wait()))
    await asyncio.to_thread(begun.wait)
asyncio.run(main())
"""


def test_a_process_ends_while_a_call_hangs() -> None:
    """A store that never answers does not hold it up."""
    subprocess.run([sys.executable, "-c", PROGRAM], check=True, timeout=20)
