"""Turns what pydantic refuses into our own sentences, with file, line and column.

Only the place and the kind of a refusal are taken from pydantic. What is expected there is read
from the model's own schema (``shapes.py``), so that one wrong value gives one whole sentence,
whichever of its bounds it breaks. Any file that is read by ``yaml_source.py`` into a model can be
reported like this.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from collector.errors import Problem
from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.names import NAME_PATTERN, WORDS_OF_PATTERN, maybe_name
from collector.plant.shapes import Shape, Shapes, shapes_of, words_of
from collector.plant.yaml_source import SourceTree
from collector.plant.yaml_tree import shortened

UNKNOWN_KEY = ("extra_forbidden", "invalid_key")
KEY_MARK = "[key]"


def validation_problems(
    error: ValidationError, tree: SourceTree, model: type[BaseModel]
) -> list[Problem]:
    """Everything pydantic refused in a file, in the order of its lines.

    Args:
        error: what ``model.model_validate(tree.data)`` raised.
        tree: the file.
        model: the model it was read into.
    """
    shapes = shapes_of(model)
    findings: dict[Path, list[Finding]] = {}
    for detail in error.errors(include_url=False, include_input=False):
        finding = _finding(detail, tree, shapes)
        others = findings.setdefault(finding.path, [])
        # The members of a union each refuse the same value: one sentence is enough.
        if all(other.found != finding.found for other in others):
            others.append(finding)
    every = [finding for group in findings.values() for finding in group]
    return in_file_order([tree.problem(finding) for finding in _without_echoes(every)])


def in_file_order(problems: Sequence[Problem]) -> list[Problem]:
    """Problems sorted as a person goes through the file, repetitions left out."""
    unique = dict.fromkeys(problems)
    return sorted(unique, key=lambda problem: (problem.line or 0, problem.column or 0))


def _without_echoes(findings: list[Finding]) -> list[Finding]:
    """Leave out "no 'host'" where the same block has an unknown key that was meant for it."""
    meant = {
        (finding.path[:-1], finding.nearest) for finding in findings if finding.nearest is not None
    }
    return [
        finding
        for finding in findings
        if not (
            finding.found.startswith("no '")
            and (finding.path, finding.found.removeprefix("no '").removesuffix("'")) in meant
        )
    ]


def _finding(detail: Any, tree: SourceTree, shapes: Shapes) -> Finding:
    kind: str = detail["type"]
    path, shape, names_key = _place(detail["loc"], kind, tree, shapes)
    if names_key:
        return _wrong_key_name(path, shape)
    if kind in UNKNOWN_KEY:
        return _unknown_key(path, shape, tree)
    if kind == "missing":
        key = str(path[-1])
        return Finding(path[:-1], f"no '{key}'", f"'{key}' with {words_of(shape)}", at_key=True)
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return _wrong_alternative(path, shape, tree)
    expected = words_of(shape)
    if kind == "string_type" and "minLength" in shape:
        expected = "text"
    if kind == "value_error":
        expected = str(detail.get("ctx", {}).get("error", expected))
    if kind == "finite_number":
        expected = expected.replace("a number", "a finite number")
    value = tree.value(path)
    return Finding(path, tree.written(path), expected + _hint(value, shape), _nearest(value, shape))


def _place(
    location: Sequence[str | int], kind: str, tree: SourceTree, shapes: Shapes
) -> tuple[Path, Shape, bool]:
    """The path in the file, the shape there, and whether the name of the key is meant.

    Pydantic's location also names the branch of a union it was in; those steps are left out. For an
    unknown key the shape is that of the block around it.
    """
    path: list[str | int] = []
    shape = shapes.root
    for position, step in enumerate(location):
        last = position == len(location) - 1
        if step == KEY_MARK and last:
            return tuple(path), shape, True
        chosen = shapes.alternative(shape, step)
        if chosen is not None:
            shape = chosen
            continue
        if last and kind in UNKNOWN_KEY:
            path.append(_key_in_file(tree, path, step))
            return tuple(path), shape, False
        inner = shapes.inner(shape, step)
        if inner is None:
            break
        container = shape
        path.append(_key_in_file(tree, path, step))
        # A refused name of a key is told with the shape of the block that holds it.
        shape = container if location[position + 1 :] == (KEY_MARK,) else inner
    return tuple(path), shape, False


def _key_in_file(tree: SourceTree, path: list[str | int], step: str | int) -> str | int:
    """The step as the file has it: pydantic writes whole-number keys as text at times."""
    block = tree.value(tuple(path))
    if isinstance(block, dict) and step not in block and re.fullmatch(r"-?\d{1,40}", str(step)):
        return int(step)
    return step


def _wrong_key_name(path: Path, shape: Shape) -> Finding:
    key = str(path[-1])
    pattern = next(iter(shape.get("patternProperties", {})), None)
    if pattern is None:
        quoted = ", without quotes" if re.fullmatch(r"-?\d+", key) else ""
        expected = f"a whole number as the key{quoted}"
        return Finding(path, f"the key '{shortened(key)}'", expected, at_key=True)
    expected = WORDS_OF_PATTERN.get(pattern, "a name of another form")
    nearest = maybe_name(key) if pattern == NAME_PATTERN else None
    return Finding(path, f"the name '{shortened(key)}'", expected, nearest, at_key=True)


def _unknown_key(path: Path, shape: Shape, tree: SourceTree) -> Finding:
    key = str(path[-1])
    present = tree.value(path[:-1])
    known = list(shape.get("properties", {}))
    missing = [name for name in known if name not in present]
    nearest = nearest_name(key, missing)
    expected = "one this block has"
    if nearest is None:
        expected = f"one of {', '.join(missing or known)}"
    return Finding(path, f"the unknown key '{shortened(key)}'", expected, nearest, at_key=True)


def _wrong_alternative(path: Path, shape: Shape, tree: SourceTree) -> Finding:
    discriminator = shape["discriminator"]
    key, words = discriminator["propertyName"], list(discriminator["mapping"])
    block = tree.value(path)
    if isinstance(block, dict) and key in block:
        path = (*path, key)
        return Finding(
            path,
            tree.written(path),
            f"one of {', '.join(words)}",
            nearest_name(str(block[key]), words),
        )
    return Finding(path, f"no '{key}'", f"'{key}' with one of {', '.join(words)}", at_key=True)


def _hint(value: object, shape: Shape) -> str:
    """What to do about a value whose type is nearly right."""
    kind = shape.get("type")
    if kind == "string" and "enum" not in shape and isinstance(value, (bool, int, float)):
        return "; quotes make it text"
    if kind in ("integer", "number") and isinstance(value, str):
        if re.fullmatch(r"[-+]?\d+,\d+", value):
            return ", with a decimal point"
        if re.fullmatch(r"[-+]?[\d.]+", value):
            return ", without quotes"
    if kind == "boolean" and isinstance(value, str):
        return ", without quotes" if value.casefold() in ("true", "false") else ""
    return ""


def _nearest(value: object, shape: Shape) -> str | None:
    if not isinstance(value, str):
        return None
    if "enum" in shape:
        return nearest_name(value, [str(word) for word in shape["enum"]])
    return maybe_name(value) if shape.get("pattern") == NAME_PATTERN else None
