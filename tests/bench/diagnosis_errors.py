"""False and missed diagnoses by fault, on simulated plants, in virtual time.

    .venv/bin/python -m tests.bench.diagnosis_errors [healthy|quick|slow|all] [FIRST] [COUNT] [DAYS]

``healthy`` watches plants without faults through a year of seasons and rain; ``quick`` puts in each
fault that shows within hours, ``slow`` those that need a reference time. Seeds 1 to 5 were used for
tuning; the default begins at 101.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from multiprocessing import Pool

from tests.simulation.diagnosis_cases import (
    LATENT,
    QUICK_CASES,
    SLOW_CASES,
    Case,
    Outcome,
    rain_before_mm,
    try_case,
)
from tests.simulation.diagnosis_runs import DAY_US, START_US, watch

WORKERS = 2
LEAST_RAIN_MM = 2.0
"""In the week before; 2 m3 from the catchment of the lift sump, a third of a quiet day."""


def healthy(job: tuple[int, float]) -> tuple[int, list[str], list[str], float]:
    """One plant without faults: seed, false findings, true ones, and rain in mm."""
    seed, days = job
    start_us = START_US + (seed * 67 % 365) * DAY_US
    seen = watch(seed, days, start_us=start_us)
    assert seen.truth is not None
    false: list[str] = []
    true: list[str] = []
    for record in seen.findings:
        if record.value is None:
            continue
        what = record.subject.rpartition(".")[2]
        wet = what == "wet_weather_inflow" and rain_before_mm(seen, record.at_us) > LEAST_RAIN_MM
        (true if wet or what in ("tank_low", "high_water") else false).append(record.subject)
    return seed, false, true, seen.truth.rain_mm


def one_case(job: tuple[Case, int]) -> tuple[Case, int, Outcome]:
    """One fault on one plant, at an hour that depends on the seed."""
    case, seed = job
    return case, seed, try_case(case, seed, shift_h=seed * 1.7 % 5.0)


def healthy_table(seeds: range, days: float) -> None:
    """Print what was found where nothing was wrong."""
    false: Counter[str] = Counter()
    true: Counter[str] = Counter()
    rain = 0.0
    with Pool(WORKERS) as pool:
        for seed, wrong, right, rain_mm in pool.imap(healthy, [(seed, days) for seed in seeds]):
            false.update(wrong)
            true.update(right)
            rain += rain_mm
            if wrong:
                print(f"seed {seed}: false {', '.join(wrong)}")
    print(f"{len(seeds)} plants, {days:g} days each, {rain / len(seeds):.0f} mm of rain each")
    print(f"false findings: {sum(false.values())} {dict(false)}")
    print(f"true ones: {dict(true)}")


def fault_table(cases: list[Case], seeds: range) -> None:
    """Print a line for each fault: found, missed, too late, not first, not ended, others."""
    print(f"{'fault':<48}{'seeds':>6}{'found':>6}{'late':>5}{'1st':>5}{'ended':>6}{'h':>7}  others")
    jobs = [(case, seed) for case in cases for seed in seeds]
    outcomes: dict[str, list[Outcome]] = {}
    with Pool(WORKERS) as pool:
        for case, _, outcome in pool.imap(one_case, jobs):
            kept = outcomes.setdefault(case.name, [])
            kept.append(outcome)
            if len(kept) == len(seeds):
                print(_line(case, kept), flush=True)
    every = [(case, outcome) for case in cases for outcome in outcomes[case.name]]
    well = sum(1 for case, outcome in every if outcome.well(case))
    missed = sum(1 for _, outcome in every if outcome.after_h is None)
    stray = sum(1 for _, outcome in every if outcome.others)
    print(f"{len(every)} faults: {well} as they should be, {missed} missed, {stray} with others")


def _line(case: Case, outcomes: list[Outcome]) -> str:
    found = [outcome.after_h for outcome in outcomes if outcome.after_h is not None]
    late = sum(1 for after_h in found if after_h > case.within_h)
    first = sum(1 for outcome in outcomes if outcome.first)
    ended = sum(1 for outcome in outcomes if outcome.ended)
    others = Counter(other for outcome in outcomes for other in outcome.others)
    worst = f"{max(found):.2f}" if found else "-"
    told = ", ".join(f"{name} {count}" for name, count in others.items())
    return (
        f"{case.name:<48}{len(outcomes):>6}{len(found):>6}{late:>5}{first:>5}{ended:>6}{worst:>7}"
        f"  {told}"
    )


def main(arguments: list[str]) -> None:
    """Run what is asked for."""
    what = arguments[0] if arguments else "all"
    first = int(arguments[1]) if len(arguments) > 1 else 101
    began_s = time.perf_counter()
    if what in ("healthy", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 20
        days = float(arguments[3]) if len(arguments) > 3 else 30.0
        healthy_table(range(first, first + count), days)
    if what in ("quick", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 3
        fault_table(QUICK_CASES, range(first, first + count))
    if what in ("slow", "all"):
        count = int(arguments[2]) if len(arguments) > 2 else 5
        fault_table(SLOW_CASES, range(first, first + count))
    print("not to be seen: " + "; ".join(LATENT))
    print(f"{time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
