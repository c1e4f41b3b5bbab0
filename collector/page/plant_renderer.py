"""Makes the health page in a thread of its own, which alone reads the journal for it.

Polling never waits for a page: what is made here holds the interpreter only in slices, and no more
than two pages a second are made however many look on (``PERIOD_US``).
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from collector.core.alarms.rule import AlarmRule
from collector.core.service.rule import ServiceRule
from collector.journal.reader import JournalReader
from collector.page.rendering import PlantPages
from collector.plant.model import Plant
from collector.reports.plant_view import Latest, PlantView, view_plant

PERIOD_US = 500_000
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Rendered:
    """The sections of the health page as they were made last.

    Args:
        view: what they show.
        sections: the inside of each by its id.
    """

    view: PlantView
    sections: Mapping[str, str]


class PlantRenderer:
    """One plant's health page; every call does its work in the one thread.

    Args:
        journal: path of the journal.
        plant: the plant in force.
        alarms, service: rules in force, bound to it.
    """

    def __init__(
        self,
        journal: Path,
        plant: Plant,
        alarms: tuple[AlarmRule, ...],
        service: tuple[ServiceRule, ...],
    ) -> None:
        self._path = journal
        self._plant = plant
        self._rules = (alarms, service)
        self._thread = ThreadPoolExecutor(1, "page")
        self._latest: Latest | None = None
        self._pages: PlantPages | None = None

    async def rendered(self) -> Rendered | None:
        """The sections as of now; None where nothing was ever watched."""
        return await self._do(self._render)

    async def whole(self, ages: Mapping[str, int | None]) -> bytes | None:
        """The page as of now; None where nothing was ever watched.

        Args:
            ages: for each panel the date of its last good answer, UTC in microseconds.
        """
        return await self._do(lambda: self._whole(ages))

    async def standing(self) -> tuple[Mapping[str, int], int]:
        """How many alarms stand that somebody is to act on, by priority; bytes of the journal."""
        return await self._do(self._standing)

    def close(self) -> None:
        """Let the journal go, once what is under way is done; waits for nothing."""
        self._thread.submit(self._let_go)
        self._thread.shutdown(wait=False)

    # --- in the thread --------------------------------------------------------------------------

    async def _do(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    def _looked(self) -> Latest:
        if self._latest is None:
            self._latest = Latest(JournalReader(self._path), self._plant, *self._rules)
        try:
            self._latest.follow()
        except BaseException:
            self._let_go()  # whatever it knows by now may be half; the next look begins anew
            raise
        return self._latest

    def _view(self) -> tuple[PlantView, PlantPages] | None:
        view = view_plant(self._looked())
        if self._pages is None:
            self._pages = PlantPages()
        return None if view is None else (view, self._pages)

    def _render(self) -> Rendered | None:
        found = self._view()
        return None if found is None else Rendered(found[0], found[1].sections(found[0]))

    def _whole(self, ages: Mapping[str, int | None]) -> bytes | None:
        found = self._view()
        return None if found is None else found[1].whole(found[0], ages).encode()

    def _standing(self) -> tuple[Mapping[str, int], int]:
        latest = self._looked()
        found = Counter(alarm.priority for alarm in latest.standing() if not alarm.set_aside)
        return found, latest.reader.size_bytes()

    def _let_go(self) -> None:
        if self._latest is not None:
            self._latest.reader.close()
            self._latest = None
