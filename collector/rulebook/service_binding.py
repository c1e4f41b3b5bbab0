"""Binds tasks of service to the equipment of a plant.

A task for each of a kind is bound to every piece of it for which at least one of its intervals can
be counted; an interval that cannot, because the plant file gives the machine no such contact or
curve, is left out for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from collector.core.conditions.compiling import compile_condition
from collector.core.conditions.contract import BadCondition, Limit, Name
from collector.core.diagnosis.wording import CAUTIONS
from collector.core.service.rule import (
    COUNTED,
    CalendarInterval,
    ConditionInterval,
    Interval,
    ServiceRule,
    UseInterval,
)
from collector.errors import Problem
from collector.plant.findings import Finding, nearest_name
from collector.plant.model import Plant
from collector.plant.yaml_source import SourceTree
from collector.rulebook.amounts import Figure, figure_of
from collector.rulebook.binding import names_in
from collector.rulebook.inside import mark_inside
from collector.rulebook.plant_names import PlantNames
from collector.rulebook.service_model import ServiceEntry
from collector.rulebook.vocabulary import (
    kind_of,
    owners_of,
    title_of,
)

DAYS_OF_MONTH = 30.44


@dataclass(frozen=True, slots=True)
class Task:
    """One task of a file."""

    name: str
    tree: SourceTree
    entry: ServiceEntry

    @property
    def source(self) -> str:
        """File and line, for people."""
        place = self.tree.marks[("service", self.name)]
        return f"{self.tree.file}:{(place.key or place.value).line}"

    def problem(self, finding: Finding) -> Problem:
        """A finding of the task, placed in the file."""
        return self.tree.problem(finding.below("service", self.name))


def bound(
    task: Task, plant: Plant, known: PlantNames, problems: list[Problem]
) -> Iterator[ServiceRule]:
    """The task for each piece of equipment it is for.

    Args:
        task: as read.
        plant: a checked plant file.
        known: its names.
        problems: everything wrong with it is added.
    """
    whom = task.entry.bound_to
    owners: list[str] = []
    if whom.one is not None:
        if kind_of(plant, whom.one) is None:
            everything = [*plant.equipment, *plant.panels]
            nearest = nearest_name(whom.one, everything)
            finding = Finding(("for", "one"), f"'{whom.one}'", "the name of equipment", nearest)
            problems.append(task.problem(finding))
            return
        owners = [whom.one]
    elif whom.each is not None:
        owners = list(owners_of(plant, whom.each))
        for position, name in enumerate(whom.leaving_out):
            if name not in owners:
                finding = Finding(
                    ("for", "except", position), f"'{name}'",
                    f"the name of one of the kind {whom.each}", nearest_name(name, owners),
                )  # fmt: skip
                problems.append(task.problem(finding))
    for owner in owners:
        if owner in whom.leaving_out:
            continue
        names = known.of(owner)
        kind = kind_of(plant, owner) or ""
        text = task.entry.every.when or ""
        possible = known.of_kind(kind) if text else {}
        lacks = any(name not in names and name in possible for name in names_in(text))
        intervals = tuple(_intervals(task, names, problems, lacks=lacks))
        if intervals:
            yield _rule(task, owner, title_of(plant, owner), intervals)


def _intervals(
    task: Task, names: Mapping[str, Name], problems: list[Problem], *, lacks: bool
) -> Iterator[Interval]:
    """Those that can be counted for an owner; ``lacks`` says it has not all the condition names."""
    every = task.entry.every
    amounts: dict[str, float | None] = {
        "run_hours": None if every.run_hours is None else _number(every.run_hours) * 3600.0,
        "starts": every.starts,
        "cycles": every.cycles,
        "volume": None if every.volume is None else _number(every.volume),
    }
    for way, amount in amounts.items():
        if amount is not None and f"this.{COUNTED[way].quantity}" in names:
            yield UseInterval(way, float(amount))
    if every.calendar is not None:
        yield calendar_of(every.calendar)
    if every.when is not None and not lacks:
        condition = _condition(task, every.when, names, problems)
        if condition is not None:
            yield condition


def _condition(
    task: Task, text: str, names: Mapping[str, Name], problems: list[Problem]
) -> ConditionInterval | None:
    limits = {}
    for name, written in task.entry.limits.items():
        figure = figure_of(written if isinstance(written, str | float) else written.value)
        assert isinstance(figure, Figure)  # or the task would not have been taken
        limits[name] = Limit(figure.value, figure.unit)
    try:
        return ConditionInterval(compile_condition(text, names, limits))
    except BadCondition as error:
        path = ("service", task.name, "every", "when")
        for fault in error.faults:
            found = Finding(path, fault.found, fault.expected, fault.nearest)
            problem = task.tree.problem(found)
            mark = mark_inside(task.tree, path, fault.start)
            if mark is not None:
                problem = Problem(
                    problem.file, mark.line, mark.column, problem.where, fault.found,
                    fault.expected, fault.nearest,
                )  # fmt: skip
            if problem not in problems:
                problems.append(problem)
        return None


def _rule(task: Task, owner: str, title: str, intervals: tuple[Interval, ...]) -> ServiceRule:
    entry = task.entry
    ahead = calendar_of(entry.notice_ahead)
    return ServiceRule(
        owner, task.name, f"{title}: {entry.title}", intervals,
        ahead.days + ahead.months * DAYS_OF_MONTH, entry.minutes, tuple(entry.tools),
        tuple(entry.parts), tuple(entry.steps),
        tuple(CAUTIONS.get(each, each) for each in entry.caution), entry.order, entry.example,
        task.source,
    )  # fmt: skip


def calendar_of(text: str) -> CalendarInterval:
    """``6 months`` as a span of the calendar; ``service_model`` has checked its form."""
    number, unit = text.split(" ")
    count = int(number)
    if unit.startswith("day"):
        return CalendarInterval(0, count)
    return CalendarInterval(count * (12 if unit.startswith("year") else 1), 0)


def _number(text: str) -> float:
    return float(text.split(" ")[0])
