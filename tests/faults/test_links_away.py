"""Panels and lines that are away, come, go and come back, on real sockets and pseudo terminals."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from random import Random

import pytest

from collector.clock import SystemClock
from collector.core.scans import PanelScan, Read
from collector.links.faults import NoConnection, NoReply
from collector.links.modbus import open_link
from collector.links.poller import Bus
from collector.plant.model import Panel, Point, RtuLink, TcpLink
from tests.faults.links_panel import (
    Action,
    BadPanel,
    Request,
    bad_panel,
    on_a_line,
    over_tcp,
    right,
)

READ = Read(1, 3, 0, 10)
SHORT_S = 0.05
LONG_S = 20.0


def free_port() -> int:
    """A port nothing listens on."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port: int = taken.getsockname()[1]
        return port


async def test_a_refused_connection_is_told_at_once_with_its_place() -> None:
    """Nothing listens there: no waiting, and the sentence carries host, port and reason."""
    port = free_port()
    link = open_link(TcpLink(kind="tcp", host="127.0.0.1", port=port))
    with pytest.raises(NoConnection) as fault:
        await link.read(READ, LONG_S)
    assert str(fault.value) == f"no connection to 127.0.0.1:{port}: connection refused"
    assert fault.value.reason == "no connection"


async def test_a_connection_that_is_accepted_and_then_silent_is_no_reply() -> None:
    """The port is open, the program behind it hangs."""
    async with bad_panel("tcp", lambda _: []) as (_, link):
        with pytest.raises(NoReply):
            await link.read(READ, SHORT_S)


async def test_after_two_silent_reads_a_new_connection_is_tried() -> None:
    """A panel that restarted without closing is read again; one lost reply costs no connection."""

    def first_connection_is_dead(_: Request) -> Iterable[Action]:
        return right(_) if panel.connections > 1 else []

    async with bad_panel("tcp", first_connection_is_dead) as (panel, link):
        for _ in range(2):
            with pytest.raises(NoReply):
                await link.read(READ, SHORT_S)
            assert panel.connections == 1
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 2


async def test_a_dead_unit_behind_a_gateway_does_not_cost_the_live_one_its_connection() -> None:
    """As long as some unit answers in between, the connection is known to be good."""

    def unit_2_is_dead(request: Request) -> Iterable[Action]:
        return [] if request.unit == 2 else right(request)

    async with bad_panel("tcp", unit_2_is_dead) as (panel, link):
        for _ in range(5):
            with pytest.raises(NoReply):
                await link.read(Read(2, 3, 0, 10), SHORT_S)
            assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        assert panel.connections == 1


async def test_a_missing_serial_device_is_told_with_its_name() -> None:
    """The adapter is not plugged in."""
    link = open_link(RtuLink(kind="rtu", device="/dev/ttyNOTHERE"))
    with pytest.raises(NoConnection) as fault:
        await link.read(READ, LONG_S)
    assert str(fault.value) == "no connection to /dev/ttyNOTHERE: no such file or directory"
    assert fault.value.reason == "no connection"


async def test_a_line_somebody_else_reads_is_not_shared() -> None:
    """Two masters on one line garble each other: the second one is refused."""
    async with on_a_line(BadPanel("rtu")) as device:
        first, second = (
            open_link(RtuLink(kind="rtu", device=device, parity="none")) for _ in range(2)
        )
        await first.read(READ, LONG_S)
        for _ in range(2):
            with pytest.raises(NoConnection, match="another program uses it"):
                await second.read(READ, LONG_S)
        await first.close()
        await second.read(READ, LONG_S)
        await second.close()


async def test_an_adapter_pulled_out_and_plugged_in_again_is_read_again(tmp_path: Path) -> None:
    """The pull fails the read under way at once; the next plug is found under the same name."""
    name = tmp_path / "adapter"
    link = open_link(RtuLink(kind="rtu", device=str(name), parity="none"))
    silent = BadPanel("rtu", lambda _: [])
    async with on_a_line(silent) as device:
        name.symlink_to(device)
        reading = asyncio.create_task(link.read(READ, LONG_S))
        await silent.asked.wait()
    async with asyncio.timeout(LONG_S / 2):
        with pytest.raises(NoConnection):
            await reading
    name.unlink()
    with pytest.raises(NoConnection, match="no connection to"):
        await link.read(READ, LONG_S)
    panel = BadPanel("rtu")
    async with on_a_line(panel) as device:
        name.symlink_to(device)
        assert panel.answers_last_of(0, await link.read(READ, LONG_S))
        await link.close()


class Watch:
    """Runs a bus on the machine's clock and waits for scans."""

    def __init__(self, port: int, units: Iterable[int] = (1,)) -> None:
        panels = {}
        for unit in units:
            panel = Panel(
                link="works",
                unit_identifier=unit,
                scan_period_s=0.1,
                reply_timeout_s=SHORT_S,
                points={"a": Point(table="holding-register", address=0)},
            )
            panels[f"unit_{unit}"] = (panel, [Read(unit, 3, 0, 10), Read(unit, 3, 100, 10)])
        self.arrived: asyncio.Queue[PanelScan] = asyncio.Queue()
        link = open_link(TcpLink(kind="tcp", host="127.0.0.1", port=port))
        self.bus = Bus(link, panels, SystemClock(), self.arrived.put_nowait, Random(5))

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Poll meanwhile."""
        task = asyncio.create_task(self.bus.run())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def until(self, *reasons: str) -> PanelScan:
        """The next scan whose answers carry these reasons."""
        async with asyncio.timeout(LONG_S):
            while True:
                scan = await self.arrived.get()
                if tuple(answer.reason for answer in scan.answers) == reasons:
                    return scan


async def test_a_panel_away_at_the_start_lost_and_back_is_read_whenever_it_is_there() -> None:
    """Each time it comes it is scanned whole, with the truth; each time it goes, that is told."""
    port = free_port()
    watch = Watch(port)
    async with watch.running():
        await watch.until("no connection", "no connection")
        for _ in range(2):
            panel = BadPanel("tcp")
            async with over_tcp(panel, port):
                scan = await watch.until("", "")
                truths = [request.truth for request in panel.requests]
                assert [answer.payload in truths for answer in scan.answers] == [True, True]
            await watch.until("no connection", "no connection")
    counters = watch.bus.counters["unit_1"]
    assert set(counters.failures) == {"no connection"}
    assert f"no connection to 127.0.0.1:{port}" in counters.last_fault


async def test_a_panel_replaced_by_another_unit_is_no_value() -> None:
    """Another device answers at the address, with another unit identifier: malformed, not good."""
    panel = BadPanel("tcp", lambda r: [r.framed(r.right_pdu, unit=9)])
    async with over_tcp(panel) as port:
        watch = Watch(port)
        async with watch.running():
            await watch.until("malformed reply", "malformed reply")
            panel.behaviour = right
            await watch.until("", "")


async def test_a_dead_unit_leaves_the_live_ones_of_its_bus_whole() -> None:
    """On one real connection: every scan of the live unit is good while the other is silent."""
    panel = BadPanel("tcp", lambda r: [] if r.unit == 1 else right(r))
    async with over_tcp(panel) as port:
        watch = Watch(port, units=(1, 2))
        live = 0
        async with watch.running(), asyncio.timeout(LONG_S):
            while live < 10:
                scan = await watch.arrived.get()
                reasons = [answer.reason for answer in scan.answers]
                live += scan.panel == "unit_2"
                assert reasons == (["", ""] if scan.panel == "unit_2" else ["no reply"] * 2)
    assert watch.bus.counters["unit_2"].failures == {}
