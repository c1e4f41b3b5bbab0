"""Replays a seed, or runs many: ``python -m tests.simulation.whole --seed 7 --days 0.005``.

    python -m tests.simulation.whole --seeds 1-100 --days 0.005 --stretch 5
    python -m tests.simulation.whole --seeds 1-20 --days 14 --per-hour 2

A failure prints the seed, the commit and the one command that replays it. The exit code is 1 if
there was one.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections import Counter

from tests.simulation.whole.trial import PER_HOUR, Verdict, run_seed, tell

COMPARED = (
    "machines compared", "alarms compared", "volumes compared", "begins and ends of alarms",
    "entries of the chain", "actions", "records for the broker", "records for the store",
)  # fmt: skip
HEADINGS = ("events", "seeds", "put in", "lives", "records", "lost", "doubled", "wrong", "crashed")


def main(arguments: list[str] | None = None) -> int:
    """Run what was asked for; 1 if anything was not as it must be."""
    options = _parser().parse_args(arguments)
    first, _, last = (options.seeds or str(options.seed)).partition("-")
    rows: dict[str, Counter[str]] = {}
    kinds: Counter[str] = Counter()
    compared: Counter[str] = Counter()
    began_s, virtual_s, wrong = time.perf_counter(), 0.0, 0
    for seed in range(int(first), int(last or first) + 1):
        groups = tuple(options.groups.split(",")) if options.groups else None
        verdict = run_seed(
            seed, options.days, stretch=options.stretch, per_hour=options.per_hour, groups=groups
        )
        virtual_s += verdict.world.agenda.now_ns / 1e9
        _count(verdict, rows, kinds, compared)
        if options.seeds is None:
            _show(verdict)
        elif options.days > 0.5:
            sys.stdout.write(f"seed {seed}: {verdict.name}, objects {verdict.world.reached}\n")
            sys.stdout.flush()
        if not verdict.well:
            wrong += 1
            sys.stdout.write(tell(verdict) + "\n")
            sys.stdout.flush()
    took_s = time.perf_counter() - began_s
    _table(rows, kinds)
    _table_of("compared with the truth or the record", compared)
    most_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(
        f"\n{virtual_s / 86_400:.2f} virtual days in {took_s:.0f} s, "
        f"{virtual_s / took_s:.0f} virtual seconds a second, {most_mib:.0f} MiB at most\n"
    )
    return 1 if wrong else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.whole")
    parser.add_argument("--seed", type=int, default=1, help="the seed")
    parser.add_argument("--seeds", help="several, such as 1-100")
    parser.add_argument("--days", type=float, default=1.0, help="virtual days with events")
    parser.add_argument("--stretch", type=float, default=1.0, help="factor on the scan periods")
    parser.add_argument("--per-hour", type=float, default=PER_HOUR, help="events an hour")
    parser.add_argument("--groups", help="kinds of events, such as links,kills")
    return parser


def _count(
    verdict: Verdict, rows: dict[str, Counter[str]], kinds: Counter[str], compared: Counter[str]
) -> None:
    row = rows.setdefault(verdict.name, Counter())
    world, found = verdict.world, verdict.found
    injected = {name: n for name, n in world.counts.items() if not name.startswith("life ")}
    kinds.update(injected)
    row["seeds"] += 1
    row["put in"] += sum(injected.values())
    row["lives"] += len(world.lives)
    row["records"] += found.figures["records"]
    row["lost"] += found.lost
    row["doubled"] += found.doubled
    row["wrong"] += len(found.wrong)
    row["crashed"] += verdict.crashed
    compared.update({what: n for what, n in found.figures.items() if what in COMPARED})


def _table(rows: dict[str, Counter[str]], kinds: Counter[str]) -> None:
    write = sys.stdout.write
    total: Counter[str] = Counter()
    for row in rows.values():
        total.update(row)
    write(f"{HEADINGS[0]:<18}" + "".join(f"{name:>10}" for name in HEADINGS[1:]) + "\n")
    for name, row in [*sorted(rows.items()), ("together", total)]:
        write(f"{name:<18}" + "".join(f"{row[key]:>10}" for key in HEADINGS[1:]) + "\n")
    _table_of("put in", kinds)


def _table_of(title: str, counts: Counter[str]) -> None:
    sys.stdout.write(f"\n{title}\n")
    for name, count in sorted(counts.items()):
        sys.stdout.write(f"  {name:<28}{count:>8}\n")


def _show(verdict: Verdict) -> None:
    world = verdict.world
    for line in world.trace.last:
        sys.stdout.write(line + "\n")
    for life in world.lives:
        sys.stdout.write(f"life {life.number}: {life.ended} {life.why}\n")
    for what, counts in (
        ("network", world.network.counts), ("broker", world.broker.counts),
        ("store", world.store.counts), ("disk", world.disk.counts),
        ("compared", verdict.found.figures),
    ):  # fmt: skip
        told = ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))
        sys.stdout.write(f"{what}: {told}\n")
    sys.stdout.write(f"trace {verdict.digest}\n\n")


if __name__ == "__main__":
    sys.exit(main())
