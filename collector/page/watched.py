"""What the page needs of the daemon it belongs to; it changes nothing there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

from collector.clock import Clock
from collector.journal.reader import JournalReader
from collector.outlets.contract import OutletStatus
from collector.plant_file import PlantFile
from collector.rule_files import RuleFiles


class JournalFigures(Protocol):
    """The journal's writer, as far as it is looked at."""

    @property
    def path(self) -> Path: ...
    @property
    def head(self) -> int: ...
    @property
    def backlog(self) -> int: ...
    @property
    def progress(self) -> int: ...
    @property
    def trouble(self) -> str | None: ...
    @property
    def blocked(self) -> bool: ...


class CounterFigures(Protocol):
    """What became of the reads of a panel."""

    @property
    def overruns(self) -> int: ...
    @property
    def retries(self) -> int: ...
    @property
    def failures(self) -> Mapping[str, int]: ...


class BusFigures(Protocol):
    """The queue of one link."""

    @property
    def due_us(self) -> int: ...
    @property
    def counters(self) -> Mapping[str, CounterFigures]: ...


class OutletFigures(Protocol):
    """An outlet."""

    def status(self) -> OutletStatus: ...


class Watched(Protocol):
    """The daemon."""

    @property
    def plant_file(self) -> PlantFile: ...
    @property
    def rules(self) -> RuleFiles: ...
    @property
    def clock(self) -> Clock: ...
    @property
    def journal(self) -> JournalFigures: ...
    @property
    def reader(self) -> JournalReader: ...
    @property
    def buses(self) -> Sequence[BusFigures]: ...
    @property
    def outlets(self) -> Sequence[OutletFigures]: ...
    @property
    def paused(self) -> bool:
        """Whether watching pauses because the journal can take no more."""
        ...

    def known_until_us(self) -> Mapping[str, int]:
        """For each panel that answers, the plant time of its last good answer."""
        ...

    def utc_us(self, at_us: int) -> int:
        """The date of a plant time."""
        ...
