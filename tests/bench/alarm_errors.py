"""How the shipped alarm rules do on simulated plants, in virtual time.

    .venv/bin/python -m tests.bench.alarm_errors [healthy|quick|slow|all] [FIRST] [COUNT] [DAYS]

``healthy`` watches plants without faults through a year of seasons and rain, and holds what was
annunciated against the targets of ISA-18.2, table 7 [quoted]; ``quick`` puts in each fault that
shows within hours, ``slow`` those that need a reference time. The default begins at seed 101.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from multiprocessing import Pool

from tests.simulation.alarm_cases import Raised, try_alarm
from tests.simulation.alarm_runs import watch_alarms
from tests.simulation.diagnosis_cases import LATENT, QUICK_CASES, SLOW_CASES, Case
from tests.simulation.diagnosis_runs import DAY_US, START_US

WORKERS = 2


def healthy(job: tuple[int, float]) -> tuple[int, list[str], list[str], list[tuple[str, str]]]:
    """One plant without faults: seed, figures that miss their target, all figures, and alarms."""
    seed, days = job
    run = watch_alarms(seed, days, start_us=START_US + (seed * 67 % 365) * DAY_US)
    figures = run.performance().figures
    # Shares of priorities say something of a plant's faults, not of healthy months.
    missed = [each.name for each in figures if each.met is False]
    told = [f"{each.name} {each.value}" for each in figures]
    return seed, missed, told, [(one.subject, one.priority) for _, one in run.raised()]


def one_case(job: tuple[Case, int]) -> tuple[Case, int, Raised]:
    """One fault on one plant, at an hour that depends on the seed."""
    case, seed = job
    return case, seed, try_alarm(case, seed, shift_h=seed * 1.7 % 5.0)


def healthy_table(seeds: range, days: float) -> None:
    """Print what was annunciated where nothing was wrong."""
    rules: Counter[str] = Counter()
    priorities: Counter[str] = Counter()
    with Pool(WORKERS) as pool:
        for seed, missed, _, alarms in pool.imap(healthy, [(seed, days) for seed in seeds]):
            rules.update(subject.rpartition(".")[2] for subject, _ in alarms)
            priorities.update(priority for _, priority in alarms)
            print(f"seed {seed}: {len(alarms)} alarms; misses: {', '.join(missed) or 'nothing'}")
    print(f"{len(seeds)} plants, {days:g} days each: {sum(rules.values())} alarms {dict(rules)}")
    print(f"by priority: {dict(priorities)}")


def fault_table(cases: list[Case], seeds: range) -> None:
    """Print a line for each fault: raised, late, first, highest, cleared, floods, others."""
    print(
        f"{'fault':<44}{'seeds':>6}{'raised':>7}{'late':>5}{'1st':>4}{'top':>4}{'ended':>6}"
        f"{'flood':>6}{'h':>7}  others"
    )
    jobs = [(case, seed) for case in cases for seed in seeds]
    outcomes: dict[str, list[Raised]] = {}
    priorities = 0
    with Pool(WORKERS) as pool:
        for case, _, outcome in pool.imap(one_case, jobs):
            kept = outcomes.setdefault(case.name, [])
            kept.append(outcome)
            if len(kept) == len(seeds):
                print(_line(case, kept), flush=True)
            priorities += outcome.highest
    every = [(case, outcome) for case in cases for outcome in outcomes[case.name]]
    well = sum(1 for case, outcome in every if outcome.well(case.within_h))
    missed = sum(1 for _, outcome in every if outcome.after_h is None)
    stray = sum(1 for _, outcome in every if outcome.others)
    flooded = sum(1 for _, outcome in every if outcome.floods)
    print(
        f"{len(every)} faults: {well} as they should be, {missed} missed, {stray} with others, "
        f"{flooded} with a flood, {priorities} of highest priority"
    )


def _line(case: Case, outcomes: list[Raised]) -> str:
    hours = [outcome.after_h for outcome in outcomes if outcome.after_h is not None]
    late = sum(1 for after_h in hours if after_h > case.within_h)
    first = sum(outcome.first for outcome in outcomes)
    highest = sum(outcome.highest for outcome in outcomes)
    ended = sum(outcome.ended for outcome in outcomes)
    flooded = sum(1 for outcome in outcomes if outcome.floods)
    others = Counter(other for outcome in outcomes for other in outcome.others)
    worst = f"{max(hours):.2f}" if hours else "-"
    told = ", ".join(f"{name} {count}" for name, count in others.items())
    return (
        f"{case.name:<44}{len(outcomes):>6}{len(hours):>7}{late:>5}{first:>4}{highest:>4}"
        f"{ended:>6}{flooded:>6}{worst:>7}  {told}"
    )


def main(arguments: list[str]) -> None:
    """Run what is asked for."""
    what = arguments[0] if arguments else "all"
    first = int(arguments[1]) if len(arguments) > 1 else 101
    began_s = time.perf_counter()
    if what in ("healthy", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 10
        days = float(arguments[3]) if len(arguments) > 3 else 30.0
        healthy_table(range(first, first + count), days)
    if what in ("quick", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 2
        fault_table(QUICK_CASES, range(first, first + count))
    if what in ("slow", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 2
        fault_table(SLOW_CASES, range(first, first + count))
    print("not to be seen: " + "; ".join(LATENT))
    print(f"{time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
