"""The names of one plant, made once for all rules that are bound to it.

Every rule asks for them for each piece of equipment, so what the whole plant has is kept once and
shared, and only ``this`` and what belongs to it are made for each.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Mapping

from collector.core.conditions.contract import Name
from collector.plant.model import Plant
from collector.rulebook.vocabulary import own_vocabulary, vocabulary_of, vocabulary_of_kind


class PlantNames:
    """What conditions may name in a plant.

    Args:
        plant: a checked plant file.
    """

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._whole = vocabulary_of(plant)
        self._of_owner: dict[str, Mapping[str, Name]] = {}
        self._of_kind: dict[str, Mapping[str, Name]] = {}

    def of(self, owner: str) -> Mapping[str, Name]:
        """Every name for a rule about an owner; see ``vocabulary_of``."""
        if owner not in self._of_owner:
            self._of_owner[owner] = ChainMap(own_vocabulary(self._plant, owner), self._whole)
        return self._of_owner[owner]

    def of_kind(self, kind: str) -> Mapping[str, Name]:
        """Every name for a rule about each of a kind; see ``vocabulary_of_kind``."""
        if kind not in self._of_kind:
            self._of_kind[kind] = vocabulary_of_kind(self._plant, kind)
        return self._of_kind[kind]
