"""What a service file may say, as strict models: tasks by name, for whom and how often."""

from __future__ import annotations

import json
from typing import Annotated, Any

from pydantic import Field

from collector.plant.equipment import Strict, about
from collector.plant.model import Name
from collector.plant.schema import DIALECT, published
from collector.rulebook.model import Expression, Figure, For, LimitBlock, Text, words

SPAN_PATTERN = r"^[0-9]+ (day|days|month|months|year|years)$"
SPAN_WORDS = "a span of the calendar such as '30 days', '6 months' or '1 year'"
Span = Annotated[str, Field(pattern=SPAN_PATTERN), words(SPAN_WORDS)]
HOURS_WORDS = "run hours such as '500 h'"
VOLUME_WORDS = "a volume such as '1000 m3'"


class Every(Strict):
    """Intervals of a task; whichever comes first makes it due."""

    run_hours: Annotated[
        Annotated[str, Field(pattern=r"^[0-9]+ h$"), words(HOURS_WORDS)] | None,
        about("after so many run hours"),
    ] = None
    starts: Annotated[int | None, about("after so many starts", ge=1)] = None
    cycles: Annotated[int | None, about("of a filter: after so many cleaning cycles", ge=1)] = None
    volume: Annotated[
        Annotated[str, Field(pattern=r"^[0-9]+ m3$"), words(VOLUME_WORDS)] | None,
        about("after so much was pumped"),
    ] = None
    calendar: Annotated[Span | None, about("after so long")] = None
    when: Annotated[
        Expression | None, about("when this condition holds, as in an alarm rule, in quotes")
    ] = None


class ServiceEntry(Strict):
    """A task of service."""

    bound_to: Annotated[For, about("which equipment it is for", alias="for")]
    title: Annotated[Text, about("what is to be done, in a few words")]
    every: Annotated[Every, about("how often; whichever comes first")]
    limits: Annotated[
        dict[Name, Figure | LimitBlock], about("figures that the condition uses, by name")
    ] = Field(default_factory=dict)
    example: Annotated[
        bool, about("the intervals are examples, to be replaced by the maker's figures")
    ] = False
    notice_ahead: Annotated[Span, about("told as due soon so long before")] = "14 days"
    minutes: Annotated[float | None, about("how long it takes", gt=0, le=1440)] = None
    order: Annotated[int, about("walking order on site, the lowest first", ge=0, le=1000)] = 100
    tools: Annotated[list[Text], about("what to bring")] = Field(default_factory=list)
    parts: Annotated[list[Text], about("parts and supplies to bring")] = Field(default_factory=list)
    steps: Annotated[list[Text], about("what to do, in order")] = Field(default_factory=list)
    caution: Annotated[
        list[Text], about("what to beware of: names of the cautions there are, or own words")
    ] = Field(default_factory=list)
    replaces: Annotated[
        bool, about("it takes the place of a task of this name in a file read before")
    ] = False
    note: Annotated[str | None, about("for people; not used")] = None


class ServiceFile(Strict):
    """A service file."""

    service: Annotated[dict[Name, ServiceEntry], about("tasks by name", min_length=1)]


def service_schema() -> dict[str, Any]:
    """The JSON Schema of a service file (draft 2020-12), for an editor."""
    return {"$schema": DIALECT, **published(ServiceFile.model_json_schema())}


def schema_text() -> str:
    """The schema as ``config/service.schema.json`` holds it."""
    return json.dumps(service_schema(), indent=2, ensure_ascii=False) + "\n"
