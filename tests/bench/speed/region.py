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
import json
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

from tests.bench.speed.figures import Figure, of
from tests.bench.speed.load import Day, Order, day_of
from tests.bench.speed.load_run import LATE_S, LATE_SHARE, Run, Use, publish, store
from tests.real_parts import Server, fetch, mosquitto, running, victoria_metrics

MOST = 2_000_000
LONGEST = 100.0  # s; a store ends a connection after two minutes
LADDER = (0.25, 0.5, 0.75, 0.9, 1.0, 1.2, 1.5, 2.0)
TRIES = 3  # of a step before it counts as full; a machine that others use stalls now and then


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
        seconds = min(4.0, (10_000 if self.quick else 120_000) / a_second)
        return replace(order, times=times, most=MOST, seconds=seconds)


def journal_of(folder: Path, days: int) -> Path:
    """The example plant's journal of some days."""
    command = [sys.executable, "-m", "collector", "demo", "--days", str(days), "--keep"]
    subprocess.run([*command, str(folder)], check=True, stdout=subprocess.DEVNULL)
    return folder / "weirkeeper.journal"


@contextlib.contextmanager
def ground(*, quick: bool) -> Iterator[Ground]:
    """Have the example plant play a day, and a folder for the rest."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        journal = journal_of(folder, 1)
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
        for _ in range(TRIES):
            run = one(ground.paced(order, share * top), server.pid)
            if run.holds:
                break
        figures.append(
            of(
                f"{name}: wait at {share:.0%} of flat out",
                [run.wait_ms(0.5)],
                "ms",
                None,
                f"99th percentile {run.wait_ms(0.99):.1f} ms; offered {share * top:.0f}/s, "
                f"{run.in_time:.1%} in time; {1e6 * run.server_cpu_s / run.arrived:.1f} µs of its "
                f"processor each; {run.shares(name)}",
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
    quick = ground.quick
    broker = mosquitto(ground.folder / "broker")
    with running(broker):
        # No more together than the broker is set up to queue for a subscriber that lags.
        order = ground.order(broker.port, 50 if quick else 100, 100 if quick else 1000)
        runs = [publish(order, broker.pid) for _ in range(1 if quick else 5)]
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
        cost = 1e6 * run.server_cpu_s / run.arrived
        figures.append(
            of(f"broker: processor time a message, {collectors} collectors", [cost], "µs", None,
               f"{0.25 * top:.0f}/s together, {run.in_time:.1%} in time, median "
               f"{run.wait_ms(0.5):.1f} ms, 99th percentile {run.wait_ms(0.99):.1f} ms")
        )  # fmt: skip
    carried = 1e6 / cost / ground.day.a_second
    return [
        *figures,
        of("broker: plants a core carries at their mean rate", [carried], "", None,
           f"{ground.day.a_second:.4f} messages/s each, at the cost with {collectors} collectors; "
           "says nothing of bursts, connections and memory"),
    ]  # fmt: skip


def store_figures(ground: Ground) -> list[Figure]:
    """Rows in full batches, as after an outage, and as they come."""
    quick, day = ground.quick, ground.day
    server = victoria_metrics(ground.folder / "store")
    with running(server):
        order = ground.order(server.port, 10 if quick else 40, 500 if quick else 2000)
        cold = store(order, server.pid)
        created = series_in(server.port)
        runs = [store(order, server.pid) for _ in range(1 if quick else 5)]
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
            of("store: processor time a series it had not seen",
               [1e6 * max(0.0, cold.server_cpu_s - runs[0].server_cpu_s) / created], "µs", None,
               f"{created} series of {order.collectors} plants; the first run less the second"),
            of("store: memory a series it had not seen", [cold.grown / created], "B", None,
               "resident, with the caches it is given here"),
            of("store: memory", [Use.of(server.pid).memory / 2**20], "MiB", None,
               "at the end; it is given 64 MiB for its caches"),
        ]  # fmt: skip
    return [*figures, *disk_figures(ground)]


def disk_figures(ground: Ground) -> list[Figure]:
    """What a plant's day takes on the store's disk, by the difference of some plants and more."""
    folder = ground.folder / "store_disk"
    folder.mkdir()
    days, few, many = (1, 1, 2) if ground.quick else (10, 2, 4)
    journal = journal_of(folder, days)
    records = len(day_of(journal).records)
    sizes: list[tuple[int, int]] = []
    rows: list[int] = []
    series: list[int] = []
    for collectors in (few, many):
        server = victoria_metrics(folder / f"of_{collectors}")
        with running(server):
            order = replace(ground.order(server.port, collectors, records), journal=journal)
            rows.append(store(order).sent.confirmed)
            for call in ("force_flush", "force_merge"):
                fetch(f"http://127.0.0.1:{server.port}/internal/{call}")
            series.append(series_in(server.port))
            sizes.append(settled(folder / f"of_{collectors}" / "data"))
    data, index = (more - less for less, more in zip(*sizes, strict=True))
    return [
        of("store: bytes a row on its disk", [data / (rows[1] - rows[0])], "B", None,
           f"{days} days of {many} plants less those of {few}, after a merge: "
           f"{rows[1] - rows[0]} rows, {data} B"),
        of("store: series a plant", [(series[1] - series[0]) / (many - few)], "", None,
           "a field each"),
        of("store: bytes a plant and day in its index", [index / (many - few) / days], "B", None,
           "it lists the series of each day anew"),
    ]  # fmt: skip


def series_in(port: int) -> int:
    """How many series the store knows, by its own count."""
    fetch(f"http://127.0.0.1:{port}/internal/force_flush")
    counted: int = json.loads(fetch(f"http://127.0.0.1:{port}/api/v1/series/count"))["data"][0]
    return counted


def settled(folder: Path) -> tuple[int, int]:
    """Bytes of the store's data and of its index, when merging has come to rest."""
    before, now = (-1, -1), (0, 0)
    for _ in range(20):
        before, now = now, (bytes_in(folder / "data"), bytes_in(folder / "indexdb"))
        if before == now:
            break
        time.sleep(1.0)
    return now


def bytes_in(folder: Path) -> int:
    """Of all files below a folder; a merge may take one away meanwhile."""
    size = 0
    for file in folder.rglob("*"):
        with contextlib.suppress(FileNotFoundError):
            size += file.stat().st_size if file.is_file() else 0
    return size


def measure(*, quick: bool) -> list[Figure]:
    """All of it."""
    with ground(quick=quick) as here:
        return [*plant_figures(here.day), *broker_figures(here), *store_figures(here)]


# --- by hand --------------------------------------------------------------------------------------


def in_words(name: str, run: Run, seconds: float) -> str:
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
    addresses = (f"//{asked.broker or 'own'}", asked.store or "http://own")
    for option, address, scheme in zip(("broker", "store"), addresses, ("", "http"), strict=True):
        try:
            urlsplit(address).port  # noqa: B018 — looking at it is the check
            known = urlsplit(address).scheme == scheme and urlsplit(address).hostname
        except ValueError:
            known = None
        if not known:
            wanted = "HOST:PORT" if option == "broker" else "http://HOST:PORT"
            asking.error(f"--{option}: found {getattr(asked, option)}, expected {wanted}")
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
            print(in_words("broker", publish(there, pid), asked.rate), flush=True)
        if both or asked.store:
            at, pid = urlsplit(asked.store or ""), 0
            if not asked.store:
                server = stack.enter_context(running(victoria_metrics(here.folder / "store")))
                at, pid = urlsplit(f"http://127.0.0.1:{server.port}"), server.pid
            there = replace(order, host=at.hostname or "127.0.0.1", port=at.port or 8428)
            print(in_words("store", store(there, pid), asked.rate))
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except OSError as problem:
        sys.exit(f"region: {problem}")
