"""Thirty virtual days: what the collector counted beside what was true.

The simulator shares no code with the collector and knows the run time of every machine to the
microsecond. The bounds asked for are the collector's own, and 0.05 % of the run time.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from collector.cli.month import DAY_US, START_US, RunComparison, compare
from collector.core.pipeline import REPLAYED_KINDS, Pipeline
from collector.core.records import Record, RecordKind
from collector.core.scans import BlockAnswer, PanelScan
from collector.links.planning import plan_panel
from collector.plant_file import read_plant_file
from collector.virtual import ROUND_TRIP_US, run_virtually
from simulator.plant import OsierBend

OSIER_BEND = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
PLANT = read_plant_file(OSIER_BEND).plant
PLANS = {name: plan_panel(panel) for name, panel in PLANT.panels.items()}
HOUR_US = DAY_US // 24
SECOND_US = 1_000_000
LARGEST_ERROR = 0.0005  # of the run time
LARGEST_MIB = 100  # of the whole process after a month
VISITING = "bowser_pump"  # its panel is away most of the time


# --- the month ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ran:
    """What a virtual run in a process of its own printed, and the most memory it had."""

    data: Any
    most_mib: float


# The peak is that of the program alone: what wait4(2) tells includes the process that forked it.
PROGRAM = """
import atexit, sys
from collector.cli.main import run_from_shell
atexit.register(lambda: sys.stderr.write(open("/proc/self/status").read()))
run_from_shell()
"""


def run_days(days: float) -> Ran:
    """``weirkeeper demo --days`` as a program; its peak by VmHWM of proc_pid_status(5)."""
    command = [sys.executable, "-c", PROGRAM, "demo", "--json", "--days", str(days)]
    environment = {name: v for name, v in os.environ.items() if not name.startswith("WEIRKEEPER_")}
    ended = subprocess.run(command, capture_output=True, check=False, env=environment, text=True)
    assert ended.returncode == 0, f"code {ended.returncode}"
    peak = re.search(r"^VmHWM:\s+(\d+) kB$", ended.stderr, re.MULTILINE)
    assert peak is not None
    return Ran(json.loads(ended.stdout), int(peak[1]) / 1024)


@pytest.fixture(scope="module")
def month() -> Ran:
    """Thirty days."""
    return run_days(30)


def machines(ran: Ran) -> list[RunComparison]:
    """The machines of a run."""
    return [RunComparison(**machine) for machine in ran.data["machines"]]


def test_the_truth_lies_within_what_is_told(month: Ran) -> None:
    """For every machine, the visiting one too; and all twelve have run."""
    assert len(machines(month)) == 12
    for machine in machines(month):
        assert machine.within, machine
        assert machine.true_s > 0


def test_run_hours_are_right_to_a_twentieth_of_a_per_cent(month: Ran) -> None:
    """Of machines that were watched all the time; errors of many brackets cancel out."""
    for machine in machines(month):
        if machine.machine != VISITING:
            assert machine.unknown_s < 10, machine  # the first and the last scan
            assert abs(machine.counted_s - machine.true_s) < LARGEST_ERROR * machine.true_s, machine


def test_every_start_is_counted_once(month: Ran) -> None:
    """None is missed and none invented where all was watched; elsewhere at most as many."""
    for machine in machines(month):
        if machine.machine == VISITING:
            assert 0 < machine.starts <= machine.true_starts, machine
        else:
            assert machine.starts == machine.true_starts > 0, machine


def test_memory_does_not_grow_with_the_days(month: Ran) -> None:
    """The whole process stays below its aim, and a month takes hardly more than three days."""
    short = run_days(3)
    assert month.most_mib < LARGEST_MIB
    assert month.most_mib - short.most_mib < 20


# --- the short cut of virtual time ----------------------------------------------------------------

SCRIPT = """
at 20m   for 3m   link_dead        meadow
at 1h    for 90s  link_silent      works
at 1h10m for 7s   link_dead        works
at 1h20m for 30m  panel_frozen     works
at 2h    for 10m  mains_failed     works
at 2h30m for 2m   float_chattering collection.start_1
at 3h    for 20m  link_dead        bowser
"""


def seen_by_short_cut(simulated: OsierBend, end_us: int) -> list[Record]:
    """The records of ``run_virtually``."""
    records: list[Record] = []
    run_virtually(Pipeline(PLANT, PLANS, START_US), PLANS, simulated, START_US, end_us,
                  records.extend)  # fmt: skip
    return records


def seen_by_every_scan(simulated: OsierBend, end_us: int) -> list[Record]:
    """The records of scanning each panel at each instant of its grid, and leaving none out."""
    pipeline = Pipeline(PLANT, PLANS, START_US)
    records: list[Record] = []
    for at_us in range(START_US, end_us + 1, SECOND_US):
        while (wanted_us := pipeline.engine.next_deadline_us()) < at_us:
            records += pipeline.report(wanted_us)
        simulated.advance_to(at_us)
        for name, panel in PLANT.panels.items():
            if (at_us - START_US) % round(panel.scan_period_s * SECOND_US) == 0:
                records += pipeline.take_scan(scan(simulated, name, at_us))
        records += pipeline.report(at_us)
    return records


def scan(simulated: OsierBend, name: str, at_us: int) -> PanelScan:
    """One scan of a panel as it is now."""
    panel = simulated.panels[name]
    answers = []
    for read in PLANS[name]:
        answer = panel.image.read(read.function, read.start, read.count)
        reached = panel.reachable()
        payload = answer if reached and isinstance(answer, bytes) else None
        answers.append(BlockAnswer(payload, "" if reached else "no reply", at_us,
                                   at_us + ROUND_TRIP_US))  # fmt: skip
    return PanelScan(name, at_us, answers)


@pytest.mark.parametrize("script", [None, SCRIPT], ids=["a quiet morning", "a bad one"])
def test_the_short_cut_brings_the_same_records_as_every_scan(script: str | None) -> None:
    """Leaving out scans that could bring nothing changes no record, no bracket and no figure."""
    end_us = START_US + 4 * HOUR_US
    short = seen_by_short_cut(OsierBend(5, START_US, script), end_us)
    whole = seen_by_every_scan(OsierBend(5, START_US, script), end_us)
    assert len(short) > 500
    for number, (ours, theirs) in enumerate(zip(short, whole, strict=False)):
        assert ours == theirs, f"record {number}: {ours} instead of {theirs}"
    assert len(short) == len(whole)


# --- bad days -------------------------------------------------------------------------------------


def outages(seed: int, days: float) -> str:
    """A script of outages of all lengths, of panels, links and the mains."""
    pace = Random(seed)
    kinds = [
        ("link_dead", "works"), ("link_dead", "meadow"), ("link_dead", "bowser"),
        ("link_silent", "works"), ("link_silent", "meadow"), ("panel_frozen", "works"),
        ("mains_failed", "works"), ("mains_failed", "meadow"),
    ]  # fmt: skip
    lines = []
    free_from_s = dict.fromkeys(kinds, 0.0)
    for at_s in sorted(pace.uniform(0, days * 86_400) for _ in range(round(25 * days))):
        fault, target = kind = pace.choice(kinds)
        for_s = 10 ** pace.uniform(0, 4)  # a second to three hours
        if at_s > free_from_s[kind]:  # one fault cannot be in one place twice
            free_from_s[kind] = at_s + for_s + 1
            lines.append(f"at {at_s:.3f}s for {for_s:.3f}s {fault} {target}")
    return "\n".join(lines)


def check_bounds(compared: Sequence[RunComparison]) -> None:
    """The truth lies within what is told, and starts are told as at least."""
    for machine in compared:
        assert machine.within, machine
        assert machine.starts <= machine.true_starts, machine


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_with_links_lost_again_and_again_the_truth_stays_within_the_bounds(seed: int) -> None:
    """Dead and silent links, a frozen panel, mains failures: unknown is told as unknown."""
    days = 2.0
    end_us = START_US + round(days * DAY_US)
    simulated = OsierBend(seed, START_US, outages(seed, days))
    pipeline = Pipeline(PLANT, PLANS, START_US)
    lost = 0

    def take(records: list[Record]) -> None:
        nonlocal lost
        lost += sum(record.kind is RecordKind.PANEL_LOST for record in records)

    run_virtually(pipeline, PLANS, simulated, START_US, end_us, take)
    compared = compare(pipeline, simulated, end_us)
    check_bounds(compared)
    assert lost > 20
    assert all(machine.unknown_s > 600 for machine in compared)
    # Not so wide that they say nothing: most of the time was watched.
    wide_s = {machine.machine: machine.unknown_s for machine in compared}
    assert all(wide_s[name] < 0.7 * days * 86_400 for name in wide_s if name != VISITING)


@pytest.mark.parametrize("seed", [4, 5])
def test_stopped_and_started_again_and_again_the_truth_stays_within_the_bounds(seed: int) -> None:
    """Each stop is a gap, whether its state was kept at the end or some records before it.

    Between two runs the plant goes on unwatched for a second to an hour.
    """
    pace = Random(seed)
    simulated = OsierBend(seed, START_US, outages(seed, 1.0))
    pipeline = Pipeline(PLANT, PLANS, START_US)
    saved, since = pipeline.save(), list[Record]()
    now_us, end_us, down_us = START_US, START_US + DAY_US, 0
    while True:
        until_us = min(end_us, now_us + round(HOUR_US * 10 ** pace.uniform(-1.5, 0.5)))
        run_virtually(pipeline, PLANS, simulated, now_us, until_us, since.extend)
        if until_us == end_us:
            break
        if pace.random() < 0.5:
            saved, since = pipeline.save(), []
        known_until_us = pipeline.known_until_us()
        now_us = until_us + round(HOUR_US * 10 ** pace.uniform(-3.5, 0))
        down_us += now_us - until_us
        simulated.advance_to(now_us)
        pipeline = Pipeline(PLANT, PLANS, now_us)
        inputs = [record for record in since if record.kind in REPLAYED_KINDS]
        told, unusable = pipeline.resume(saved, inputs, known_until_us, until_us, now_us)
        since += told
        assert unusable == []
    compared = compare(pipeline, simulated, end_us)
    check_bounds(compared)
    assert down_us > HOUR_US
    assert all(machine.unknown_s >= down_us / 1e6 for machine in compared)
