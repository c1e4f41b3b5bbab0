"""One run of played collectors against a broker or a store: the processes, and what each used.

The sending process makes all before it begins; a subscriber is a process of its own.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from tests.bench.speed.load import (
    Client,
    Heard,
    Order,
    Publisher,
    Sent,
    StoreWriter,
    Subscriber,
    day_of,
    play,
)

LATE_S = 1.0
LATE_SHARE = 0.1
HOLDS = 0.98
DRAIN_S = 20.0
TICKS = os.sysconf("SC_CLK_TCK")


# --- the processes --------------------------------------------------------------------------------


def send(order: Order, writes: bool, pipe: Connection) -> None:
    """Make all, say so, begin when told, and tell what came of it."""
    sent, day = Sent(), day_of(order.journal)
    begin_utc_us = int(time.time() * 1e6)
    if not order.times:
        begin_utc_us -= (order.most // len(day.records) + 2) * day.length_us
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


def told_to(pipe: Connection, work: Callable[..., None], order: Order, writes: bool) -> None:
    """Do the work, and tell of a connection that fails."""
    try:
        work(order, writes, pipe)
    except OSError as error:
        pipe.send(OSError(f"{order.host}:{order.port}: {error.strerror or error}"))


def taken(pipe: Connection) -> Any:
    """What a process tells.

    Raises:
        OSError: it could not connect, or was cut off.
    """
    found = pipe.recv()
    if isinstance(found, OSError):
        raise found
    return found


@contextlib.contextmanager
def at_work(work: Callable[..., None], order: Order, writes: bool) -> Iterator[Connection]:
    """A process of its own; ended by its id if it does not end by itself."""
    context = multiprocessing.get_context("fork")  # nothing here has threads
    ours, theirs = context.Pipe()
    process = context.Process(target=told_to, args=(theirs, work, order, writes))
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
            taken(pipe)
        begun = Use.of(pid)
        hearing.send(None)
        sending.send(None)
        sent: Sent = taken(sending)
        hearing.send(sent.confirmed - sent.refused)
        heard: Heard = taken(hearing)
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
        taken(sending)
        begun = Use.of(pid)
        sending.send(None)
        sent: Sent = taken(sending)
        after = Use.of(pid)
    return Run(
        order, sent, sent.confirmed, sent.ended_s - sent.begun_s, sorted(sent.waits_s),
        after.cpu_s - begun.cpu_s, after.memory, after.memory - before.memory,
    )  # fmt: skip
