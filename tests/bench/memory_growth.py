"""Whether memory stays as it is over a month at ten times the normal rate of change.

    .venv/bin/python -m tests.bench.memory_growth [--days D] [--traced]

The invented plant lives ten days in each day that is watched, so that contacts move, wells fill and
alarms come ten times as often as on site. What watches is what the daemon has in its process:
readers, engine, alarms, service, notices, the journal's writer with a size limit that it soon
reaches, and a reader that follows it. Virtual time; a day takes some seconds.

Printed every so often: resident memory of this process (``VmRSS`` of proc_pid_status(5), simulator
and libraries included), objects that the collector's own objects reach, and with ``--traced`` what
Python has allocated (tracemalloc, which makes it slower); at the end the slope of each over the
second half, by least squares. Exit code 1 if resident memory grows by more than ``MOST_KIB_A_DAY``.
"""

from __future__ import annotations

import argparse
import gc
import re
import statistics
import sys
import tempfile
import tracemalloc
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from unittest import mock
from zoneinfo import ZoneInfo

from collector.core.catalogue import Catalogue
from collector.core.notices.courier import Courier, Outcome
from collector.core.notices.situation import KINDS, Situation
from collector.core.notices.wording import Words
from collector.core.pipeline import Pipeline
from collector.core.records import Record
from collector.journal import Alive, Journal, JournalReader
from collector.links.planning import plan_panel
from collector.plant_file import read_plant_file
from collector.rule_files import read_rule_files
from collector.virtual import SimulatedPanel, run_virtually
from simulator import truth
from simulator.plant import OsierBend
from tests.faults.faulty_disk import MEMORY
from tests.simulation.whole.growth import reached_by
from tests.unit.core.notices.world import ROUTES

PLANT = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
START_US = 1_780_000_000_000_000
DAY_US = 86_400_000_000
TIMES = 10
JOURNAL_BYTES = 16 << 20
STATE_RECORDS = 5_000
FORGET_US = 3_600_000_000
MOST_KIB_A_DAY = 64.0


class Hurried:
    """The invented plant, living so many times as fast as it is watched."""

    def __init__(self, times: int, seed: int = 1) -> None:
        # What the simulator keeps of the truth would grow, and nobody asks for it here.
        with mock.patch.object(truth, "HOURS_KEPT", 24):
            self._plant = OsierBend(seed, START_US)
        self._times = times

    @property
    def panels(self) -> Mapping[str, SimulatedPanel]:
        """As in ``OsierBend``."""
        return self._plant.panels

    def advance_to(self, at_us: int) -> None:
        """Let it live up to an instant of who watches."""
        self._plant.advance_to(START_US + self._times * (at_us - START_US))

    def advance_until_change(self, limit_us: int) -> int:
        """Let it live to the next change, or to an instant; the one reached, rounded up."""
        limit_us = START_US + self._times * (limit_us - START_US)
        reached_us = self._plant.advance_until_change(limit_us)
        return START_US - (START_US - reached_us) // self._times


class Watching:
    """What the daemon has in its process, but for its links and outlets."""

    def __init__(self, folder: Path) -> None:
        self.now_us = START_US
        plant_file = read_plant_file(PLANT)
        plant = plant_file.plant
        rules = read_rule_files(None, plant)
        self.plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
        self.pipeline = Pipeline(plant, self.plans, START_US, rules=rules)
        self.journal = Journal.open(
            folder / "journal", wall_us=lambda: self.now_us, commit_period_s=0.0,
            size_limit_bytes=JOURNAL_BYTES,
        )  # fmt: skip
        self.reader = JournalReader(folder / "journal")
        zone = ZoneInfo(plant.plant.time_zone)
        by_subject = {rule.subject: rule for rule in rules.alarms}
        words = Words(plant, Catalogue(plant), by_subject, ROUTES, zone)
        self.courier = Courier(Situation(), ROUTES, words, zone)
        self.records = 0
        self._since_state = 0
        self._forget_us = START_US
        self._step_us = START_US

    def take(self, records: list[Record]) -> None:
        """Commit what has come out, and let notices look at it."""
        self.now_us = records[-1].at_us
        self._commit(records)
        self.courier.take(self.reader.records_after(self.records - len(records), len(records)))
        if any(r.kind in KINDS for r in records) or self.now_us >= self._step_us:
            self._notify()
        if self.now_us >= self._forget_us:
            self.courier.situation.forget(self.now_us)
            self._forget_us = self.now_us + FORGET_US

    def close(self) -> None:
        """End it."""
        self.reader.close()
        self.journal.close()

    def _commit(self, records: list[Record]) -> None:
        self._since_state += len(records)
        state = None
        if self._since_state >= STATE_RECORDS:
            state, self._since_state = self.pipeline.save(), 0
        alive = Alive(self.now_us, self.now_us, "boot", self.pipeline.known_until_us())
        assert self.journal.submit(records, state=state, alive=alive)
        assert self.journal.flush(60.0)
        self.records = self.journal.head

    def _notify(self) -> None:
        """Tell people at once, with success."""
        while True:
            records, self._step_us = self.courier.step(self.now_us)
            if not records:
                return
            self._tell(records)
            for errand in self.courier.errands():
                self._tell([self.courier.done(errand, Outcome(True), self.now_us)])

    def _tell(self, records: list[Record]) -> None:
        before = self.records
        self._commit(records)
        self.courier.take(self.reader.records_after(before, len(records)))


@dataclass(frozen=True)
class Sample:
    """What there was at a moment.

    Args:
        day: days watched.
        records: committed so far.
        resident_kib, traced_kib: memory; traced is 0 where it was not asked for.
        objects: reached by the collector's own.
    """

    day: float
    records: int
    resident_kib: float
    traced_kib: float
    objects: float


def resident_kib() -> int:
    """Resident memory of this process."""
    found = re.search(r"^VmRSS:\s+(\d+) kB$", Path("/proc/self/status").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1])


def watch(days: float, samples: int, folder: Path, times: int = TIMES) -> Iterator[Sample]:
    """Watch the plant and say from time to time what there is.

    Args:
        days: to be watched.
        samples: how many.
        folder: for the journal.
        times: how many times as fast the plant lives.
    """
    plant, watching = Hurried(times), Watching(folder)
    try:
        begin_us = START_US
        for number in range(1, samples + 1):
            end_us = START_US + round(days * DAY_US * number / samples)
            run_virtually(watching.pipeline, watching.plans, plant, begin_us, end_us, watching.take)
            begin_us = end_us
            gc.collect()
            traced = tracemalloc.get_traced_memory()[0] if tracemalloc.is_tracing() else 0
            yield Sample(
                (end_us - START_US) / DAY_US, watching.records, resident_kib(), traced / 1024,
                reached_by(watching),
            )  # fmt: skip
    finally:
        watching.close()


def slope(samples: list[Sample], what: str) -> float:
    """How much of something comes each day over the second half, by least squares."""
    later = samples[len(samples) // 2 :]
    found = statistics.linear_regression(
        [sample.day for sample in later], [float(getattr(sample, what)) for sample in later]
    )
    return found.slope


def main() -> int:
    """Watch, print, and judge the slope."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.memory_growth")
    parser.add_argument("--days", type=float, default=30.0, help="to be watched")
    parser.add_argument("--traced", action="store_true", help="with tracemalloc")
    asked = parser.parse_args()
    if asked.traced:
        tracemalloc.start()
    samples: list[Sample] = []
    print(f"{'day':>6}{'records':>10}{'resident KiB':>14}{'traced KiB':>12}{'objects':>10}")
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        for sample in watch(asked.days, 30, Path(name)):
            samples.append(sample)
            print(
                f"{sample.day:6.2f}{sample.records:10}{sample.resident_kib:14.0f}"
                f"{sample.traced_kib:12.0f}{sample.objects:10.0f}",
                flush=True,
            )
    grows = slope(samples, "resident_kib")
    print(
        f"slope over the second half, a day: resident {grows:+.1f} KiB, "
        f"traced {slope(samples, 'traced_kib'):+.1f} KiB, objects {slope(samples, 'objects'):+.0f}"
    )
    return 0 if grows <= MOST_KIB_A_DAY else 1


if __name__ == "__main__":
    sys.exit(main())
