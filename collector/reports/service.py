"""What service is due, from the journal: tasks as they stand, grouped into visits.

One visit takes along what falls due soon after it, so that nobody drives twice: beginning with the
task that is due first, everything whose cautious date lies within ``together_days`` of it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from collector.core.records import Record, RecordKind
from collector.core.service.intervals import STATES
from collector.core.service.rule import ServiceRule
from collector.journal.reader import JournalReader

TOGETHER_DAYS = 14
UNEVEN_SHARE = 0.6
"""One of two machines that take turns runs more than this share: worth a hint; common practice, no
source."""
LEAST_HOURS = 20.0


@dataclass(frozen=True, slots=True)
class TaskLine:
    """One task as it stands.

    Args:
        equipment, task, title: what.
        state: a word of ``core/service/desk.py``.
        because: use against interval, or the condition, in words.
        since, from_entry: date from which it counts, and whether that was an entry; empty where it
            counts from the begin of the record.
        used, used_low, used_high, interval, unit: of the interval that decides; None where it has
            no figure.
        early, likely, late: dates, the first one cautious; None where unknown or far.
        example: the interval is an example, to be replaced by the maker's figure.
        told_utc_us: when that was told.
    """

    equipment: str
    task: str
    title: str
    state: str
    because: str
    since: str
    from_entry: bool
    used: float | None
    used_low: float | None
    used_high: float | None
    interval: float | None
    unit: str
    early: date | None
    likely: date | None
    late: date | None
    example: bool
    told_utc_us: int

    @property
    def rank(self) -> tuple[int, date]:
        """For sorting: the most urgent first."""
        return -STATES.index(self.state), self.early or date.max


def read_service(reader: JournalReader) -> list[TaskLine]:
    """Every task as it stands, the most urgent first."""
    newest = reader.latest((RecordKind.SERVICE,)).values()
    return sorted((line_of(record) for record in newest), key=lambda line: line.rank)


def line_of(record: Record) -> TaskLine:
    """The task that a record tells of."""
    equipment, _, task = record.subject.partition(".")
    body: dict[str, Any] = json.loads(str(record.value))
    return TaskLine(
        equipment, task, str(body.get("title", task)), str(body["state"]),
        str(body.get("because", "")), str(body.get("since", "")),
        body.get("counted_from") == "entry",
        body.get("used"), body.get("used_low"), body.get("used_high"), body.get("interval"),
        str(body.get("unit", "")), _day(body.get("due_early")), _day(body.get("due_likely")),
        _day(body.get("due_late")), bool(body.get("example", False)), record.utc_us,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Visit:
    """Tasks that one visit does.

    Args:
        by: the cautious date of the most urgent of them.
        lines: in walking order.
        minutes: how long they take together, as far as that was said.
    """

    by: date | None
    lines: tuple[TaskLine, ...]
    minutes: float


def visits_of(
    lines: Sequence[TaskLine],
    rules: Mapping[str, ServiceRule],
    today: date,
    together_days: int = TOGETHER_DAYS,
) -> list[Visit]:
    """Group tasks into visits, the first one first.

    Args:
        lines: tasks as they stand; those not due for long, or not known, make visits of their own
            later, or none.
        rules: by ``equipment.task``, for order and minutes.
        today: what is due already is due today.
    """
    dated = sorted(
        ((max(line.early, today), line) for line in lines if line.early is not None),
        key=lambda pair: (pair[0], pair[1].rank),
    )
    visits: list[Visit] = []
    while dated:
        first, _ = dated[0]
        until = first + timedelta(days=together_days)
        taken = [line for day, line in dated if day <= until]
        dated = [(day, line) for day, line in dated if day > until]
        taken.sort(key=lambda line: (_order(line, rules), line.equipment, line.task))
        minutes = sum(_minutes(line, rules) for line in taken)
        visits.append(Visit(first, tuple(taken), minutes))
    return visits


def balance_hints(members: Mapping[str, Sequence[str]], hours: Mapping[str, float]) -> list[str]:
    """Groups whose machines do not share the work, in words.

    Args:
        members: machines of each group that ought to take turns.
        hours: run hours of each machine in the time looked at.
    """
    hints = []
    for group, names in members.items():
        ran = {name: hours.get(name, 0.0) for name in names}
        total = sum(ran.values())
        most = max(ran, key=lambda name: ran[name])
        even = 1.0 / len(names)
        if total < LEAST_HOURS or ran[most] / total <= max(UNEVEN_SHARE, even + 0.1):
            continue
        others = ", ".join(f"{name} {ran[name]:.0f} h" for name in names if name != most)
        hints.append(
            f"{group}: {most} ran {ran[most]:.0f} h of {total:.0f} h ({others}); they are to take "
            "turns: see to alternation and selectors before its service comes early"
        )
    return hints


def _order(line: TaskLine, rules: Mapping[str, ServiceRule]) -> int:
    rule = rules.get(f"{line.equipment}.{line.task}")
    return rule.order if rule is not None else 0


def _minutes(line: TaskLine, rules: Mapping[str, ServiceRule]) -> float:
    rule = rules.get(f"{line.equipment}.{line.task}")
    return rule.minutes or 0.0 if rule is not None else 0.0


def rules_by_subject(rules: Iterable[ServiceRule]) -> dict[str, ServiceRule]:
    """The tasks by ``equipment.task``."""
    return {rule.subject: rule for rule in rules}


def _day(text: Any) -> date | None:
    return date.fromisoformat(text) if isinstance(text, str) else None
