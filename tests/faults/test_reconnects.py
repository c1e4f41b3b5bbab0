"""What breaks and comes back a thousand times holds no more descriptors, tasks or threads.

The suite tries some; ``WEIRKEEPER_TEST_RECONNECTS=1`` tries 1 000 of each link and 200 of the
broker and of the store.
"""

from __future__ import annotations

import asyncio
import os
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from collector.core.scans import Read
from collector.links.faults import ReadFault
from collector.links.modbus import open_link
from collector.plant.model import RtuOverTcpLink, TcpLink
from tests.contract.outlet_parts import QUICK, Outlet, at_work, ledger, state_is
from tests.faults.links_panel import CLOSE, BadPanel, Kind, over_tcp, right
from tests.faults.reconnects import Flapping, Held
from tests.real_parts import mosquitto, running, until, victoria_metrics
from tests.unit.journal.samples import contacts

ALL = "WEIRKEEPER_TEST_RECONNECTS" in os.environ
OF_A_LINK = 1_000 if ALL else 250
OF_AN_OUTLET = 200 if ALL else 25
WARM = 10
READ = Read(1, 3, 0, 10)
IMPATIENT = replace(QUICK, tick_s=0.005, first_retry_s=0.005, longest_retry_s=0.01)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("kind", ["tcp", "rtu-over-tcp"])
async def test_a_link_that_breaks_again_and_again_leaves_nothing(kind: Kind) -> None:
    """The panel answers some requests, and closes the connection on others."""
    chance = Random(1)
    panel = BadPanel(kind, lambda r: [CLOSE] if chance.random() < 0.4 else right(r))
    async with over_tcp(panel) as port:
        if kind == "tcp":
            link = open_link(TcpLink(kind="tcp", host="127.0.0.1", port=port))
        else:
            link = open_link(RtuOverTcpLink(kind="rtu-over-tcp", host="127.0.0.1", port=port))
        before, good = await Held.now(), 0
        while panel.connections < OF_A_LINK:
            try:
                await link.read(READ, 20.0)
                good += 1
            except ReadFault:
                pass
            if panel.connections == WARM:
                before = await Held.now()
        await link.close()
        assert good > OF_A_LINK // 10
        assert not await before.grown_since()


async def breaking(outlet: Outlet, far: Flapping, state: str) -> None:
    """Break the connection as often as it comes back, and count."""
    before = Held(0, 0, 0)
    for number in range(OF_AN_OUTLET + WARM):
        if number == WARM:
            await state_is(outlet, state)
            before = await Held.now()
        seen = far.connections
        far.break_all()
        await until(lambda seen=seen: far.connections > seen, "another connection")  # type: ignore[misc]
        await state_is(outlet, state)
    assert not await before.grown_since()


@pytest.mark.timeout(300)
async def test_a_broker_that_is_lost_again_and_again_leaves_nothing(tmp_path: Path) -> None:
    """A real broker behind a link that breaks: descriptors, tasks and the client's threads."""
    broker = mosquitto(tmp_path / "broker")
    with running(broker), ledger(tmp_path / "j") as book:
        far = Flapping(broker.port)
        async with far.listening():
            outlet = book.mqtt(far.port, IMPATIENT)
            book.write(contacts(1, 20), outlet)
            async with at_work(outlet):
                await state_is(outlet, "delivering")
                await breaking(outlet, far, "delivering")


@pytest.mark.timeout(300)
async def test_a_store_that_is_lost_again_and_again_leaves_nothing(tmp_path: Path) -> None:
    """A real store behind a link that breaks: it is written to after every break."""
    store = victoria_metrics(tmp_path / "store")
    with running(store), ledger(tmp_path / "j") as book:
        far = Flapping(store.port)
        async with far.listening():
            outlet = book.store(far.port, IMPATIENT)
            async with at_work(outlet):
                before, number = await Held.now(), 0
                while far.connections < OF_AN_OUTLET + WARM:
                    number += 1
                    book.write(contacts(number, number), outlet)
                    await until(lambda: outlet.status().behind == 0, "the row to be written")
                    far.break_all()
                    if far.connections == WARM:
                        before = await Held.now()
                assert not await before.grown_since()


async def test_what_is_left_open_is_found() -> None:
    """One descriptor, one task: each is told by its name."""
    before = await Held.now()
    left = os.open("/dev/null", os.O_RDONLY)
    task = asyncio.create_task(asyncio.sleep(60.0))
    found = (await Held.now()).more_than(before)
    os.close(left)
    task.cancel()
    assert [sentence.partition(":")[0] for sentence in found] == ["descriptors", "tasks"]
