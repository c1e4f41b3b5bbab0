"""An outlet at work on a real journal, for the contract tests."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from pydantic import SecretStr

from collector.clock import SystemClock
from collector.core.catalogue import Catalogue
from collector.core.records import ActionTaken, Record
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.outlets.contract import OutletStatus
from collector.outlets.mqtt import MqttOutlet
from collector.outlets.standing import Patience
from collector.outlets.store import StoreOutlet
from collector.plant.model import Plant
from collector.settings import MqttSettings, StoreSettings
from tests.outlet_samples import sample_plant
from tests.real_parts import until

QUICK = Patience(
    tick_s=0.02,
    first_retry_s=0.05,
    longest_retry_s=0.2,
    held_retry_s=0.2,
    cursor_s=0.02,
    settle_s=0.0,
    gather_s=0.02,
)


class Outlet(Protocol):
    """What both outlets have."""

    name: str

    def notify(self, head: int) -> None: ...
    def status(self) -> OutletStatus: ...
    async def run(self) -> None: ...
    async def stop(self) -> None: ...


@dataclass
class Ledger:
    """A real journal with its reader."""

    journal: Journal
    reader: JournalReader
    clock: SystemClock
    plant: Plant = field(default_factory=sample_plant)

    def write(self, records: Sequence[Record], outlet: Outlet | None = None) -> int:
        """Commit records and tell an outlet; the new head."""
        assert self.journal.submit(records)
        assert self.journal.flush(20)
        if outlet is not None:
            outlet.notify(self.journal.head)
        return self.journal.head

    def delivered(self, outlet: str) -> int:
        """Where the durable cursor stands."""
        self.journal.flush(20)
        return self.reader.cursor(outlet).delivered

    def mqtt(
        self,
        port: int,
        patience: Patience = QUICK,
        take_action: Callable[[ActionTaken], None] | None = None,
        **settings: object,
    ) -> MqttOutlet:
        """An MQTT outlet of this journal."""
        plant = self.plant
        values: dict[str, object] = {"host": "127.0.0.1", "port": port, **settings}
        return MqttOutlet(
            MqttSettings.model_validate(values),
            plant, Catalogue(plant), self.journal, self.reader, self.clock, patience,
            take_action=take_action,
        )  # fmt: skip

    def store(self, port: int, patience: Patience = QUICK, **settings: object) -> StoreOutlet:
        """A store outlet of this journal."""
        plant = self.plant
        values: dict[str, object] = {"url": f"http://127.0.0.1:{port}", **settings}
        return StoreOutlet(
            StoreSettings.model_validate(values),
            plant, Catalogue(plant), self.journal, self.reader, self.clock, patience,
        )  # fmt: skip


@contextlib.contextmanager
def ledger(path: Path, plant: str = "osier_bend") -> Iterator[Ledger]:
    """Open the journal of the sample plant under a name, and close it afterwards."""
    sample = sample_plant()
    facts = sample.plant.model_copy(update={"name": plant})
    clock = SystemClock()
    journal = Journal.open(path, wall_us=clock.wall_us, commit_period_s=0.0)
    try:
        with JournalReader(path) as reader:
            yield Ledger(journal, reader, clock, sample.model_copy(update={"plant": facts}))
    finally:
        journal.close()


@contextlib.asynccontextmanager
async def at_work(outlet: Outlet) -> AsyncIterator[None]:
    """Run an outlet, and stop it the way the daemon does."""
    task = asyncio.create_task(outlet.run())
    try:
        yield
    finally:
        await outlet.stop()
        await task


async def state_is(outlet: Outlet, state: str) -> OutletStatus:
    """Wait until an outlet says that it is in a state."""
    await until(lambda: outlet.status().state == state, f"{outlet.name} to be {state}")
    return outlet.status()


async def all_delivered(book: Ledger, outlet: Outlet) -> None:
    """Wait until the durable cursor covers the journal."""
    await until(
        lambda: outlet.status().behind == 0 and book.delivered(outlet.name) == book.journal.head,
        f"the cursor of {outlet.name} to reach {book.journal.head}; {outlet.status()}",
    )


def secret(text: str) -> SecretStr:
    """A secret as the settings hold it."""
    return SecretStr(text)
