"""A rule in plain words: for whom, when, how gravely, and for whom it is left out."""

from __future__ import annotations

from collections.abc import Mapping

from collector.core.conditions.contract import Condition
from collector.core.own_points import COLLECTOR
from collector.plant.findings import Path
from collector.rulebook.binding import Binding, LeftOut, names_in
from collector.rulebook.model import AlarmEntry, SuppressedBy
from collector.rulebook.reading import Entry
from collector.rulebook.vocabulary import PLANT, RELATIONS, THIS, needs_of

OWNERLESS = {COLLECTOR: "the collector", PLANT: "the plant as a whole"}
BELONGING = {
    "this_panel": "a panel",
    "this_supply": "a supply that names its panel",
    "this_well": "a well",
    "this_group": "a group",
}


def whom(rule: AlarmEntry, kind: str) -> str:
    """For whom a rule is, with what that must have: "each pump with a fault contact"."""
    if rule.bound_to.one is not None:
        return rule.bound_to.one
    if kind in OWNERLESS:
        return OWNERLESS[kind]
    needs = [need for name in names_in(rule.when) if (need := lacking(kind, name))]
    text = f"each {kind.replace('_', ' ')}"
    if needs:
        text += f" with {_and(list(dict.fromkeys(needs)))}"
    if rule.bound_to.leaving_out:
        text += f", but not {_and(rule.bound_to.leaving_out)}"
    return text


def lacking(kind: str, name: str) -> str:
    """What equipment of a kind needs to have a name of a rule, in words; empty where nothing."""
    owner, _, last = name.partition(".")
    if owner == THIS:
        return needs_of(kind, last)
    if owner in RELATIONS:
        return BELONGING[owner]
    return ""


def sentence(rule: AlarmEntry, condition: Condition) -> str:
    """When the alarm is raised and clears."""
    so = condition.explain()
    if rule.more_than is not None:
        times, within = rule.more_than.times, rule.more_than.within
        text = f"raised when it comes true more than {times} times within {within} that {so}"
    elif rule.not_within is not None:
        text = f"raised when for {rule.not_within} it has not been so that {so}"
    else:
        text = f"raised when {so}"
    if rule.on_delay != "0 s":
        text += f", for {rule.on_delay}"
    if rule.off_delay != "0 s":
        text += f"; clears when that has not been so for {rule.off_delay}"
    if rule.latching:
        text += "; stays until it is reset"
    return text


def explained(binding: Binding, rule: AlarmEntry) -> list[str]:
    """A rule as bound to a plant, in some sentences.

    Args:
        binding: the rule in a plant; without problems.
        rule: what it says.
    """
    head = heading(binding.entry, rule, binding.kind)
    found = [f"{head} is {sentence(rule, binding.spoken['when',])}."]
    suppressing = {each.reason for alarm in binding.alarms for each in alarm.suppressions}
    for position, each in enumerate(rule.suppressed_by):
        if each.reason in suppressing:
            found.append(suppression(binding.spoken["suppressed_by", position, "when"], each))
    owners = [alarm.subject.partition(".")[0] for alarm in binding.alarms]
    if not owners:
        found.append("Here it is for nothing.")
    elif rule.bound_to.one is None and binding.kind not in OWNERLESS:
        found.append(f"Here: {', '.join(owners)}.")
    wanting: dict[str, list[str]] = {}
    for out in binding.left_out:
        wanting.setdefault(_lacked(binding.kind, out), []).append(out.owner)
    for lacked, without in wanting.items():
        found.append(f"Left out for want of {lacked}: {', '.join(without)}.")
    return found


def explained_without_plant(
    entry: Entry, rule: AlarmEntry, conditions: Mapping[Path, Condition | None]
) -> list[str]:
    """A rule in some sentences, as far as they can be said without a plant.

    Args:
        entry, rule: the rule.
        conditions: those it has, by path; None for one that needs a plant.
    """
    head = heading(entry, rule, rule.bound_to.each or "")
    main = conditions["when",]
    if main is None:
        return [f"{head}: its condition can only be checked with a plant file (--plant)."]
    found = [f"{head} is {sentence(rule, main)}."]
    for position, each in enumerate(rule.suppressed_by):
        condition = conditions["suppressed_by", position, "when"]
        if condition is not None:
            found.append(suppression(condition, each))
    return found


def heading(entry: Entry, rule: AlarmEntry, kind: str) -> str:
    """Name, priority, for whom and title of a rule."""
    return f"{entry.name} ({rule.priority}), for {whom(rule, kind)}: '{rule.title}'"


def suppression(condition: Condition, each: SuppressedBy) -> str:
    """When an alarm is suppressed by design."""
    return f"Suppressed while {condition.explain()}: {each.reason}."


def _lacked(kind: str, each: LeftOut) -> str:
    needs = [lacking(kind, name) or name for name in each.missing]
    return _and(list(dict.fromkeys(needs)))


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
