"""Power cuts of a journal's life: at any instant, with whatever the disk had not yet synced.

What a cut may leave is in ``faulty_disk.py``. A life is recorded once, each write and sync with the
acknowledgements at the places where they were given; each cut puts one state together and the
journal is opened on it.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.core.records import Record
from collector.journal import Journal
from tests.faults.faulty_disk import MEMORY, RecordingDisk, Step, cut_power
from tests.faults.journal_operations import (
    SIGNER,
    Life,
    Size,
    audited,
    hand_in,
    killed,
    nothing,
    of_layout_one,
)
from tests.faults.judging import OUTLET, judge, last_number
from tests.faults.tally import Findings
from tests.unit.journal.samples import wall_us


@dataclass(frozen=True)
class Plan:
    """A life to record.

    Args:
        name: for people.
        prepare: makes what is there, and on the disk, before it begins.
        sizes: batches, committed one after the other; the journal is closed and opened in between.
        room_bytes: size limit.
        keep_years: how long the audited record is kept.
    """

    name: str
    prepare: Callable[[Path], int]
    sizes: tuple[Size, ...]
    room_bytes: int = 1 << 20
    keep_years: float = 5.0


SMALL = (Size(9, 1), Size(9, 2), Size(6, 30), Size(9, 1), Size(6, 5), Size(3, 60))
PLANS = (
    Plan("many small commits", nothing, SMALL * 2),
    Plan("deleting at the size limit", nothing, (Size(16, 150), Size(16, 150)), 512 << 10),
    Plan("shortening the audited record", audited, (Size(4, 10, 60),), 512 << 10, 0.0),
    Plan("recovering a killed one's log", killed, (Size(3, 20),)),
    Plan("bringing layout 1 up to date", of_layout_one, (Size(3, 20),)),
)


@dataclass(frozen=True)
class Recorded:
    """A life as the disk saw it.

    Args:
        name: of its plan.
        before: files there were.
        steps: all that was done to them, with the acknowledgements.
        first, last: the greatest number before and after.
    """

    name: str
    before: dict[str, bytes]
    steps: list[Step]
    first: int
    last: int


def record(plan: Plan) -> Recorded:
    """Live a life and note what it does to the disk."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name, RecordingDisk() as disk:
        path = Path(name) / "j"
        number = plan.prepare(path)
        before = {file.name: file.read_bytes() for file in path.parent.glob("j*")}
        life = Life(number)

        def on_commit(last: int, records: Sequence[Record]) -> None:
            del last
            if (told := last_number(records)) is not None:
                disk.mark(told)

        for size in plan.sizes:
            with Journal.open(
                path, wall_us=wall_us, commit_period_s=0, size_limit_bytes=plan.room_bytes,
                on_commit=on_commit, vfs=disk.name, outlets=[OUTLET], signer=SIGNER,
                keep_years=plan.keep_years,
            ) as journal:  # fmt: skip
                for _ in range(size.batches):
                    hand_in(journal, life, size)
                    journal.flush()
        return Recorded(plan.name, before, disk.steps, number, life.submitted)


def cut(life: Recorded, at: int, rng: random.Random) -> Findings:
    """Cut the power before step ``at``, come back, and judge the journal."""
    found = Findings()
    left = cut_power(life.steps, at, rng, life.before)
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        for file, content in left.files.items():
            (Path(name) / file).write_bytes(content)
        judge(Path(name) / "j", max(life.first, left.acknowledged), life.last, found)
    return found


def spread(life: Recorded, cuts: int, rng: random.Random) -> list[int]:
    """Instants over the whole of a life, each in its own part of it."""
    part = len(life.steps) / cuts
    return [min(len(life.steps), int(part * (n + rng.random()))) for n in range(cuts)]
