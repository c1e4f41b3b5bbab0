"""A plant file as it was read, with the text and hash under which the journal keeps it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from collector.errors import Problem
from collector.plant.load import plant_of
from collector.plant.model import Plant
from collector.plant.yaml_source import read_yaml


@dataclass(frozen=True, slots=True)
class PlantFile:
    """A checked plant file.

    Args:
        path: as the user gave it.
        text: the whole file.
        plant: what it says.
    """

    path: Path
    text: str
    plant: Plant

    @property
    def hash(self) -> str:
        """SHA-256 of the text, in hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def read_plant_file(path: Path) -> PlantFile:
    """Read and check a plant file.

    Raises:
        ConfigurationError: with every problem of the file.
    """
    problems: list[Problem] = []
    tree = read_yaml(path, str(path), problems)
    return PlantFile(path, tree.text, plant_of(tree, problems))
