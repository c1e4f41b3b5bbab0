"""Refusals of any model become our sentences, so that settings and rule files can use them too."""

from __future__ import annotations

from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from collector.plant.shapes import shapes_of, words_of
from collector.plant.validation import validation_problems
from collector.plant.yaml_source import read_yaml


class Step(BaseModel):
    """An invented block."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    at: Annotated[int, Field(ge=0)]
    word: Literal["up", "down"] = "up"
    level: Annotated[float, Field(gt=-1, lt=1)] = 0.0
    code: Annotated[str, Field(pattern="^[A-Z]{3}$", description="three capital letters")] = "ABC"

    @field_validator("at")
    @classmethod
    def even(cls, at: int) -> int:
        """Refuse odd numbers."""
        if at % 2:
            raise ValueError("an even number")
        return at


class File(BaseModel):
    """An invented file."""

    model_config = ConfigDict(extra="forbid", strict=True)

    steps: Annotated[list[Step], Field(min_length=1)]
    by_number: dict[int, Step] = {}
    either: int | str | None = None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("steps: []\n", "steps: found an empty list, expected a list"),
        ("steps: [{at: 3}]\n", "steps.1.at: found 3, expected an even number"),
        ("steps: [{at: -1}]\n", "steps.1.at: found -1, expected a whole number of at least 0"),
        ("steps: [{at: 0, word: Upp}]\n",
         "steps.1.word: found 'Upp', expected one of up, down; did you mean 'up'?"),
        ("steps: [{at: 0, level: 1.0}]\n",
         "steps.1.level: found 1.0, expected a number above -1 and below 1"),
        ("steps: [{at: 0, level: .inf}]\n",
         "steps.1.level: found .inf, expected a finite number above -1 and below 1"),
        ("steps: [{at: 0, code: ab}]\n",
         "steps.1.code: found 'ab', expected three capital letters"),
        ("steps: [{at: 0}]\nby_number: {7: {at: x}}\n",
         "by_number.7.at: found 'x', expected a whole number of at least 0"),
        ("steps: [{at: 0}]\nby_number: {seven: {at: 0}}\n",
         "by_number.seven: found the key 'seven', expected a whole number as the key"),
        ("steps: [{at: 0}]\neither: [1]\n",
         "either: found a list of 1, expected a whole number or text"),
        ("steps: [{at: 0, 5: 6}]\n",
         "steps.1.5: found the unknown key '5', expected one of word, level, code"),
    ],
)  # fmt: skip
def test_any_model_is_reported_in_the_same_sentences(text: str, message: str) -> None:
    """One wrong value gives one sentence made from the model's own bounds and words."""
    tree = read_yaml(text, "file.yaml")
    with pytest.raises(ValidationError) as refused:
        File.model_validate(tree.data)
    problems = validation_problems(refused.value, tree, File)
    assert [str(problem).split(": ", 1)[1] for problem in problems] == [message]


def test_a_word_for_each_shape() -> None:
    """What is expected is said in plain words for every shape a model can have."""
    shapes = shapes_of(File)
    assert words_of(shapes.root) == "a block of keys with 'steps'"
    assert words_of({"type": "boolean"}) == "true or false"
    assert words_of({"const": "tcp"}) == "'tcp'"
    assert words_of({"type": "number", "maximum": 5}) == "a number of at most 5"
    assert words_of({"type": "array", "minItems": 2}) == "a list of at least 2"
    assert words_of({"description": "a path"}) == "a path"
