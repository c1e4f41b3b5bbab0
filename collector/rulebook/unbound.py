"""Looks at rules without a plant, as far as that goes.

What a kind of equipment could have is known without a plant file; what panels have, names of other
equipment and the units of some points are not.
"""

from __future__ import annotations

from collector.core.conditions.compiling import Compiled
from collector.errors import Problem
from collector.plant.findings import Path
from collector.rulebook.binding import compiled, conditions_of, limits_of, names_in
from collector.rulebook.model import AlarmEntry
from collector.rulebook.reading import Entry
from collector.rulebook.roles import roles_of
from collector.rulebook.told import TOLD
from collector.rulebook.vocabulary import PLANT, RELATIONS, THIS, vocabulary_of_kind


def conditions_without_plant(
    entry: Entry, rule: AlarmEntry
) -> tuple[dict[Path, Compiled | None], list[Problem]]:
    """The conditions of a rule by their path, None for one that needs a plant; and what is wrong.

    Args:
        entry, rule: the rule.
    """
    kind = rule.bound_to.each
    found: dict[Path, Compiled | None] = {}
    problems: list[Problem] = []
    for path, text in conditions_of(rule):
        found[path] = None
        if kind is None or _needs_plant(kind, text):
            continue
        made = compiled(entry, path, text, vocabulary_of_kind(None, kind), limits_of(rule))
        if isinstance(made, list):
            problems += made
        else:
            found[path] = made
    return found, problems


def _needs_plant(kind: str, text: str) -> bool:
    told_of_panels = {told.name for told in TOLD["panel"]}
    for name in names_in(text):
        owner, _, last = name.partition(".")
        of_kind = kind if owner == THIS else RELATIONS.get(owner)
        if of_kind in (None, PLANT) or (of_kind == "panel" and last not in told_of_panels):
            return True
        role = next((each for each in roles_of(of_kind or "") if each.name == last), None)
        if role is not None and role.point_kinds != ("contact",) and role.measures is None:
            return True
    return False
