"""One process and many panels: what a second of them costs, and how many before scans are skipped.

Each panel is a connection of its own to libmodbus servers on another core, with one block of
contacts and one of registers, and a blower with the rules that ship. Watching is a process on one
core: the whole daemon, or the bare loop (a task a panel: read both blocks with the library's
client, look at ``isError``, sleep until the next instant). What a process can carry is looked for
by halving between a number that it carries and one that it does not, with ten scans a second of
each panel, since panels that are scanned once a second would have to be many thousands.

The same program plays the watching process; it prints what it saw as JSON:

    python -m tests.bench.speed.many_panels daemon|bare FOLDER SECONDS PERIOD
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from collector.daemon import Daemon
from collector.logs import start_logging
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from collector.settings import JournalSettings, LogSettings, Settings
from tests.bench.speed.figures import Figure, Target, cpu_s, of
from tests.contract.libmodbus_peer import tcp_peers

PANELS_A_PEER = 50  # more of them, and its poll() takes longer than an answer
CONTACTS = 16
REGISTERS = 8
SETTLE_S = 4.0
FAST_S = 0.1
TOO_LATE = 0.03  # share of scans skipped; less is the odd stall of a shared machine
POINTS = "\n".join(
    [f"      c{n}: {{table: discrete-input, address: {n}}}" for n in range(CONTACTS)]
    + [f"      r{n}: {{table: input-register, address: {n}}}" for n in range(REGISTERS)]
)


def plant_text(ports: list[int], scan_period_s: float = 1.0) -> str:
    """A plant with a panel for each port."""
    text = ["plant: {name: many, title: Many, time_zone: Europe/London}", "links:"]
    text += [
        f"  l{n}: {{kind: tcp, host: 127.0.0.1, port: {port}}}" for n, port in enumerate(ports)
    ]
    text += ["panels:"]
    for n in range(len(ports)):
        text += [
            f"  p{n}:",
            f"    link: l{n}",
            f"    scan_period_s: {scan_period_s:g}",
            "    points:",
            POINTS,
        ]
    text += ["equipment:"]
    text += [
        f"  blower{n}: {{kind: blower, title: Blower, run: p{n}.c0, fault: p{n}.c1}}"
        for n in range(len(ports))
    ]
    return "\n".join(text) + "\n"


@contextlib.contextmanager
def peers(count: int) -> Iterator[list[int]]:
    """The port of each of so many panels."""
    contents = {(4, address): address for address in range(REGISTERS)}
    with contextlib.ExitStack() as up:
        ports: list[int] = []
        while len(ports) < count:
            some = min(PANELS_A_PEER, count - len(ports))
            ports += up.enter_context(tcp_peers(some, contents))
        yield ports


def told(overruns: int, scans: int, cpu_used_s: float, seconds: float) -> str:
    """What a watching process prints."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    resident = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return json.dumps({
        "overruns": overruns, "scans": scans, "cpu": cpu_used_s / seconds,
        "mib": int(resident.split()[1]) / 1024,
    })  # fmt: skip


async def watch(folder: Path, seconds: float) -> str:
    """Run the daemon for so long behind its first scans."""
    plant_file = read_plant_file(folder / "plant.yaml")
    settings_file = folder / "settings.json"
    far = json.loads(settings_file.read_text(encoding="utf-8")) if settings_file.exists() else {}
    settings = Settings(
        journal=JournalSettings(path=folder / "bench.journal"), log=LogSettings(level="error"),
        **far,
    )  # fmt: skip
    daemon = Daemon(plant_file, read_rule_files(None, plant_file.plant), settings)
    running = asyncio.create_task(daemon.run())

    def counted() -> tuple[int, int]:
        counters = [each for bus in daemon.buses for each in bus.counters.values()]
        return sum(c.overruns for c in counters), sum(c.scans for c in counters)

    while counted()[1] < len(plant_file.plant.panels):
        await asyncio.sleep(0.2)
        if running.done():
            await running
    await asyncio.sleep(SETTLE_S)
    before, used = counted(), cpu_s()
    await asyncio.sleep(seconds)
    after, used = counted(), cpu_s() - used
    found = told(after[0] - before[0], after[1] - before[1], used, seconds)
    daemon.stop()
    await running
    return found


async def watch_bare(ports: list[int], seconds: float, period_s: float) -> str:
    """Run the bare loop for so long behind its first scans."""
    loop = asyncio.get_running_loop()
    overruns = scans = 0
    begun, ended = asyncio.Event(), asyncio.Event()

    async def panel(port: int) -> None:
        nonlocal overruns, scans
        client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=1)
        connected = await client.connect()
        assert connected
        due_s = loop.time()
        try:
            while not ended.is_set():  # the library makes a failed read of a cancellation
                await asyncio.sleep(max(0.0, due_s - loop.time()))
                try:
                    reply = await client.read_discrete_inputs(0, count=CONTACTS, device_id=1)
                    assert not reply.isError()
                    reply = await client.read_input_registers(0, count=REGISTERS, device_id=1)
                    assert not reply.isError()
                except ModbusException:  # no reply in time: the scan counts as skipped
                    overruns += 1
                scans += 1
                if scans >= len(ports):
                    begun.set()
                passed = int(max(0.0, loop.time() - due_s) / period_s)
                overruns += passed
                due_s += (1 + passed) * period_s
        finally:
            client.close()

    tasks = [asyncio.create_task(panel(port)) for port in ports]
    beginning = asyncio.create_task(begun.wait())
    await asyncio.wait({beginning, *tasks}, return_when=asyncio.FIRST_COMPLETED)
    await asyncio.sleep(SETTLE_S)
    for task in tasks:
        if task.done():
            task.result()  # only an error ends it
    before, used = (overruns, scans), cpu_s()
    await asyncio.sleep(seconds)
    after, used = (overruns, scans), cpu_s() - used
    ended.set()
    for task in tasks:
        task.cancel()
    await asyncio.gather(beginning, *tasks, return_exceptions=True)
    return told(after[0] - before[0], after[1] - before[1], used, seconds)


def run(way: str, count: int, seconds: float, period_s: float = 1.0) -> dict[str, Any]:
    """What a watching process of its own saw of so many panels."""
    with tempfile.TemporaryDirectory() as name, peers(count) as ports:
        Path(name, "plant.yaml").write_text(plant_text(ports, period_s), encoding="utf-8")
        Path(name, "ports.json").write_text(json.dumps(ports), encoding="utf-8")
        command = [
            sys.executable, "-m", "tests.bench.speed.many_panels", way, name, f"{seconds:g}",
            f"{period_s:g}",
        ]  # fmt: skip
        done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
        found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        return found


def carried(way: str, seconds: float, low: int, high: int, steps: int) -> int:
    """The most scans a second that a process carries, by halving the number of its panels."""
    for _ in range(steps):
        middle = (low + high) // 2
        seen = run(way, middle, seconds, FAST_S)
        if seen["overruns"] <= TOO_LATE * seen["scans"]:
            low = middle
        else:
            high = middle
    return round(low / FAST_S)


def measure(*, quick: bool) -> list[Figure]:
    """What 1, 10, 100 and 1 000 panels cost, and how many one core carries."""
    seconds = 3.0 if quick else 10.0
    found: list[Figure] = []
    for count in (1, 10) if quick else (1, 10, 100, 1000):
        ours, bare = run("daemon", count, seconds), run("bare", count, seconds)
        note = (
            f"{ours['cpu']:.3f} of a core, bare {bare['cpu']:.3f}; {ours['mib']:.0f} MiB, bare "
            f"{bare['mib']:.0f}; {ours['overruns']} of {ours['scans']} scans skipped"
        )
        ratio = [ours["cpu"] / bare["cpu"]]
        found.append(of(f"{count} panels a second: processor over bare", ratio, detail=note))
        found.append(of(f"{count} panels: memory", [ours["mib"]], "MiB"))
    if quick:
        return found
    ours_most, bare_most = (carried(way, 5.0, 100, 1300, 5) for way in ("daemon", "bare"))
    found.append(
        of("scans a second that a core carries, over the bare loop", [ours_most / bare_most],
           target=Target("at least", 0.8), detail=f"{ours_most}, bare {bare_most}")
    )  # fmt: skip
    return found


def main() -> None:
    """Play the watching process, on the first core; the panels have the others."""
    if len(sys.argv) != 5 or sys.argv[1] not in ("daemon", "bare"):
        sys.exit(
            "expected: daemon|bare FOLDER SECONDS PERIOD; 'tests.bench many_panels' gives them"
        )
    way, folder, seconds, period_s = (
        sys.argv[1], Path(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])
    )  # fmt: skip
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    os.sched_setaffinity(0, {0})
    start_logging(LogSettings(level="error"))
    if way == "daemon":
        print(asyncio.run(watch(folder, seconds)))
    else:
        ports = json.loads((folder / "ports.json").read_text(encoding="utf-8"))
        print(asyncio.run(watch_bare(ports, seconds, period_s)))


if __name__ == "__main__":
    main()
