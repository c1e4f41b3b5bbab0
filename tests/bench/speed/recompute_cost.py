"""Deriving the past again, and a virtual month, beside bare sqlite3 reading the same rows.

Bare reads every row of an input, with its subject's name, and makes nothing of it. Processor time
of this process, the fastest of some runs, so that whoever else uses the machine does not count. A
virtual month is more: the plant is simulated, read, derived and written.

Two lines say what is out of reach however fast the estimates of the wells become: rows made into
inputs of which nobody makes anything, and an engine whose plant has no wells.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from collector.core.engine import Engine
from collector.core.pipeline import INPUT_KINDS, input_of
from collector.core.records import Input, Tick
from collector.journal.reader import JournalReader
from collector.plant.equipment import Well
from collector.plant_file import read_plant_file
from collector.recompute import PAGE, recompute
from collector.reports.eras import EVER_US, read_eras
from tests.bench.speed.demo_journal import virtual_days
from tests.bench.speed.figures import Figure, Target, in_turns, of, ratios
from tests.bench.speed.osier_peers import EXAMPLE

DAYS_A_YEAR = 365.0


def bare(path: Path) -> float:
    """Processor seconds of reading all rows of inputs."""
    kinds = ",".join(str(int(kind)) for kind in INPUT_KINDS)
    began_s = time.process_time()
    journal = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    rows = journal.execute(
        "SELECT r.*, s.name FROM record r JOIN subject s ON s.id = r.subject "  # noqa: S608 — constant
        f"WHERE s.kind IN ({kinds}) ORDER BY r.sequence"
    ).fetchall()
    took_s = time.process_time() - began_s
    journal.close()
    assert rows
    return took_s


def inputs_of(reader: JournalReader) -> Iterator[Input]:
    """All inputs on record, made as a recomputation makes them."""
    after = reader.first() - 1
    while page := reader.records_after(after, PAGE, INPUT_KINDS):
        for record in page:
            yield input_of(record)
        after = page[-1].sequence


def only_inputs(path: Path) -> float:
    """Processor seconds of making all inputs, and nothing of them."""
    with JournalReader(path) as reader:
        began_s = time.process_time()
        count = sum(1 for _ in inputs_of(reader))
        took_s = time.process_time() - began_s
    assert count
    return took_s


def without_wells(path: Path) -> float:
    """Processor seconds of deriving from all inputs what a plant without wells would."""
    plant = read_plant_file(EXAMPLE).plant
    dry = {name: part for name, part in plant.equipment.items() if not isinstance(part, Well)}
    plant = plant.model_copy(update={"equipment": dry})
    with JournalReader(path) as reader:
        start_us = reader.records_between(reader.first(), reader.head(), 1)[0].at_us
        engine = Engine(plant, start_us, EVER_US, judging=False, telling=False)
        began_s = time.process_time()
        for news in inputs_of(reader):
            while (at_us := engine.next_deadline_us()) <= news.by_us:
                engine.step(Tick(at_us))
            engine.step(news)
        return time.process_time() - began_s


def measure(*, quick: bool) -> list[Figure]:
    """Some days, laid out to a year."""
    days = 3 if quick else 30
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "source.journal"
        began_s = time.process_time()
        virtual_days(path, days)
        virtual_s = time.process_time() - began_s
        changes = 0

        def ours() -> float:
            nonlocal changes
            with JournalReader(path) as reader:
                began_s = time.process_time()
                changes = recompute(reader, read_eras(reader), 0, EVER_US, None, EVER_US).changes
                return time.process_time() - began_s

        rounds = 1 if quick else 3
        took, plain = in_turns(ours, lambda: bare(path), rounds)
        inputs, plain_then = in_turns(lambda: only_inputs(path), lambda: bare(path), rounds)
        dry, plain_last = in_turns(lambda: without_wells(path), lambda: bare(path), rounds)
    year_s = [each / days * DAYS_A_YEAR for each in took]
    return [
        of("recompute, over bare reading of its rows", ratios(took, plain),
           target=Target("at most", 5),
           detail=f"{changes / min(took):.0f} changes a second, bare {changes / min(plain):.0f}"),
        of("only rows made into inputs, over bare", ratios(inputs, plain_then),
           detail=f"{1e6 * min(inputs) / changes:.1f} us a change"),
        of("a plant without wells, over bare", ratios(dry, plain_last),
           detail=f"{1e6 * min(dry) / changes:.1f} us a change, "
           f"{min(dry) / days * DAYS_A_YEAR:.0f} s a plant-year"),
        of("recompute of a plant-year", year_s, "s", Target("at most", 20),
           f"{changes / days:.0f} changes a day"),
        of("virtual month, simulated, derived and written", [virtual_s / days * 30], "s",
           detail=f"over bare reading {virtual_s / min(plain):.0f}"),
    ]  # fmt: skip
