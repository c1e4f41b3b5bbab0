"""The JSON Schema of a plant file, by which an editor completes, explains and checks it.

It is made from the models and kept in ``config/plant.schema.json``; a plant file names it in its
first line (``# yaml-language-server: $schema=...``). It says what one value may be; what two parts
must be together only ``weirkeeper check`` knows.

Source of the form: JSON Schema, draft 2020-12.
"""

from __future__ import annotations

import json
import re
from typing import Any

from collector.plant.model import Plant
from collector.plant.names import NAME_PATTERN, NAME_WORDS

DIALECT = "https://json-schema.org/draft/2020-12/schema"
WHOLE_NUMBER_KEY = r"^-?[0-9]+$"
OUR_MARKS = ("point_kinds", "equipment_kinds", "measures", "words", "discriminator")


def plant_schema() -> dict[str, Any]:
    """The schema as a plain structure."""
    return {"$schema": DIALECT, **published(Plant.model_json_schema())}


def schema_text() -> str:
    """The schema as ``config/plant.schema.json`` holds it."""
    return json.dumps(plant_schema(), indent=2, ensure_ascii=False) + "\n"


def published(part: Any) -> Any:
    """A part of a model's schema without what only this program reads.

    Titles are dropped where pydantic made them of the name of the key ("Scan Period S"); names of
    entries are closed, since ``patternProperties`` alone would let any other name through.
    """
    if isinstance(part, list):
        return [published(item) for item in part]
    if not isinstance(part, dict):
        return part
    kept: dict[str, Any] = {}
    for key, value in part.items():
        if key in OUR_MARKS or (key == "title" and isinstance(value, str)):
            continue
        if key in ("properties", "$defs", "patternProperties"):
            kept[key] = {name: published(inner) for name, inner in value.items()}
        elif key == "description" and isinstance(value, str):
            kept[key] = re.sub(r"\s+", " ", value.replace("``", "'"))
        elif key != "propertyNames":
            kept[key] = published(value)
    if "patternProperties" in kept:
        kept["propertyNames"] = {"pattern": NAME_PATTERN, "description": NAME_WORDS}
        kept["additionalProperties"] = False
    elif isinstance(kept.get("additionalProperties"), dict):
        kept["propertyNames"] = {"pattern": WHOLE_NUMBER_KEY}
    return kept
