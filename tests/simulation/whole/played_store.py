"""The time-series store behind the HTTP pool of its client library, which runs as it is.

It takes lines, refuses them, does not answer, or dies with what it had not yet on its disk.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from types import SimpleNamespace
from typing import Any

from urllib3.exceptions import NewConnectionError, ReadTimeoutError

from tests.simulation.whole.virtual_loop import SECOND_NS, Agenda

NUMBER = re.compile(r"[ ,]number=(\d+)")
UNSETTLED_S = 8.0
"""What a store that dies may lose; the outlet allows for 10 s."""


@dataclass(slots=True)
class StoreMood:
    """How the store is.

    Args:
        up: it runs.
        dumb: it takes a request and never answers; ``takes_all_the_same``: but has the rows.
        status: answered instead of 204, 0 for 204.
        retry_after: header with it, seconds.
        delay_s: least and most time of a request.
        bad: share of rows that it refuses for good, by their number.
    """

    up: bool = True
    dumb: bool = False
    takes_all_the_same: bool = False
    status: int = 0
    retry_after: int = 0
    delay_s: tuple[float, float] = (0.005, 0.1)


@dataclass
class PlayedStore:
    """The store.

    Args:
        agenda: time.
        rng: decides.
        note: told of everything, for the trace.
        sleep: lets time pass in the calling thread.
    """

    agenda: Agenda
    rng: Random
    note: Callable[..., None]
    sleep: Callable[[float], None]
    mood: StoreMood = field(default_factory=StoreMood)
    rows: dict[int, str] = field(default_factory=dict)
    changed: list[tuple[int, str, str]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    noticed: bool = False
    _fresh: list[tuple[int, int, str]] = field(default_factory=list)
    _gone: list[tuple[int, str]] = field(default_factory=list)

    def pool(self, *_: object, **__: object) -> PlayedStore:
        """What ``PoolManager(...)`` makes."""
        return self

    def clear(self) -> None:
        """The pool is closed; nothing to do."""

    def request(self, method: str, url: str, body: Any = None, timeout: Any = None,
                **_: object) -> SimpleNamespace:  # fmt: skip
        """As urllib3's pool does it."""
        mood = self.mood
        self.counts["requests"] += 1
        self.sleep(self.rng.uniform(*mood.delay_s))
        mood = self.mood
        if not mood.up:
            self.noticed = True
            self.counts["refused connections"] += 1
            raise NewConnectionError(self, "Connection refused")  # type: ignore[arg-type]
        if mood.dumb:
            self.noticed = True
            self.counts["unanswered"] += 1
            if mood.takes_all_the_same:
                self._take(body)
            self.sleep(timeout.total)
            raise ReadTimeoutError(self, url, "Read timed out.")  # type: ignore[arg-type]
        if mood.status:
            self.counts[f"answered {mood.status}"] += 1
            headers = {"Retry-After": str(mood.retry_after)} if mood.retry_after else {}
            return _response(mood.status, headers)
        self._take(body)
        return _response(204, {})

    def _take(self, body: Any) -> None:
        text = body.decode() if isinstance(body, bytes) else str(body)
        self.note("written", text)
        for line in text.splitlines():
            found = NUMBER.search(line)
            if found is None:
                continue
            number = int(found[1])
            before = self.rows.get(number)
            if before is not None:
                self.counts["doubled"] += 1
                if before != line:
                    self.changed.append((number, before, line))
            self.counts["rows"] += 1
            self.rows[number] = line
            if before is None:  # what is on its disk stays there, however often it comes again
                self._fresh.append((self.agenda.now_ns, number, line))
        del self._fresh[:-5_000]

    def settle(self) -> None:
        """It has had the time: an outlet that stops in an orderly way relies on a store that lives,
        as its head says."""
        self._fresh.clear()

    def since_written_s(self) -> float:
        """Time since the last row came that was not there before."""
        newest_ns = self._fresh[-1][0] if self._fresh else -(1 << 62)
        return (self.agenda.now_ns - newest_ns) / SECOND_NS

    def die(self) -> None:
        """Go away, with what was not yet on its disk."""
        self.mood.up = False
        self.noticed = False
        since = self.agenda.now_ns - round(UNSETTLED_S * SECOND_NS)
        self._gone = [(n, line) for at, n, line in self._fresh if at >= since]
        for number, _ in self._gone:
            self.rows.pop(number, None)

    def come_back(self) -> None:
        """Be there again. Where nobody noticed that it was away, it had all on its disk: what a
        store loses unnoticed nobody can bring back."""
        self.mood.up = True
        if not self.noticed:
            for number, line in self._gone:
                self.rows.setdefault(number, line)
        else:
            self.counts["rows lost with the store"] += len(self._gone)
        self._gone = []


def _response(status: int, headers: dict[str, str]) -> SimpleNamespace:
    return SimpleNamespace(status=status, reason="", data=b"", headers=headers)
