"""The waits of a serial line: never too short, and no trace of those given up."""

from __future__ import annotations

import asyncio
import ctypes
import os

import pytest

from collector.links.line_timer import LineTimer


@pytest.mark.parametrize("seconds", [1e-9, 0.0004, 0.00175, 0.0123])
async def test_a_wait_is_never_too_short(seconds: float) -> None:
    """The silence between frames is a least time (Modbus over Serial Line V1.02, 2.5.1.1)."""
    loop = asyncio.get_running_loop()
    timer = LineTimer(loop)
    for _ in range(5):
        began_s = loop.time()
        await timer.wait(seconds)
        assert loop.time() - began_s >= seconds
    timer.close()


async def test_a_wait_given_up_does_not_end_the_next_one() -> None:
    """Neither when its time comes during the next wait, nor when it has come before."""
    loop = asyncio.get_running_loop()
    timer = LineTimer(loop)
    for pause_s in (0.0, 0.004):
        given_up = asyncio.create_task(timer.wait(0.002))
        await asyncio.sleep(0)
        given_up.cancel()
        await asyncio.sleep(pause_s)
        began_s = loop.time()
        await timer.wait(0.02)
        assert loop.time() - began_s >= 0.02
    timer.close()


async def test_a_closed_timer_leaves_no_file_open() -> None:
    """A line that comes and goes for years must not use up the process's files."""
    before = set(os.listdir("/proc/self/fd"))
    for _ in range(3):
        timer = LineTimer(asyncio.get_running_loop())
        await timer.wait(0.001)
        assert len(os.listdir("/proc/self/fd")) > len(before)
        timer.close()
        timer.close()
    assert set(os.listdir("/proc/self/fd")) == before


async def test_a_system_without_such_timers_waits_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    """Then the loop's own waits do; they are longer, never shorter."""
    monkeypatch.setattr(ctypes, "CDLL", lambda _name: object())
    loop = asyncio.get_running_loop()
    timer = LineTimer(loop)
    began_s = loop.time()
    await timer.wait(0.002)
    assert loop.time() - began_s >= 0.002
    timer.close()
