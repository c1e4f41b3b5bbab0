"""The history of the live demo: days of the simulated plant up to this very moment, in seconds.

The collector watches them in virtual time, through the real pipeline and journal, dated by the wall
clock; then the same plant goes on in real time and the daemon continues the same journal, over a
stop of a second or two that is on record like any other. So that the demo looks alive at any time
of the year, the simulated park has its high season now.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.audit.keys import default_key_path, open_signer
from collector.cli.demo_story import DAY_US, People, placed, tell_story
from collector.cli.progress import progress, share_of
from collector.clock import SystemClock
from collector.continuation import boot_id
from collector.core.calendar import begin_of, local
from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.journal.items import Alive
from collector.journal.writer import Journal
from collector.links.planning import plan_panel
from collector.plant_file import PlantFile
from collector.rule_files import KIND, SERVICE_KIND, RuleFiles
from collector.rulebook.service_load import ServiceSet
from collector.virtual import run_virtually
from simulator.plant import OsierBend

HIGH_SEASON = 205
"""Day of the year at which the simulated park is fullest."""
QUEUE = 5_000
CLOSE_ENOUGH_US = 700_000
MOST_ROUNDS = 6


@dataclass(frozen=True, slots=True)
class History:
    """What was made.

    Args:
        plant: the simulated plant, at the instant at which the history ends.
        begin_us, end_us: UTC in microseconds.
    """

    plant: OsierBend
    begin_us: int
    end_us: int


def simulated_until_now(seed: int, days: float, zone: ZoneInfo) -> tuple[OsierBend, int]:
    """A plant that begins with the plant day so many days ago, in high season now; and when."""
    now_us = SystemClock().wall_us()
    begin_us = begin_of("day", now_us - round(days * DAY_US), zone)
    today = local(now_us, zone).timetuple().tm_yday
    return OsierBend(seed, begin_us, days_of_season=HIGH_SEASON - today), begin_us


def make_history(
    plant_file: PlantFile, rules: RuleFiles, path: Path, days: float, seed: int,
    then: Callable[[], None],
) -> History:  # fmt: skip
    """Watch the plant from some days ago until now.

    Args:
        plant_file, rules: as the live part will have them.
        path: of a journal that does not exist yet.
        days: how long.
        seed: of the simulated plant.
        then: called when all of it is in the journal; what goes by meanwhile is watched after it.
    """
    plant = plant_file.plant
    clock = SystemClock()
    zone = ZoneInfo(plant.plant.time_zone)
    simulated, begin_us = simulated_until_now(seed, days, zone)
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    pipeline = Pipeline(plant, plans, begin_us, rules=rules)
    end_us = clock.wall_us()
    troubles = placed(begin_us, end_us)
    tell_story(simulated, troubles)
    people = People(zone, begin_us, end_us, troubles)
    with Journal.open(
        path, wall_us=lambda: begin_us, commit_period_s=0.0, queue_limit=QUEUE,
        signer=open_signer(default_key_path(path)),
    ) as journal:  # fmt: skip
        with progress(f"{days:g} days of history") as tell:
            reached = share_of(tell, begin_us, end_us)

            def take(records: list[Record]) -> None:
                if not records:
                    return
                now_us = records[-1].at_us
                people.hear(records)
                people.pour(simulated.poured_l(), now_us)
                for action in people.due(now_us):
                    answered = pipeline.take_action(action)
                    people.hear(answered)
                    records = records + answered
                while not journal.submit(records):
                    journal.flush()
                if now_us < end_us:
                    reached(now_us)

            take(_begin(plant_file, rules, journal, begin_us))
            run_virtually(pipeline, plans, simulated, begin_us, end_us, take)
        journal.flush()
        then()
        at_us = end_us
        for _ in range(MOST_ROUNDS):  # while one runs the wall clock goes on
            now_us = clock.wall_us()
            if now_us - at_us < CLOSE_ENOUGH_US:
                break
            run_virtually(pipeline, plans, simulated, at_us, now_us, take)
            at_us = now_us
        alive = Alive(at_us, at_us, boot_id(), pipeline.known_until_us())
        journal.submit([], state=pipeline.save(), alive=alive)
        journal.flush()
    return History(simulated, begin_us, at_us)


def _begin(
    plant_file: PlantFile, rules: RuleFiles, journal: Journal, begin_us: int
) -> list[Record]:
    """The files in force, kept and told."""
    files: dict[str, PlantFile | RuleFiles | ServiceSet] = {
        "plant": plant_file, KIND: rules, SERVICE_KIND: rules.tasks,
    }  # fmt: skip
    for kind, file in files.items():
        journal.remember_configuration(kind, file.text, file.hash)
    return [
        Record(RecordKind.CONFIGURATION, kind, begin_us, begin_us, begin_us, file.hash)
        for kind, file in files.items()
    ]
