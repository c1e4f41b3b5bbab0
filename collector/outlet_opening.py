"""The outlets that the settings ask for.

The store's library takes a fifth of a second and 24 MiB to load; who has no store is spared that,
and who has one loads it before polling begins, not while panels wait.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Collection
from typing import Protocol

from collector.clock import Clock
from collector.core.catalogue import Catalogue
from collector.core.records import ActionTaken
from collector.journal.fresh import FreshRecords
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.notices.outlet import NoticesOutlet
from collector.outlets.contract import OutletStatus
from collector.outlets.mqtt import MqttOutlet
from collector.plant.model import Plant
from collector.rule_files import RuleFiles
from collector.settings import Settings

STORE = "collector.outlets.store"


class Outlet(Protocol):
    """What the daemon asks of an outlet."""

    name: str

    async def run(self) -> None: ...
    def notify(self, head: int) -> None: ...
    async def stop(self) -> None: ...
    def status(self) -> OutletStatus: ...


def load_libraries(settings: Settings) -> None:
    """Load what only some need, before time matters."""
    if settings.store is not None:
        importlib.import_module(STORE)


def open_outlets(
    settings: Settings,
    plant: Plant,
    rules: RuleFiles,
    journal: Journal,
    readers: tuple[JournalReader, FreshRecords],
    clock: Clock,
    take_action: Callable[[ActionTaken], None],
) -> list[Outlet]:
    """Every outlet, not yet running.

    Args:
        settings: which there are.
        plant, rules: in force.
        journal: keeps cursors, and takes what was told to people.
        readers: of the journal, the second with what is fresh at hand.
        clock: plant time.
        take_action: called with what people say over the broker.
    """
    reader, fresh = readers
    catalogue = Catalogue(plant)
    found: list[Outlet] = []
    if settings.mqtt is not None:
        found.append(
            MqttOutlet(
                settings.mqtt, plant, catalogue, journal, fresh, clock,
                alarms=rules.subjects, take_action=take_action,
            )
        )  # fmt: skip
    if settings.store is not None:
        from collector.outlets.store import StoreOutlet

        found.append(StoreOutlet(settings.store, plant, catalogue, journal, fresh, clock))
    if settings.notices is not None:
        found.append(
            NoticesOutlet(
                settings.notices, plant, catalogue, rules.alarms, journal.submit, reader, clock
            )
        )
    return found


def answering(outlets: Collection[Outlet]) -> MqttOutlet | None:
    """The outlet that answers what people say over the broker."""
    return next((each for each in outlets if isinstance(each, MqttOutlet)), None)
