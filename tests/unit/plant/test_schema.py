"""The JSON Schema for editors is up to date, valid and agrees with the loader.

Source: JSON Schema, draft 2020-12, by the ``jsonschema`` library.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from collector.plant.schema import OUR_MARKS, plant_schema, schema_text
from collector.plant.yaml_source import read_yaml
from tests.unit.plant.wrong_files import EVERY_KIND, WrongFile, wrong_files

CONFIG = Path(__file__).parents[3] / "config"
SCHEMA_FILE = CONFIG / "plant.schema.json"
VALIDATOR = jsonschema.Draft202012Validator(plant_schema())
SHIPPED = [CONFIG / "one-sump" / "plant.yaml", CONFIG / "osier-bend" / "plant.yaml"]


def as_json(text: str) -> Any:
    """A plant file as an editor sees it: by YAML 1.2, and with text keys only, as JSON has."""
    return json.loads(json.dumps(read_yaml(text).data))


def test_the_schema_file_is_up_to_date() -> None:
    """The file in ``config`` is what the models say today."""
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), (
        "config/plant.schema.json is stale; regenerate it with "
        "'weirkeeper check --schema > config/plant.schema.json'"
    )


def test_the_schema_is_one() -> None:
    """The schema itself is valid by its own dialect."""
    jsonschema.Draft202012Validator.check_schema(plant_schema())


@pytest.mark.parametrize(
    "path", [*SHIPPED, EVERY_KIND], ids=lambda path: f"{path.parent.name}/{path.stem}"
)
def test_good_plant_files_agree_with_the_schema(path: Path) -> None:
    """What loads is not underlined in an editor."""
    VALIDATOR.validate(as_json(path.read_text(encoding="utf-8")))


def test_the_template_names_its_schema() -> None:
    """The first line of the smallest plant leads an editor to the schema, from where it stands."""
    template = CONFIG / "one-sump" / "plant.yaml"
    first = template.read_text(encoding="utf-8").splitlines()[0]
    start = "# yaml-language-server: $schema="
    assert first.startswith(start)
    assert (template.parent / first.removeprefix(start)).resolve() == SCHEMA_FILE.resolve()


# What JSON Schema cannot say: NaN is no JSON, 2.0 is a whole number there (core specification of
# draft 2020-12, section 4.2.3), and all keys are text.
BEYOND_JSON = {
    "scan period not a number",
    "unit identifier fraction",
    "states with text keys",
}


@pytest.mark.parametrize(
    "case",
    [case for case in wrong_files("wrong_values.txt") if case.name not in BEYOND_JSON],
    ids=lambda case: str(case.name).replace(" ", "-"),
)
def test_an_editor_refuses_what_the_loader_refuses(case: WrongFile) -> None:
    """A wrong value, key or block is underlined in an editor too."""
    assert list(VALIDATOR.iter_errors(as_json(case.text)))


def described(part: Any, path: str = "") -> Iterator[tuple[str, str | None]]:
    """Every key a schema names, with its description."""
    if isinstance(part, dict):
        for name, inner in part.get("properties", {}).items():
            yield f"{path}.{name}", inner.get("description")
        for key, inner in part.items():
            yield from described(inner, f"{path}.{key}")
    elif isinstance(part, list):
        for inner in part:
            yield from described(inner, path)


def test_every_key_is_described() -> None:
    """An editor shows help for each key; none is left without."""
    keys = list(described(plant_schema()))
    assert len(keys) > 100
    assert [key for key, text in keys if not text] == []


def test_marks_of_ours_are_not_published() -> None:
    """The schema has no keywords that only this program knows."""

    def keywords(part: Any, names: bool) -> Iterator[str]:
        if isinstance(part, dict):
            for key, inner in part.items():
                if not names:
                    yield key
                named = key in ("properties", "$defs", "patternProperties") and not names
                yield from keywords(inner, named)
        elif isinstance(part, list):
            for inner in part:
                yield from keywords(inner, False)

    assert not set(keywords(plant_schema(), False)) & set(OUR_MARKS)
