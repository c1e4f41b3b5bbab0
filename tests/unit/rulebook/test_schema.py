"""The JSON Schema of rule files is up to date, valid, and agrees with what ships.

Source: JSON Schema, draft 2020-12, by the ``jsonschema`` library.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from collector.plant.schema import OUR_MARKS
from collector.plant.yaml_source import read_yaml
from collector.rulebook.model import rules_schema, schema_text

ROOT = Path(__file__).parents[3]
SCHEMA_FILE = ROOT / "config" / "rules.schema.json"
VALIDATOR = jsonschema.Draft202012Validator(rules_schema())
SHIPPED = sorted((ROOT / "rules").glob("*.yaml"))


def as_json(text: str) -> Any:
    """A rule file as an editor sees it."""
    return json.loads(json.dumps(read_yaml(text).data))


def test_the_schema_file_is_up_to_date() -> None:
    """The file in ``config`` is what the models say today."""
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), (
        "config/rules.schema.json is stale; regenerate it with "
        "'weirkeeper check --schema rules > config/rules.schema.json'"
    )


def test_the_schema_is_one() -> None:
    """The schema itself is valid by its own dialect."""
    jsonschema.Draft202012Validator.check_schema(rules_schema())


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_files_agree_with_the_schema_they_name(path: Path) -> None:
    """An editor finds the schema from the first line of a file, and underlines nothing in it."""
    text = path.read_text(encoding="utf-8")
    start = "# yaml-language-server: $schema="
    assert text.splitlines()[0].startswith(start)
    named = path.parent / text.splitlines()[0].removeprefix(start)
    assert named.resolve() == SCHEMA_FILE.resolve()
    VALIDATOR.validate(as_json(text))


def test_a_rule_that_is_switched_off_agrees_with_it() -> None:
    """It needs nothing but to say so."""
    VALIDATOR.validate(as_json("alarms:\n  high_water: {switched_off: true, note: no float}\n"))


@pytest.mark.parametrize(
    "text",
    [
        "alarms: {}",
        "alarms: {high: {switched_off: false}}",
        "alarms: {high: {title: high}}",
        "alarms: {Bad name: {switched_off: true}}",
        "alarm: {}",
    ],
)
def test_an_editor_refuses_what_the_loader_refuses(text: str) -> None:
    """A missing or wrong key is underlined."""
    assert list(VALIDATOR.iter_errors(as_json(text)))


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


def test_every_key_is_described_and_no_mark_of_ours_published() -> None:
    """An editor shows help for each key, in standard keywords only."""
    keys = list(described(rules_schema()))
    assert len(keys) > 25
    assert [key for key, text in keys if not text] == []
    assert not any(f'"{mark}":' in schema_text() for mark in OUR_MARKS)
