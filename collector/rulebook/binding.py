"""Binds rules to the equipment of a plant.

A rule for each of a kind is bound to every piece of it that has all its condition names; where a
plant file gives one no such role, the rule is left out for it, which is no mistake. A name that no
equipment of the kind could have is one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from collector.core.alarms.rule import (
    AlarmRule,
    Happens,
    Missing,
    Shape,
    Stands,
    Suppression,
)
from collector.core.conditions.compiling import Compiled, compile_condition
from collector.core.conditions.contract import BadCondition, Condition, Fault, Limit, Name
from collector.core.conditions.trial import question
from collector.core.diagnosis.wording import CAUTIONS
from collector.errors import Problem
from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.model import Plant
from collector.plant.yaml_source import SourceTree
from collector.rulebook.amounts import Figure, duration_us, figure_of
from collector.rulebook.inside import mark_inside
from collector.rulebook.model import AlarmEntry
from collector.rulebook.plant_names import PlantNames
from collector.rulebook.reading import Entry
from collector.rulebook.vocabulary import (
    kind_of,
    owners_of,
    title_of,
)

_TEXTS = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'(?:[^'\\]|\\.)*'")
_NAMES = re.compile(r"(?<![\w.])[A-Za-z_]\w*\.[A-Za-z_]\w*")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A piece of equipment for which a rule has not all its names.

    Args:
        owner: the equipment.
        missing: the names, as the rule writes them.
    """

    owner: str
    missing: tuple[str, ...]


@dataclass(slots=True)
class Binding:
    """One rule in a plant.

    Args:
        entry: the rule.
        kind: of the equipment it is for.
        spoken: its conditions by path, about "this pump" instead of one pump, for people.
        alarms: the rule as bound, one for each piece of equipment.
        left_out: for whom it is left out.
        problems: everything wrong with it.
        questions: what is odd about it, with its place; no mistake for sure.
    """

    entry: Entry
    kind: str
    spoken: dict[Path, Compiled] = field(default_factory=dict)
    alarms: list[AlarmRule] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)


class Binder:
    """Binds rules to one plant.

    Args:
        plant: a checked plant file.
    """

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._names = PlantNames(plant)

    def bind(self, entry: Entry, rule: AlarmEntry) -> Binding | list[Problem]:
        """Bind one rule.

        Args:
            entry: where it stands.
            rule: what it says.

        Returns:
            the rule in this plant, or what is wrong with whom it is for.
        """
        whom = list(self._whom(rule))
        wrong = [each for each in whom if isinstance(each, Finding)]
        if wrong:
            return [entry.tree.problem(each.below(*entry.path)) for each in wrong]
        owners = [each for each in whom if isinstance(each, str)]
        kind = rule.bound_to.each or kind_of(self._plant, rule.bound_to.one or "") or ""
        binding = Binding(entry, kind)
        names, limits = self._names.of_kind(kind), limits_of(rule)
        for path, text in conditions_of(rule):
            made = compiled(entry, path, text, names, limits)
            if isinstance(made, list):
                binding.problems += made
            else:
                binding.spoken[path] = made
                binding.questions += asked(entry, path, made, names)
        if not binding.problems:
            for owner in owners:
                self._bind_to(owner, binding, rule, limits)
        return binding

    def _whom(self, rule: AlarmEntry) -> Iterator[str | Finding]:
        plant, whom = self._plant, rule.bound_to
        if whom.one is not None:
            if kind_of(plant, whom.one) is not None:
                yield whom.one
                return
            everything = [*plant.equipment, *plant.panels]
            expected = "the name of equipment or a panel of the plant"
            nearest = nearest_name(whom.one, everything)
            yield Finding(("for", "one"), f"'{whom.one}'", expected, nearest)
        elif whom.each is not None:
            owners = owners_of(plant, whom.each)
            for position, name in enumerate(whom.leaving_out):
                if name not in owners:
                    expected = f"the name of one of the kind {whom.each}"
                    nearest = nearest_name(name, owners)
                    yield Finding(("for", "except", position), f"'{name}'", expected, nearest)
            yield from (name for name in owners if name not in whom.leaving_out)

    def _bind_to(
        self, owner: str, binding: Binding, rule: AlarmEntry, limits: Mapping[str, Limit]
    ) -> None:
        entry, names = binding.entry, self._names.of(owner)
        missing = tuple(name for name in names_in(rule.when) if name not in names)
        if missing:
            binding.left_out.append(LeftOut(owner, missing))
            return
        made = compiled(entry, ("when",), rule.when, names, limits)
        suppressions: list[Suppression] = []
        for position, each in enumerate(rule.suppressed_by):
            if any(name not in names for name in names_in(each.when)):
                continue  # what would suppress it does not exist here
            path: Path = ("suppressed_by", position, "when")
            condition = compiled(entry, path, each.when, names, limits)
            if isinstance(condition, list):
                binding.problems += [p for p in condition if p not in binding.problems]
            else:
                suppressions.append(Suppression(condition, each.reason))
        if isinstance(made, list):
            binding.problems += [each for each in made if each not in binding.problems]
            return
        title = f"{title_of(self._plant, owner)}: {rule.title}"
        binding.alarms.append(alarm_of(entry, rule, owner, title, made, tuple(suppressions)))


# --- one rule -----------------------------------------------------------------------------------


def conditions_of(rule: AlarmEntry) -> Iterator[tuple[Path, str]]:
    """Every condition of a rule with its path below the rule."""
    yield ("when",), rule.when
    for position, each in enumerate(rule.suppressed_by):
        yield ("suppressed_by", position, "when"), each.when


def names_in(text: str) -> tuple[str, ...]:
    """The names ``owner.name`` that a condition uses, each once."""
    return tuple(dict.fromkeys(_NAMES.findall(_TEXTS.sub('""', text))))


def limits_of(rule: AlarmEntry) -> dict[str, Limit]:
    """The limits of a rule that ``reading.py`` has passed."""
    found: dict[str, Limit] = {}
    for name, written in rule.limits.items():
        value, deadband = figure_of(written.value), figure_of(written.deadband or 0.0)
        assert isinstance(value, Figure)
        assert isinstance(deadband, Figure)
        width = deadband.value * deadband.unit.si_factor / value.unit.si_factor
        found[name] = Limit(value.value, value.unit, width)
    return found


def compiled(
    entry: Entry, path: Path, text: str, names: Mapping[str, Name], limits: Mapping[str, Limit]
) -> Compiled | list[Problem]:
    """A condition ready to be asked, or all that is wrong with it, placed in the file.

    Args:
        entry: the rule it is of.
        path: of the condition below the rule.
        text: the condition.
        names, limits: what it may use.
    """
    try:
        return compile_condition(text, names, limits)
    except BadCondition as error:
        return [_placed(entry.tree, (*entry.path, *path), fault) for fault in error.faults]


def asked(entry: Entry, path: Path, condition: Compiled, names: Mapping[str, Name]) -> list[str]:
    """What is odd about a condition, as a line with its place; nothing where nothing is.

    Args:
        entry: the rule it is of.
        path: of the condition below the rule.
        condition, names: the condition, and what it was compiled with.
    """
    odd = question(condition, names)
    if odd is None:
        return []
    where = entry.tree.problem(Finding((*entry.path, *path), "", ""))
    return [f"{where.file}:{where.line}:{where.column}: {where.where}: {odd}; is that meant?"]


def _placed(tree: SourceTree, path: Path, fault: Fault) -> Problem:
    problem = tree.problem(Finding(path, fault.found, fault.expected, fault.nearest))
    mark = mark_inside(tree, path, fault.start)
    if mark is None:
        return problem
    return Problem(
        problem.file, mark.line, mark.column, problem.where, fault.found, fault.expected,
        fault.nearest,
    )  # fmt: skip


def alarm_of(
    entry: Entry, rule: AlarmEntry, owner: str, title: str, condition: Condition,
    suppressions: tuple[Suppression, ...],
) -> AlarmRule:  # fmt: skip
    """A rule as the desk runs it.

    Args:
        entry, rule: the rule.
        owner, title: of the equipment, and what a person is told.
        condition, suppressions: compiled for it.
    """
    return AlarmRule(
        subject=f"{owner}.{entry.name}",
        title=title,
        condition=condition,
        shape=_shape(rule),
        on_delay_us=duration_us(rule.on_delay),
        off_delay_us=duration_us(rule.off_delay),
        priority=rule.rank,
        causes=tuple(rule.causes),
        consequence=rule.consequence,
        response=rule.response,
        respond_within_s=duration_us(rule.respond_within) / 1e6,
        caution=" ".join(CAUTIONS.get(each, each) for each in rule.caution),
        latching=rule.latching,
        suppressions=suppressions,
        source=entry.source,
    )


def _shape(rule: AlarmEntry) -> Shape:
    if rule.more_than is not None:
        return Happens(rule.more_than.times, duration_us(rule.more_than.within))
    if rule.not_within is not None:
        return Missing(duration_us(rule.not_within))
    return Stands()
