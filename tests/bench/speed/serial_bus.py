"""How much of a serial line's time carries what has to be carried.

Several panels share the line and are asked for more than it can carry, so that it is never idle by
plan. The line is a pseudo terminal whose far end (``paced_panel.c``) is as slow as a real one. The
least time of a read is that of its characters and two silences, Modbus over Serial Line V1.02,
section 2.5.1: 8 characters ask, 5 and the data answer, 11 bits each; one silence tells the panel
that the request has ended, the other belongs between the reply and the next request.

The useful share is the least time of all reads over the time from the first request to the last.
Where the panel takes a time of its own, that is added to the least.

What has to be carried is looked at too: the planned reads of random small maps, in bytes on the
wire, over the cheapest of all ways to group their points (``tests/unit/links/wire_cost.py``).
"""

from __future__ import annotations

import asyncio
import math
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Literal

from collector.clock import SystemClock
from collector.core.scans import PanelScan, Read
from collector.links.contract import Link
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.links.poller import Bus
from collector.plant.model import BridgedGap, Panel, Point, RtuLink, TcpLink
from tests.bench.speed.figures import Figure, Target, cpu_s, of
from tests.unit.links.wire_cost import FUNCTION, REGISTERS, least_bytes, plan_bytes

Baud = Literal[9600, 19200, 115200]
BAUDS: tuple[Baud, ...] = (9600, 19200, 115200)
DELAYS_S = (0.0, 0.02)
PERIOD_S = 0.1  # the shortest that a plant file may ask for
LEAST_LOAD = 2.5  # time on the line of all panels, over their period
CONTACTS, SMALL, LARGE = 16, 10, 40  # a panel: one block of each
SHARE = Target("at least", 0.95)


@dataclass(frozen=True)
class Seen:
    """What one run showed.

    Args:
        share: useful share of the line's time.
        reads: how many it is the mean of.
        lost_us: time a read took beyond the least, us.
        cpu: processor time over time.
    """

    share: float
    reads: int
    lost_us: float
    cpu: float


def least_s(read: Read, baud: int, delay_s: float) -> float:
    """Time that a read takes at least, s."""
    data = (read.count + 7) // 8 if read.function <= 2 else 2 * read.count
    silence_s = 3.5 * 11 / baud if baud <= 19200 else 0.00175
    return 11 * (8 + 5 + data) / baud + 2 * silence_s + delay_s


def panel_of(unit: int) -> Panel:
    """A panel with one block of contacts and two of registers."""
    tables = {
        "discrete-input": range(CONTACTS),
        "input-register": range(SMALL),
        "holding-register": range(LARGE),
    }
    points = {
        f"{table[0]}{n}": Point.model_validate({"table": table, "address": n})
        for table, places in tables.items()
        for n in places
    }
    return Panel(link="line", unit_identifier=unit, scan_period_s=PERIOD_S, points=points)


@contextmanager
def paced_panel(program: Path, baud: int, delay_s: float) -> Iterator[tuple[str, list[int]]]:
    """The slow line; yields its device, and what it counted once it has ended."""
    counted: list[int] = []
    process = subprocess.Popen(
        [str(program), str(baud), f"{delay_s * 1e6:.0f}"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield process.stdout.readline().split()[1], counted
        process.stdin.close()
        counted += [int(word) for word in process.stdout.readline().split()[1::2]]
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class Watched:
    """A link that notes when each read is asked for.

    Args:
        link: the link that reads.
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.asked: list[tuple[float, Read]] = []

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """Read, and note it."""
        self.asked.append((time.perf_counter(), request))
        return await self.link.read(request, timeout_s)

    async def close(self) -> None:
        """Close the link."""
        await self.link.close()


async def poll(device: str, baud: Baud, delay_s: float, seconds: float) -> tuple[Seen, int]:
    """Poll for so long; returns what was seen, and how many requests were made."""
    a_panel = sum(least_s(read, baud, delay_s) for read in plan_panel(panel_of(1)))
    units = range(1, 2 + math.ceil(LEAST_LOAD * PERIOD_S / a_panel))
    panels = {f"p{unit}": (panel_of(unit), plan_panel(panel_of(unit))) for unit in units}
    reasons: set[str] = set()

    def on_scan(scan: PanelScan) -> None:
        reasons.update(answer.reason for answer in scan.answers)

    # Without parity and with 2 stop bits 11 bits too; a pseudo terminal has no parity to set.
    line = RtuLink(kind="rtu", device=device, baud=baud, parity="none", stop_bits=2)
    watched = Watched(open_link(line))
    bus = Bus(watched, panels, SystemClock(), on_scan, Random(1))
    running = asyncio.create_task(bus.run())
    used_s = cpu_s()
    await asyncio.wait([running], timeout=seconds)
    used_s = cpu_s() - used_s
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert reasons == {""}, reasons
    # Scans begin apart: the line is full from the instant at which the last panel is asked.
    began = [next(at_s for at_s, read in watched.asked if read.unit == unit) for unit in units]
    full = [entry for entry in watched.asked if entry[0] >= max(began)]
    passed_s = full[-1][0] - full[0][0]
    least = sum(least_s(read, baud, delay_s) for _, read in full[:-1])
    lost_us = (passed_s - least) / (len(full) - 1) * 1e6
    seen = Seen(least / passed_s, len(full) - 1, lost_us, used_s / seconds)
    return seen, len(watched.asked)


def run(program: Path, baud: Baud, delay_s: float, seconds: float) -> Seen:
    """One run on a line of its own."""
    with paced_panel(program, baud, delay_s) as (device, counted):
        seen, made = asyncio.run(poll(device, baud, delay_s, seconds))
    requests, early, strange = counted
    assert requests in (made - 1, made), f"{made} requests, {requests} seen"  # one is cut off
    assert not early, f"{early} requests before the silence between frames was over"
    assert not strange, f"{strange} requests were no reads"
    return seen


def a_map(chance: Random) -> Panel:
    """A panel with a few points of any size here and there, whose gaps may be read over."""
    points = {}
    for number in range(chance.randint(4, 8)):
        table = chance.choice(list(FUNCTION))
        register = table.endswith("register")
        point: dict[str, str | int] = {"table": table, "address": chance.randrange(60)}
        if register:
            point["type"] = chance.choice(list(REGISTERS))
        else:
            point["address"] = chance.randrange(600)
        points[f"p{number}"] = Point.model_validate(point)
    return Panel(link="line", bridged_gap=BridgedGap(bits=2000, registers=125), points=points)


def planned(maps: int) -> list[Figure]:
    """Bytes of the planned reads over the fewest possible, the worst of so many maps a link."""
    chance = Random(3)
    found = []
    links: list[RtuLink | TcpLink] = [TcpLink(kind="tcp", host="127.0.0.1")]
    links += [RtuLink(kind="rtu", device="line", baud=baud) for baud in BAUDS]
    for link in links:
        name = f"{link.baud} baud" if isinstance(link, RtuLink) else "TCP"
        ours: list[float] = []
        fewest: list[float] = []
        for panel in [a_map(chance) for _ in range(maps)]:
            least = least_bytes(link, panel)
            ours.append(plan_bytes(link, plan_panel(panel, link)) / least)
            fewest.append(plan_bytes(link, plan_panel(panel)) / least)
        worst = round(max(ours), 9)
        found.append(Figure(
            f"bytes on the wire over the fewest, {name}, worst map",
            worst, round(min(ours), 9), worst, target=Target("at most", 1.0),
            detail=f"{maps} maps; with the fewest reads {statistics.fmean(fewest):.3f}, "
            f"worst {max(fewest):.2f}",
        ))  # fmt: skip
    return found


def measure(*, quick: bool) -> list[Figure]:
    """The useful share at each speed, with panels that answer at once and after a time."""
    seconds, rounds = (1.2, 1) if quick else (5.0, 3)
    found: list[Figure] = []
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder, "paced_panel")
        source = Path(__file__).with_name("paced_panel.c")
        command = ["gcc", "-O2", "-Wall", "-Werror", "-o", str(program), str(source)]
        subprocess.run(command, check=True)
        for delay_s in DELAYS_S:
            for baud in BAUDS:
                seen = [run(program, baud, delay_s, seconds) for _ in range(rounds)]
                last = seen[-1]
                answers = f"after {1000 * delay_s:.0f} ms" if delay_s else "at once"
                found.append(of(
                    f"useful share at {baud} baud, answers {answers}",
                    [one.share for one in seen], target=SHARE,
                    detail=f"{last.reads} reads, {last.lost_us:.0f} us lost in each, "
                    f"{last.cpu:.2f} of a core",
                ))  # fmt: skip
    return found + planned(20 if quick else 200)
