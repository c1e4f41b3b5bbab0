"""Makes the pages and charts that look closer, in a process of their own.

A chart takes seconds of a processor; polling must not feel that. So one process of low priority
makes them one after another. It begins when somebody asks, ends when nobody has asked for a while,
and is ended when a chart takes too long; it dies with the daemon, as its input ends.

The two talk in lines of JSON over its standard input and output.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from collector.clock import MICROSECONDS, Clock

MODULE = "collector.page.closer_work"
ANSWER_WITHIN_S = 45.0
IDLE_US = 60 * MICROSECONDS
MOST_WAITING = 16
LONGEST_ANSWER_BYTES = 32 << 20

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a request.

    Args:
        status: of HTTP.
        kind: media type.
        text: the page or picture.
    """

    status: int
    kind: str
    text: str


def _plain(status: int, sentence: str) -> Answer:
    return Answer(status, "text/plain", sentence + "\n")


class CloserProcess:
    """The process that draws.

    Args:
        journal: path of the journal it reads.
        clock: plant time.
        module: what the process runs.
        within_s: how long an answer may take.
    """

    def __init__(
        self,
        journal: Path,
        clock: Clock,
        module: str = MODULE,
        within_s: float = ANSWER_WITHIN_S,
    ) -> None:
        self._journal = journal
        self._clock = clock
        self._module = module
        self._within_s = within_s
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._process: asyncio.subprocess.Process | None = None
        self._asked_us = clock.now_us()

    async def ask(self, request: Mapping[str, Any]) -> Answer:
        """Have something made; whatever goes wrong comes back as an answer that says so."""
        if self._waiting >= MOST_WAITING:
            return _plain(503, "Many charts are being drawn; try again in some seconds.")
        self._waiting += 1
        try:
            async with self._turn:
                return await self._ask(request)
        finally:
            self._waiting -= 1

    async def run(self) -> None:
        """End the process when nobody has asked for a while; for ever."""
        try:
            while True:
                await self._clock.sleep_until(self._clock.now_us() + IDLE_US // 4)
                idle_us = 0 if self._waiting else self._clock.now_us() - self._asked_us
                if idle_us > IDLE_US:
                    await self._end()
        finally:
            await self._end()

    async def _ask(self, request: Mapping[str, Any]) -> Answer:
        line = json.dumps(request).encode() + b"\n"
        done = False
        try:
            process = self._process or await self._begin()
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(line)
            reply = await asyncio.wait_for(process.stdout.readline(), self._within_s)
            if not reply:
                log.error("the process that draws charts has ended", about=request)
                return _plain(500, "This could not be drawn; the collector's log says more.")
            found = json.loads(reply)
            done = True
        except TimeoutError:
            log.error("a chart took too long", about=request)
            return _plain(503, "Drawing this took too long; try a shorter time.")
        except (OSError, ValueError) as error:
            log.error("the process that draws charts cannot be used", because=str(error))
            return _plain(500, "Charts cannot be drawn; the collector's log says why.")
        finally:
            self._asked_us = self._clock.now_us()
            if not done:  # its answer, if one comes, would be taken for that to the next request
                await self._end()
        if "bug" in found:
            log.error("a chart could not be drawn", about=request, bug=found["bug"])
            return _plain(500, "This could not be drawn; the collector's log says why.")
        return Answer(found["status"], found["kind"], found["text"])

    async def _begin(self) -> asyncio.subprocess.Process:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", self._module, str(self._journal.absolute()),
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, limit=LONGEST_ANSWER_BYTES,
        )  # fmt: skip
        return self._process

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
