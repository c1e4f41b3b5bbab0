"""What one broker and one store carry: played collectors against the real ones, until they fill.

    .venv/bin/python -m tests.bench.speed.region --collectors 100 --rate 500 --seconds 10
        [--broker HOST:PORT] [--store http://HOST:PORT] [--root weirkeeper_load]

The records are those of a day of the example plant; ``--rate`` is in multiples of its mean rate, 0
sends as fast as is taken. Without ``--broker`` and ``--store`` both are started here, on loopback,
and what they and the generator use of the processors is told too. Of a broker that was there before
everything retained below the root is taken away again; a store keeps what was written, under the
plants ``load_...``. Never point it at what a real plant depends on.

A place is full where fewer than 98 of 100 arrive within a second of when they were due, or within a
tenth of the run where that is less, so that a short run too shows a queue that grows.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlsplit

from tests.bench.speed.figures import Figure, of
from tests.bench.speed.load import (
    DAY_US,
    Client,
    Day,
    Heard,
    Order,
    Publisher,
    Sent,
    StoreWriter,
    Subscriber,
    day_of,
    play,
)
from tests.real_parts import Server, fetch, mosquitto, running, victoria_metrics

LATE_S = 1.0
LATE_SHARE = 0.1
HOLDS = 0.98
DRAIN_S = 20.0
MOST = 2_000_000
LONGEST = 100.0  # s; a store ends a connection after two minutes
LADDER = (0.25, 0.5, 0.75, 0.9, 1.0, 1.2)
TICKS = os.sysconf("SC_CLK_TCK")


# --- the processes --------------------------------------------------------------------------------


def send(order: Order, writes: bool, pipe: Connection) -> None:
    """Make all, say so, begin when told, and tell what came of it."""
    sent, day = Sent(), day_of(order.journal)
    begin_utc_us = int(time.time() * 1e6)
    if not order.times:
        begin_utc_us -= (order.most // len(day.records) + 2) * DAY_US
    kind = StoreWriter if writes else Publisher
    clients: list[Publisher | StoreWriter] = [
        kind(order, day, number, sent, begin_utc_us) for number in range(order.collectors)
    ]
    pipe.send(None)
    pipe.recv()
    for client in clients:
        client.open()
    sent.late_s = time.time() - begin_utc_us / 1e6
    playing: list[Client] = list(clients)
    play(playing, sent, order.seconds + DRAIN_S)
    pipe.send(sent)
    pipe.recv()
    for client in clients:
        client.leave(order.clear)


def hear(order: Order, _: bool, pipe: Connection) -> None:
    """Hear, until as much has come as the publishers say was taken, or it has long been enough."""
    subscriber = Subscriber(order)
    pipe.send(None)
    pipe.recv()
    cpu_s, expected, until_s = time.process_time(), None, 0.0
    while expected is None or (subscriber.heard.messages < expected and time.monotonic() < until_s):
        subscriber.listen()
        if expected is None and pipe.poll():
            expected, until_s = pipe.recv(), time.monotonic() + DRAIN_S
    subscriber.heard.cpu_s = time.process_time() - cpu_s
    pipe.send(subscriber.heard)
    pipe.recv()
    subscriber.leave()


@contextlib.contextmanager
def at_work(work: object, order: Order, writes: bool) -> Iterator[Connection]:
    """A process of its own; ended by its id if it does not end by itself."""
    context = multiprocessing.get_context("fork")  # nothing here has threads
    ours, theirs = context.Pipe()
    process = context.Process(target=work, args=(order, writes, theirs))  # type: ignore[arg-type]
    process.start()
    theirs.close()
    try:
        yield ours
        ours.send(None)
        process.join(30)
    finally:
        if process.is_alive():
            process.kill()
            process.join()


# --- one run --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Use:
    """What a process has used."""

    cpu_s: float = 0.0
    memory: float = 0.0

    @classmethod
    def of(cls, pid: int) -> Use:
        """As proc(5) tells it: user and system time, resident bytes; nothing for pid 0."""
        if not pid:
            return cls()
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        resident = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        return cls(
            (int(fields[11]) + int(fields[12])) / TICKS, resident * os.sysconf("SC_PAGESIZE")
        )


@dataclass(frozen=True)
class Run:
    """What one run showed; ``waits_s`` from due to heard or confirmed, sorted."""

    order: Order
    sent: Sent
    arrived: int
    seconds: float
    waits_s: list[float]
    server_cpu_s: float
    memory: float
    grown: float
    hearing_cpu_s: float = 0.0

    @property
    def a_second(self) -> float:
        return self.arrived / self.seconds

    @property
    def in_time(self) -> float:
        """Share of what was due that arrived soon enough."""
        bound_s = min(LATE_S, LATE_SHARE * self.order.seconds)
        return sum(wait_s <= bound_s for wait_s in self.waits_s) / max(1, self.sent.offered)

    def wait_ms(self, share: float) -> float:
        return 1e3 * self.waits_s[min(len(self.waits_s) - 1, int(share * len(self.waits_s)))]

    @property
    def holds(self) -> bool:
        return self.in_time >= HOLDS and self.wait_ms(0.99) <= 1e3 * LATE_S

    def shares(self, server: str) -> str:
        """Of one core, what each took, and which was busiest."""
        parts = {
            server: self.server_cpu_s,
            "generator": self.sent.cpu_s,
            "subscriber": self.hearing_cpu_s,
        }
        told = {name: cpu_s / self.seconds for name, cpu_s in parts.items() if cpu_s}
        if not told:
            return ""
        busiest = max(told, key=lambda name: told[name])
        words = ", ".join(f"{name} {share:.0%}" for name, share in told.items())
        return f"of a core: {words}; busiest: {busiest}"


def seconds_of(stamp: bytes) -> float:
    """Seconds since 1970 of an instant in a payload."""
    return datetime.fromisoformat(stamp.decode()).timestamp()


def publish(order: Order, pid: int = 0) -> Run:
    """One run against a broker."""
    before = Use.of(pid)
    with at_work(hear, order, False) as hearing, at_work(send, order, False) as sending:
        for pipe in (sending, hearing):
            pipe.recv()
        begun = Use.of(pid)
        hearing.send(None)
        sending.send(None)
        sent: Sent = sending.recv()
        hearing.send(sent.confirmed - sent.refused)
        heard: Heard = hearing.recv()
        after = Use.of(pid)
    waits_s = sorted(at_s - seconds_of(stamp) - sent.late_s for at_s, stamp in heard.arrived)
    return Run(
        order, sent, heard.messages, max(heard.ended_s, sent.ended_s) - sent.begun_s, waits_s,
        after.cpu_s - begun.cpu_s, after.memory, after.memory - before.memory, heard.cpu_s,
    )  # fmt: skip


def store(order: Order, pid: int = 0) -> Run:
    """One run against a store."""
    before = Use.of(pid)
    with at_work(send, order, True) as sending:
        sending.recv()
        begun = Use.of(pid)
        sending.send(None)
        sent: Sent = sending.recv()
        after = Use.of(pid)
    return Run(
        order, sent, sent.confirmed, sent.ended_s - sent.begun_s, sorted(sent.waits_s),
        after.cpu_s - begun.cpu_s, after.memory, after.memory - before.memory,
    )  # fmt: skip


# --- measuring ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ground:
    """What the measurements stand on: a day, a folder, and how much of everything.

    Args:
        day, journal: of the example plant.
        folder: to work in.
        quick: small amounts.
    """

    day: Day
    journal: Path
    folder: Path
    quick: bool

    def order(self, port: int, collectors: int, most: int) -> Order:
        """All of it as fast as it is taken."""
        return Order(self.journal, "127.0.0.1", port, collectors, 0.0, most, 60.0)

    def paced(self, order: Order, a_second: float) -> Order:
        """Together so many a second, for a few seconds."""
        times = a_second / (order.collectors * self.day.a_second)
        seconds = min(4.0, (10_000 if self.quick else 80_000) / a_second)
        return replace(order, times=times, most=MOST, seconds=seconds)


@contextlib.contextmanager
def ground(*, quick: bool) -> Iterator[Ground]:
    """Have the example plant play a day, and a folder for the rest."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        play_a_day = [sys.executable, "-m", "collector", "demo", "--days", "1", "--keep", name]
        subprocess.run(play_a_day, check=True, stdout=subprocess.DEVNULL)
        journal = folder / "weirkeeper.journal"
        yield Ground(day_of(journal), journal, folder, quick)


def plant_figures(day: Day) -> list[Figure]:
    """What one plant sends."""
    seconds = Counter(record.at_us // 1_000_000 for record in day.records)
    minutes = Counter(record.at_us // 60_000_000 for record in day.records)
    begun_us = day.records[0].at_us
    for counted, unit_us in ((seconds, 1_000_000), (minutes, 60_000_000)):
        del counted[begun_us // unit_us]  # the beginning tells everything at once
    hourly = [n for second, n in seconds.items() if second % 3600 == 0]
    instants = len({record.at_us for record in day.records})
    return [
        of("one plant: records a day", [float(len(day.records))]),
        of("one plant: records in its busiest second", [float(max(seconds.values()))], "", None,
           f"{max(minutes.values())} in its busiest minute; on the hour at most {max(hourly)}"),
        of("one plant: records of one instant", [len(day.records) / instants], "", None,
           f"{instants} instants a day, so many writes to a store"),
    ]  # fmt: skip


def climb(ground: Ground, order: Order, top: float, server: Server, name: str) -> list[Figure]:
    """Rising rates until it no longer holds: the highest that did, and how late things were."""
    one = store if name == "store" else publish
    figures, highest = [], 0.0
    for share in (0.5,) if ground.quick else LADDER:
        run = one(ground.paced(order, share * top), server.pid)
        figures.append(
            of(
                f"{name}: wait at {share:.0%} of flat out",
                [run.wait_ms(0.5)],
                "ms",
                None,
                f"99th percentile {run.wait_ms(0.99):.1f} ms; offered {share * top:.0f}/s, "
                f"{run.in_time:.1%} in time; {run.shares(name)}",
            )
        )
        if not run.holds:
            break
        highest = share
    return [
        of(f"{name}: highest rate that holds, over flat out", [highest], "", None,
           f"{highest * top:.0f}/s"), *figures,
    ]  # fmt: skip


def broker_figures(ground: Ground) -> list[Figure]:
    """Messages with QoS 1 from many, all heard by one subscriber with QoS 1."""
    quick, day = ground.quick, ground.day
    broker = mosquitto(ground.folder / "broker")
    with running(broker):
        order = ground.order(broker.port, 50 if quick else 100, 100 if quick else 700)
        runs = [publish(order, broker.pid) for _ in range(1 if quick else 3)]
        rates = [run.a_second for run in runs]
        costs = [1e6 * run.server_cpu_s / run.arrived for run in runs]
        size = runs[0].sent.size / runs[0].sent.offered
        top = of("broker: messages a second, flat out", rates, "/s", None,
                 f"{order.collectors} collectors; {runs[0].shares('broker')}")  # fmt: skip
        figures = [
            top,
            of("broker: bytes a message, topic and payload", [size], "B", None,
               f"{size * top.value / 1e6:.1f} MB/s in, as much out"),
            of("broker: processor time a message, in and out", costs, "µs", None,
               f"broker alone; generator {1e6 * runs[0].sent.cpu_s / runs[0].arrived:.0f}, "
               f"subscriber {1e6 * runs[0].hearing_cpu_s / runs[0].arrived:.0f}"),
            of("broker: plants a core carries at their mean rate",
               [1e6 / cost / day.a_second for cost in costs], "", None,
               f"{day.a_second:.4f} messages/s each; says nothing of bursts and memory"),
            *climb(ground, order, top.value, broker, "broker"),
        ]  # fmt: skip
    return [*figures, *crowd_figures(ground, top.value)]


def crowd_figures(ground: Ground, top: float) -> list[Figure]:
    """What a connection costs, and what a plant's retained state does."""
    few, many = (5, 20) if ground.quick else (10, 200)
    seen = []
    for collectors in (few, many):
        broker = mosquitto(ground.folder / f"broker_{collectors}")
        with running(broker):
            order = replace(ground.order(broker.port, collectors, 0), states=True)
            seen.append(publish(order, broker.pid))
    each = seen[1].sent.offered / many
    memory = (seen[1].memory - seen[0].memory) / (many - few)
    figures = [
        of("broker: memory a plant, connected, state retained", [memory / 1024], "KiB", None,
           f"{each:.0f} retained topics each; {seen[0].memory / 2**20:.1f} MiB with {few} plants, "
           f"{seen[1].memory / 2**20:.1f} with {many}"),
        of("broker: messages a plant sends on connecting", [each]),
    ]  # fmt: skip
    for collectors in (200,) if ground.quick else (10, 100, 1000):
        broker = mosquitto(ground.folder / f"broker_paced_{collectors}")
        with running(broker):
            order = ground.order(broker.port, collectors, 0)
            run = publish(ground.paced(order, 0.25 * top), broker.pid)
        figures.append(
            of(f"broker: processor time a message, {collectors} collectors",
               [1e6 * run.server_cpu_s / run.arrived], "µs", None,
               f"{0.25 * top:.0f}/s together, {run.in_time:.1%} in time, median "
               f"{run.wait_ms(0.5):.1f} ms, 99th percentile {run.wait_ms(0.99):.1f} ms")
        )  # fmt: skip
    return figures


def store_figures(ground: Ground) -> list[Figure]:
    """Rows in full batches, as after an outage, and as they come."""
    quick, day = ground.quick, ground.day
    server = victoria_metrics(ground.folder / "store")
    with running(server):
        order = ground.order(server.port, 10 if quick else 40, 500 if quick else 2000)
        store(replace(order, collectors=5, most=500), server.pid)  # warms up
        runs = [store(order, server.pid) for _ in range(1 if quick else 3)]
        rates = [run.a_second for run in runs]
        costs = [1e6 * run.server_cpu_s / run.arrived for run in runs]
        size = runs[0].sent.size / runs[0].sent.offered
        top = of("store: rows a second, flat out in batches of 500", rates, "/s", None,
                 f"{order.collectors} collectors; {runs[0].shares('store')}")  # fmt: skip
        single = store(replace(order, single=True, most=order.most // 4), server.pid)
        cost = 1e6 * single.server_cpu_s / single.arrived
        figures = [
            top,
            of("store: bytes a row sent", [size], "B", None, f"{size * top.value / 1e6:.1f} MB/s"),
            of("store: processor time a row, batches of 500", costs, "µs", None,
               f"store alone; generator {1e6 * runs[0].sent.cpu_s / runs[0].arrived:.0f}"),
            of("store: rows a second, one instant a write", [single.a_second], "/s", None,
               f"{single.sent.confirmed / single.sent.writes:.2f} rows a write; "
               f"{single.shares('store')}"),
            of("store: processor time a row, one instant a write", [cost], "µs"),
            of("store: plants a core carries at their mean rate", [1e6 / cost / day.a_second],
               "", None, "with a write for each instant"),
            *climb(ground, order, top.value, server, "store"),
            of("store: memory", [Use.of(server.pid).memory / 2**20], "MiB", None,
               "at the end; it is given 64 MiB for its caches"),
        ]  # fmt: skip
    return [*figures, *disk_figures(ground)]


def disk_figures(ground: Ground) -> list[Figure]:
    """What a plant's day takes on the store's disk, by the difference of some plants and more."""
    sizes, rows = [], []
    folder = ground.folder / "store_disk"
    few, many = (1, 2) if ground.quick else (5, 20)
    server = victoria_metrics(folder)
    with running(server):
        for collectors in (few, many):
            order = ground.order(server.port, collectors, len(ground.day.records))
            rows.append(store(order).sent.confirmed)
            for call in ("force_flush", "force_merge"):
                fetch(f"http://127.0.0.1:{server.port}/internal/{call}")
            time.sleep(2.0)  # merging has no end that is told
            sizes.append([
                sum(file.stat().st_size for file in (folder / "data" / part).rglob("*")
                    if file.is_file())
                for part in ("data", "indexdb")
            ])  # fmt: skip
    row = sizes[1][0] / sum(rows)
    return [
        of("store: bytes a row on its disk", [row], "B", None,
           f"{sum(rows)} rows of {many} plants, {few} of them twice; {sizes[1][0]} B"),
        of("store: bytes a plant in its index", [(sizes[1][1] - sizes[0][1]) / (many - few)], "B"),
    ]  # fmt: skip


def measure(*, quick: bool) -> list[Figure]:
    """All of it."""
    with ground(quick=quick) as here:
        return [*plant_figures(here.day), *broker_figures(here), *store_figures(here)]


# --- by hand --------------------------------------------------------------------------------------


def told(name: str, run: Run, seconds: float) -> str:
    """A run in words."""
    sent = run.sent
    unit = "messages" if name == "broker" else "rows"
    lines = [
        (f"{name}: {sent.offered} {unit} offered, {run.arrived} arrived ({run.in_time:.1%} within "
        f"{min(LATE_S, LATE_SHARE * run.order.seconds):g} s), {sent.refused} refused"),
        (f"  {run.a_second:.0f} {unit}/s, {sent.size / run.seconds / 1e6:.2f} MB/s "
        f"for {run.seconds:.1f} s"),
    ]  # fmt: skip
    if seconds:
        lines.append(f"  wait: median {run.wait_ms(0.5):.1f} ms, 99th percentile "
                     f"{run.wait_ms(0.99):.1f} ms; {'holds' if run.holds else 'FULL'}")  # fmt: skip
    if sent.writes:
        writes = sorted(sent.writes_s)
        lines.append(f"  {sent.writes} writes, median {1e3 * writes[len(writes) // 2]:.1f} ms, "
                     f"longest {1e3 * writes[-1]:.1f} ms")  # fmt: skip
    if run.server_cpu_s:
        lines.append(f"  {1e3 * run.server_cpu_s / (run.arrived / 1000):.1f} ms of processor for "
                     f"1000 {unit}; memory {run.memory / 2**20:.0f} MiB")  # fmt: skip
    return "\n".join([*lines, f"  {run.shares(name)}"])


def main() -> int:
    """Load what is named, or what is started here."""
    asking = argparse.ArgumentParser(
        prog="python -m tests.bench.speed.region", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    asking.add_argument("--collectors", type=int, default=100, metavar="N")
    asking.add_argument(
        "--rate",
        type=float,
        default=500.0,
        metavar="X",
        help="multiples of the mean rate of a real plant; 0: as fast as is taken",
    )
    asking.add_argument("--seconds", type=float, default=10.0, metavar="S")  # fmt: skip
    asking.add_argument("--broker", metavar="HOST:PORT", help="that is there already")
    asking.add_argument("--store", metavar="URL", help="that is there already")
    asking.add_argument("--root", default="weirkeeper_load", help="first topic level, and bucket")
    asked = asking.parse_args()
    if asked.collectors < 1 or asked.rate < 0 or not 0 < asked.seconds <= LONGEST:
        asking.error(
            f"expected 1 collector or more, a rate of 0 or more, and at most {LONGEST:g} seconds"
        )
    with ground(quick=False) as here, contextlib.ExitStack() as stack:
        count = asked.collectors * (asked.rate * here.day.a_second * asked.seconds or 1000)
        if count > MOST:
            asking.error(f"that is {count:.0f} messages, and at most {MOST} are made beforehand")
        order = replace(
            here.order(0, asked.collectors, MOST if asked.rate else 1000), times=asked.rate,
            seconds=asked.seconds, root=asked.root,
        )  # fmt: skip
        both = asked.broker is None and asked.store is None
        if both or asked.broker:
            at = urlsplit(f"//{asked.broker}") if asked.broker else None
            pid = 0
            if at is None:
                server = stack.enter_context(running(mosquitto(here.folder / "broker")))
                at, pid = urlsplit(f"//127.0.0.1:{server.port}"), server.pid
            there = replace(
                order, host=at.hostname or "127.0.0.1", port=at.port or 1883, clear=not pid
            )
            print(told("broker", publish(there, pid), asked.rate), flush=True)
        if both or asked.store:
            at, pid = urlsplit(asked.store or ""), 0
            if not asked.store:
                server = stack.enter_context(running(victoria_metrics(here.folder / "store")))
                at, pid = urlsplit(f"http://127.0.0.1:{server.port}"), server.pid
            there = replace(order, host=at.hostname or "127.0.0.1", port=at.port or 8428)
            print(told("store", store(there, pid), asked.rate))
    return 0


if __name__ == "__main__":
    sys.exit(main())
