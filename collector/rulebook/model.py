"""What a rule file may say, as strict models.

The models describe and check what one value can know about itself. What a rule says of a plant is
checked by ``binding.py``, conditions by ``core/conditions``. Every field has a description: they
are the help an editor shows.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from collector.core.alarms.rule import Priority
from collector.plant.equipment import Strict, about
from collector.plant.model import Name
from collector.plant.schema import DIALECT, published
from collector.rulebook.amounts import DURATION_PATTERN, DURATION_WORDS, FIGURE_WORDS

Kind = Literal[
    "well", "pump", "blower", "mixer", "group", "screen", "filter", "dosing_pump", "contact_tank",
    "clarifier", "sludge_store", "meter", "mains", "panel", "collector", "plant",
]  # fmt: skip
"""What a rule may be for each of: the equipment kinds of a plant file, and what else has facts."""


def words(text: str) -> Any:
    """A field of which a refusal says what is expected."""
    return Field(json_schema_extra={"words": text})


Duration = Annotated[str, Field(pattern=DURATION_PATTERN), words(DURATION_WORDS)]
Figure = Annotated[str | float, words(FIGURE_WORDS)]
Text = Annotated[str, Field(min_length=1)]
Expression = Annotated[str, Field(min_length=1), words("a condition in quotes")]


class For(Strict):
    """Which equipment a rule is for: each of a kind, or one."""

    each: Annotated[
        Kind | None, about("a kind: the rule is for each of it that has what the rule names")
    ] = None
    one: Annotated[
        Name | None, about("instead of each: the name of one piece of equipment or panel")
    ] = None
    leaving_out: Annotated[
        list[Name], about("with each: names of those it is not for", alias="except")
    ] = Field(default_factory=list)


class LimitBlock(Strict):
    """A limit with a deadband."""

    value: Annotated[Figure, about("the limit, with its unit")]
    deadband: Annotated[
        Figure | None,
        about("how far a figure must come back past the limit before it counts as back"),
    ] = None


def _as_block(written: object) -> object:
    """A figure alone is a limit without a deadband."""
    alone = isinstance(written, str | float | int) and not isinstance(written, bool)
    return {"value": written} if alone else written


Limit = Annotated[
    LimitBlock,
    BeforeValidator(_as_block),
    words(f"{FIGURE_WORDS}, or a block of keys with 'value'"),
]


class MoreThan(Strict):
    """Counts in a window."""

    times: Annotated[int, about("the alarm is raised by one more than these", ge=1, le=10_000)]
    within: Annotated[Duration, about("length of the window")]


class SuppressedBy(Strict):
    """When an alarm is suppressed by design."""

    when: Annotated[Expression, about("condition under which the alarm is not annunciated")]
    reason: Annotated[Text, about("why, for the record")]


class AlarmEntry(Strict):
    """An alarm rule."""

    bound_to: Annotated[For, about("which equipment it is for", alias="for")]
    title: Annotated[Text, about("what a person is told, behind the title of the equipment")]
    when: Annotated[
        Expression,
        about(
            "the condition, in quotes: names such as 'this.high' or 'collection.level', limits by "
            "their names, comparisons, + - * / %, and !, &&, ||, ?:, in"
        ),
    ]
    limits: Annotated[dict[Name, Limit], about("figures that conditions use, by name")] = Field(
        default_factory=dict
    )
    more_than: Annotated[
        MoreThan | None, about("raised when the condition comes true more often than this")
    ] = None
    not_within: Annotated[
        Duration | None, about("raised when the condition has not been true for so long")
    ] = None
    on_delay: Annotated[Duration, about("how long it must be so before it is raised")] = "0 s"
    off_delay: Annotated[Duration, about("how long it must not be so before it clears")] = "0 s"
    priority: Annotated[
        Literal["low", "medium", "high"], about("by the consequence and the time to respond")
    ]
    causes: Annotated[
        list[Text],
        about("likely causes, the likeliest first", min_length=1),
        words("a list with at least one cause"),
    ]
    consequence: Annotated[Text, about("what happens if nobody does anything")]
    response: Annotated[Text, about("what to do")]
    respond_within: Annotated[Duration, about("time to respond")]
    caution: Annotated[
        list[Text], about("what to beware of: names of the cautions there are, or own words")
    ] = Field(default_factory=list)
    latching: Annotated[bool, about("it stays until it is reset")] = False
    suppressed_by: Annotated[
        list[SuppressedBy], about("when it is suppressed by design; the first that holds")
    ] = Field(default_factory=list)
    replaces: Annotated[
        bool, about("it takes the place of a rule of this name in a file read before")
    ] = False
    note: Annotated[str | None, about("for people; not used")] = None

    @property
    def rank(self) -> Priority:
        """The priority as the desk has it."""
        return Priority[self.priority.upper()]


class SwitchedOff(Strict):
    """A rule of a file read before that is not wanted here."""

    switched_off: Annotated[
        Literal[True], about("the rule of this name is dropped"), words("true, or no such rule")
    ]
    note: Annotated[str | None, about("why, for people; not used")] = None


class RuleFile(Strict):
    """A rule file."""

    alarms: Annotated[dict[Name, AlarmEntry], about("alarm rules by name", min_length=1)]


class SwitchOffs(Strict):
    """The entries of a rule file that switch rules off."""

    alarms: Annotated[dict[Name, SwitchedOff], about("rules that are not wanted, by name")]


def rules_schema() -> dict[str, Any]:
    """The JSON Schema of a rule file (draft 2020-12), by which an editor completes and checks."""
    schema = RuleFile.model_json_schema()
    off = SwitchOffs.model_json_schema()
    schema["$defs"] |= off["$defs"]
    (other,) = off["properties"]["alarms"]["patternProperties"].values()
    _widen(schema["properties"]["alarms"], other)
    alone = {"type": ["string", "number"]}
    _widen(schema["$defs"]["AlarmEntry"]["properties"]["limits"], alone)
    return {"$schema": DIALECT, **published(schema)}


def _widen(block: dict[str, Any], other: dict[str, Any]) -> None:
    """Let the values of a block of names also be of another shape."""
    block["patternProperties"] = {
        pattern: {"anyOf": [shape, other]} for pattern, shape in block["patternProperties"].items()
    }


def schema_text() -> str:
    """The schema as ``config/rules.schema.json`` holds it."""
    return json.dumps(rules_schema(), indent=2, ensure_ascii=False) + "\n"
