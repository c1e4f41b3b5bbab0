"""Reads a plant file: YAML, then the models, then what must hold between the parts.

Everything wrong with a file is told at once. Only a file that is no YAML at all stops early, since
nothing after the first misread line means what it seems to.
"""

from __future__ import annotations

from pathlib import Path as FilePath

from pydantic import ValidationError

from collector.errors import ConfigurationError, Problem
from collector.plant.equipment_rules import equipment_findings
from collector.plant.model import Plant
from collector.plant.panel_rules import panel_findings
from collector.plant.point_rules import point_findings
from collector.plant.references import reference_findings
from collector.plant.survey import Survey, salvage, survey_of
from collector.plant.validation import in_file_order, validation_problems
from collector.plant.yaml_source import SourceTree, read_yaml


def load_plant(path: FilePath | str) -> Plant:
    """Read and check a plant file.

    Args:
        path: the file; problems name it as given here.

    Raises:
        ConfigurationError: everything that is wrong with it.
    """
    problems: list[Problem] = []
    return plant_of(read_yaml(FilePath(path), str(path), problems), problems)


def parse_plant(text: str, file_name: str) -> Plant:
    """Read and check a plant file that is already in memory.

    Args:
        text: the whole file.
        file_name: its name in problems.

    Raises:
        ConfigurationError: everything that is wrong with it.
    """
    problems: list[Problem] = []
    return plant_of(read_yaml(text, file_name, problems), problems)


def plant_of(tree: SourceTree, noted: list[Problem]) -> Plant:
    """The plant in a file that was read.

    Args:
        tree: the file.
        noted: problems found while it was read; they are raised together with the rest.

    Raises:
        ConfigurationError: everything that is wrong with it.
    """
    problems = list(noted)
    plant: Plant | None = None
    try:
        plant = Plant.model_validate(tree.data)
    except ValidationError as error:
        problems += validation_problems(error, tree, Plant)
    survey = salvage(tree.data) if plant is None else survey_of(plant)
    problems += _checked(survey, tree)
    if plant is None or problems:
        raise ConfigurationError(in_file_order(problems))
    return plant


def _checked(survey: Survey, tree: SourceTree) -> list[Problem]:
    findings = [
        finding
        for panel, name, point in survey.whole_points()
        for finding in point_findings(point, ("panels", panel, "points", name), tree)
    ]
    findings += panel_findings(survey, tree)
    findings += reference_findings(survey, tree)
    findings += equipment_findings(survey)
    return [tree.problem(finding) for finding in findings]
