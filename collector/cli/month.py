"""The virtual part of the demo: days of the plant in seconds, through the real journal."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from collector.cli.command import Answer
from collector.cli.progress import progress, share_of
from collector.cli.status import plant_lines
from collector.cli.tables import hours, table
from collector.core.desks import NO_RULES
from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.core.runs import RunMeter
from collector.errors import ExitCode
from collector.journal.items import Alive
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal
from collector.links.planning import plan_panel
from collector.plant_file import PlantFile
from collector.reports.picture import draw_picture
from collector.rule_files import KIND, SERVICE_KIND, RuleFiles
from collector.rulebook.service_load import ServiceSet
from collector.virtual import run_virtually
from simulator.plant import OsierBend

START_US = int(datetime(2026, 7, 1, tzinfo=UTC).timestamp()) * 1_000_000
DAY_US = 86_400_000_000
QUEUE = 5_000  # virtual days run ahead of the disk; what waits for it must not grow with them


@dataclass(frozen=True, slots=True)
class RunComparison:
    """One machine: what the collector counted and what was true, in seconds."""

    machine: str
    counted_s: float
    true_s: float
    bracket_s: float
    unknown_s: float
    starts: int
    true_starts: int

    @property
    def within(self) -> bool:
        """Whether the truth lies within the bounds the collector states."""
        low_s = self.counted_s - self.bracket_s
        high_s = self.counted_s + self.bracket_s + self.unknown_s
        return low_s <= self.true_s <= high_s


@dataclass(slots=True)
class Month:
    """What a virtual run found."""

    days: float
    wall_s: float
    records: int = 0
    journal_bytes: int = 0
    machines: list[RunComparison] = field(default_factory=list)


def run_month(
    plant_file: PlantFile,
    journal_path: Path,
    days: float,
    seed: int,
    rules: RuleFiles | None = None,
    start_us: int = START_US,
) -> Month:
    """Watch the simulated plant for some virtual days and compare with what was true.

    Args:
        plant_file: the plant file of the simulated plant.
        journal_path: a journal that does not exist yet.
        days: how long.
        seed: of the simulated plant.
        rules: rule files, bound to the plant; None for no rules.
        start_us: when it begins.
    """
    began_s = time.perf_counter()
    plant = plant_file.plant
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    simulated = OsierBend(seed, start_us)
    pipeline = Pipeline(plant, plans, start_us, rules=rules or NO_RULES)
    end_us = start_us + round(days * DAY_US)
    with Journal.open(
        journal_path, wall_us=lambda: start_us, commit_period_s=0.0, queue_limit=QUEUE
    ) as journal:
        files: dict[str, PlantFile | RuleFiles | ServiceSet] = {"plant": plant_file}
        if rules is not None:
            files |= {KIND: rules, SERVICE_KIND: rules.tasks}
        for kind, file in files.items():
            journal.remember_configuration(kind, file.text, file.hash)

        def take(records: list[Record]) -> None:
            if not journal.submit(records):
                journal.flush()
                journal.submit(records)

        take([Record(RecordKind.CONFIGURATION, kind, start_us, start_us, start_us, file.hash)
              for kind, file in files.items()])  # fmt: skip
        with progress("virtual days") as tell:
            reached = share_of(tell, start_us, end_us)

            def take_and_tell(records: list[Record]) -> None:
                take(records)
                if records:
                    reached(records[-1].at_us)

            run_virtually(pipeline, plans, simulated, start_us, end_us, take_and_tell)
        alive = Alive(end_us, end_us, "", pipeline.known_until_us())
        journal.submit([], state=pipeline.save(), alive=alive)
        journal.flush()
        records = journal.head
    with JournalReader(journal_path) as reader:
        size = reader.size_bytes()
    return Month(
        days, time.perf_counter() - began_s, records, size, compare(pipeline, simulated, end_us)
    )


def compare(pipeline: Pipeline, simulated: OsierBend, end_us: int) -> list[RunComparison]:
    """Each machine's counted run time beside the true one.

    What came after the last read counts as unknown, as it does in every figure told.
    """
    found = []
    known_until_us = pipeline.known_until_us()
    for name, meter in pipeline.engine.components.items():
        if isinstance(meter, RunMeter):
            true = simulated.truth.machine(name)
            panel = meter.points[0].partition(".")[0]
            read_us = min(known_until_us.get(panel, end_us), end_us)
            unread_us = 0 if meter.running is None else end_us - read_us
            found.append(
                RunComparison(
                    name,
                    meter.known_on_until(read_us) / 1e6,
                    true.run_us(end_us) / 1e6,
                    meter.bracket_us / 1e6,
                    (meter.unknown_until(end_us) + unread_us) / 1e6,
                    meter.starts,
                    true.starts,
                )
            )
    return found


def month_answer(
    plant_file: PlantFile, folder: Path, days: float, seed: int, rules: RuleFiles
) -> Answer:
    """Run it and tell what came out."""
    path = folder / "weirkeeper.journal"
    month = run_month(plant_file, path, days, seed, rules)
    with JournalReader(path) as reader:
        picture = draw_picture(path, reader)
    rows = [
        [
            line.machine, hours(line.counted_s), hours(line.true_s), hours(line.bracket_s),
            hours(line.unknown_s), str(line.starts), str(line.true_starts),
            "yes" if line.within else "NO",
        ]
        for line in month.machines
    ]  # fmt: skip
    headings = ("machine", "counted h", "true h", "+-", "unknown h", "starts", "true", "within")
    lines = [f"{plant_file.plant.plant.title} after {_days(days)} of virtual time", ""]
    lines += [] if picture is None else [*plant_lines(picture, picture.as_of_utc_us), ""]
    lines += ["what was counted beside what was true (only a simulation knows)"]
    lines += table(headings, rows, frozenset(range(1, 7)))
    per_day_kib = month.journal_bytes / month.days / 1024
    lines += [
        "",
        f"{_days(days)} in {month.wall_s:.1f} s",
        f"{month.records} records, {per_day_kib:.0f} KiB of journal a day",
    ]
    told = all(line.within for line in month.machines)
    return Answer("\n".join(lines), asdict(month), ExitCode.DONE if told else ExitCode.ANSWER_IS_NO)


def _days(days: float) -> str:
    return f"{days:g} day{'' if days == 1 else 's'}"
