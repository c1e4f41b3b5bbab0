"""CPU time of one scan through our link and queue over that of a bare loop on the library.

    .venv/bin/python -m tests.bench.link_cost [SCANS]

Both read one block of 100 holding registers from a libmodbus panel on the loopback, a scan each
10 ms, in turns, each in its own event loop. The bare loop is what one would write first: read, look
at ``isError``, sleep until the next instant. CPU time is user and system time of this process alone
(getrusage), so that waiting and the panel's own time do not count.
"""

from __future__ import annotations

import asyncio
import gc
import resource
import statistics
import sys
from random import Random

from pymodbus.client import AsyncModbusTcpClient

from collector.clock import SystemClock
from collector.core.scans import PanelScan
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.links.poller import Bus
from collector.plant.model import Panel, Point, TcpLink
from tests.contract.libmodbus_peer import tcp_peer

REGISTERS = 100
PERIOD_S = 0.01
ROUNDS = 7


def cpu_s() -> float:
    """CPU time this process has used, s."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def bare_loop(port: int, scans: int) -> float:
    """CPU time per scan of the library alone, s."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=1)
    await client.connect()
    loop = asyncio.get_running_loop()
    due_s = loop.time()
    before_s = cpu_s()
    for _ in range(scans):
        reply = await client.read_holding_registers(0, count=REGISTERS, device_id=1)
        assert not reply.isError()
        due_s += PERIOD_S
        await asyncio.sleep(max(0.0, due_s - loop.time()))
    used_s = cpu_s() - before_s
    client.close()
    return used_s / scans


async def our_loop(port: int, scans: int) -> float:
    """CPU time per scan of link and queue, s."""
    points = {
        f"p{address}": Point(table="holding-register", address=address)
        for address in range(REGISTERS)
    }
    panel = Panel(link="works", points=points).model_copy(update={"scan_period_s": PERIOD_S})
    done = asyncio.Event()
    left = scans
    before_s = 0.0

    def on_scan(scan: PanelScan) -> None:
        nonlocal left, before_s
        assert scan.answers[0].payload is not None
        if before_s == 0.0:  # the first scan carries the connection
            before_s = cpu_s()
            return
        left -= 1
        if left == 0:
            done.set()

    link = open_link(TcpLink(kind="tcp", host="127.0.0.1", port=port))
    bus = Bus(link, {"works": (panel, plan_panel(panel))}, SystemClock(), on_scan, Random(1))
    running = asyncio.create_task(bus.run())
    await done.wait()
    used_s = cpu_s() - before_s
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    return used_s / scans


def main() -> None:
    """Measure in turns and print medians and their ratio."""
    scans = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    bare: list[float] = []
    ours: list[float] = []
    with tcp_peer({(3, address): address for address in range(REGISTERS)}) as port:
        for turn in range(ROUNDS + 1):
            gc.collect()
            bare_s = asyncio.run(bare_loop(port, scans))
            gc.collect()
            ours_s = asyncio.run(our_loop(port, scans))
            if turn:  # the first warms up
                bare.append(bare_s)
                ours.append(ours_s)
    bare_us, ours_us = (1e6 * statistics.median(all_s) for all_s in (bare, ours))
    print(f"bare library {bare_us:.1f} us a scan, ours {ours_us:.1f} us: {ours_us / bare_us:.2f}")


if __name__ == "__main__":
    main()
