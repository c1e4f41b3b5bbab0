"""What a model expects at a place, read from its JSON Schema.

The schema is the one description of a model that names every bound, word and mark; the sentences
about wrong values, the checks of references and the file for editors are all made from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from pydantic import BaseModel

from collector.plant.findings import Path
from collector.plant.names import WORDS_OF_PATTERN

Shape = dict[str, Any]


class Shapes:
    """The shapes of one model.

    Args:
        model: any pydantic model; its schema is made once.
    """

    def __init__(self, model: type[BaseModel]) -> None:
        self._schema: Shape = model.model_json_schema()

    @property
    def root(self) -> Shape:
        """What the whole file must be."""
        return self.resolved(self._schema)

    def resolved(self, shape: Shape) -> Shape:
        """The shape with references followed and the alternative "nothing" left out."""
        while True:
            if "$ref" in shape:
                name = shape["$ref"].rpartition("/")[2]
                rest = {key: value for key, value in shape.items() if key != "$ref"}
                shape = {**self._schema["$defs"][name], **rest}
            elif len(kept := [s for s in shape.get("anyOf", ()) if s.get("type") != "null"]) == 1:
                rest = {key: value for key, value in shape.items() if key != "anyOf"}
                shape = {**kept[0], **rest}
            else:
                return shape

    def inner(self, shape: Shape, step: str | int) -> Shape | None:
        """The shape of what stands behind a key or at a list position; None if there is none."""
        found: Shape | None = None
        if step in shape.get("properties", {}):
            found = shape["properties"][step]
        elif "patternProperties" in shape:
            found = next(iter(shape["patternProperties"].values()))
        elif isinstance(shape.get("additionalProperties"), dict):
            found = shape["additionalProperties"]
        elif "items" in shape and isinstance(step, int):
            found = shape["items"]
        return None if found is None else self.resolved(found)

    def alternative(self, shape: Shape, word: object) -> Shape | None:
        """The shape that a discriminating word (``kind: tcp``) chooses; None if it chooses none."""
        reference = shape.get("discriminator", {}).get("mapping", {}).get(word)
        return None if reference is None else self.resolved({"$ref": reference})

    def marked(self, data: Any, shape: Shape | None = None, path: Path = ()) -> Iterator[Marked]:
        """Every text in ``data`` whose shape is marked as a reference to something else.

        Args:
            data: plain values that fit the shape.
            shape: their shape; the model's own where left out.
            path: where ``data`` stands; put before the paths returned.

        Yields:
            Path, text and the shape that carries the mark.
        """
        shape = self.root if shape is None else self.resolved(shape)
        if isinstance(data, str) and ("point_kinds" in shape or "equipment_kinds" in shape):
            yield path, data, shape
        elif isinstance(data, dict):
            for key, value in data.items():
                inner = self.inner(shape, key)
                if inner is not None:
                    yield from self.marked(value, inner, (*path, key))
        elif isinstance(data, list) and "items" in shape:
            for position, value in enumerate(data):
                yield from self.marked(value, shape["items"], (*path, position))


Marked = tuple[Path, str, Shape]


@cache
def shapes_of(model: type[BaseModel]) -> Shapes:
    """The shapes of a model, made once for each."""
    return Shapes(model)


def words_of(shape: Shape) -> str:
    """What a shape expects, as the end of a sentence: "a whole number from 1 to 247"."""
    if "words" in shape:
        return str(shape["words"])
    if "enum" in shape:
        return f"one of {', '.join(str(word) for word in shape['enum'])}"
    if "const" in shape:
        return f"'{shape['const']}'"
    if "discriminator" in shape:
        discriminator = shape["discriminator"]
        return f"a block of keys with '{discriminator['propertyName']}'"
    if "anyOf" in shape:
        kinds = [words_of(one) for one in shape["anyOf"] if one.get("type") != "null"]
        return " or ".join(dict.fromkeys(kinds))
    kind = shape.get("type")
    if kind == "string":
        return _text_words(shape)
    if kind in ("integer", "number"):
        return ("a whole number" if kind == "integer" else "a number") + _bounds(shape)
    if kind == "boolean":
        return "true or false"
    if kind == "array":
        least = shape.get("minItems", 0)
        return f"a list of at least {least}" if least > 1 else "a list"
    if kind == "object":
        return _block_words(shape)
    return str(shape.get("description", "another value"))


def _text_words(shape: Shape) -> str:
    pattern = shape.get("pattern")
    if pattern is not None:
        return WORDS_OF_PATTERN.get(pattern, str(shape.get("description", "text of another form")))
    return "text that is not empty" if shape.get("minLength") else "text"


def _bounds(shape: Shape) -> str:
    low, high = shape.get("minimum"), shape.get("maximum")
    above, below = shape.get("exclusiveMinimum"), shape.get("exclusiveMaximum")
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    least = f" of at least {low:g}" if low is not None else ""
    least = f" above {above:g}" if above is not None else least
    most = f" of at most {high:g}" if high is not None else ""
    most = f" below {below:g}" if below is not None else most
    return f"{least}{' and' if least and most else ''}{most}"


def _block_words(shape: Shape) -> str:
    required = [f"'{key}'" for key in shape.get("required", ())]
    if "properties" in shape:
        return "a block of keys" + (f" with {_and(required)}" if required else "")
    return "a block with at least one name" if shape.get("minProperties") else "a block of names"


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def either(words: Iterable[str]) -> str:
    """Words as a choice: "a pump, blower or mixer"."""
    *others, last = words
    return f"{', '.join(others)} or {last}" if others else last
