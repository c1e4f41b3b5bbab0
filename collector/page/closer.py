"""Answers one request to look closer: the page of a piece of equipment or of the plant, or one of
its charts. Everything is asked for by plain links and a form; no script is needed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from functools import cache
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined

from collector.charts.drawing import svg_of
from collector.charts.kinds import PLANT, chart, charts_of
from collector.charts.shapes import Span, rows_of
from collector.core.calendar import instant_us, local
from collector.journal.reader import JournalReader
from collector.page.rendering import CAUTIONS
from collector.plant.model import Plant

LENGTHS = (("a day", 1), ("3 days", 3), ("a week", 7), ("a month", 31), ("a year", 366))
USUAL_DAYS = 7
MOST_DAYS = 3_700
DAY_US = 86_400_000_000


class _Refused(ValueError):
    """What was asked for is no time; the message is a sentence."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One chart on a page: its picture by address, its figures as rows."""

    key: str
    title: str
    look: str
    address: str
    headings: list[str]
    rows: list[list[str]]
    empty: bool


def answer_to(
    reader: JournalReader, plant: Plant | None, request: Mapping[str, Any]
) -> dict[str, Any]:
    """The answer to a request, as it goes back to the daemon.

    Args:
        reader: of the journal.
        plant: the plant file in force, None where none ever was.
        request: ``what`` (page or chart), ``name`` of an equipment (None: the plant), ``key`` of a
            chart, ``from`` and ``to`` as they were asked for.
    """
    if plant is None:
        return plain(503, "Nothing has been watched yet.")
    name = request["name"] or PLANT
    if name != PLANT and name not in plant.equipment:
        return plain(404, f"There is no {request['what']} of that name.")
    try:
        span = span_of(reader, plant, request.get("from") or "", request.get("to") or "")
    except _Refused as refused:
        return plain(400, str(refused))
    if request["what"] == "page":
        return {"status": 200, "kind": "text/html", "text": page(reader, plant, name, span)}
    found = chart(reader, plant, name, str(request["key"]), span)
    if found is None:
        return plain(404, "There is no chart of that name.")
    return {"status": 200, "kind": "image/svg+xml", "text": svg_of(found)}


def plain(status: int, sentence: str) -> dict[str, Any]:
    """An answer of one sentence."""
    return {"status": status, "kind": "text/plain", "text": sentence + "\n"}


def span_of(reader: JournalReader, plant: Plant, begins: str, ends: str) -> Span:
    """The time between two dates of the plant's zone, the second included; the last week if none.

    Raises:
        ValueError: a date that is none, or an end before the begin; a sentence.
    """
    zone = ZoneInfo(plant.plant.time_zone)
    alive, newest = reader.alive(), reader.recent(1)
    now_us = max([alive.utc_us if alive else 0, *(record.utc_us for record in newest)])
    # Whole days, so that the pictures of a page, which are asked for by date, show the same.
    ends = ends or local(now_us, zone).strftime("%Y-%m-%d")
    to_us = _midnight(ends, zone, 1)
    from_us = _midnight(begins or _days_before(ends, USUAL_DAYS), zone, 0)
    if not 0 < to_us - from_us <= MOST_DAYS * DAY_US:
        raise _Refused("Expected an end after the begin, and ten years at most.")
    return Span(from_us, to_us, zone)


def _midnight(text: str, zone: ZoneInfo, days_on: int) -> int:
    try:
        day = datetime.strptime(text, "%Y-%m-%d").date() + timedelta(days=days_on)  # noqa: DTZ007
    except (ValueError, OverflowError):
        raise _Refused("Expected a date such as 2026-07-01.") from None
    return instant_us(datetime.combine(day, time(), zone))


def page(reader: JournalReader, plant: Plant, name: str, span: Span) -> str:
    """The page of a piece of equipment, or of the whole plant."""
    first, last = (
        local(each, span.zone).strftime("%Y-%m-%d")
        for each in (span.from_utc_us, span.to_utc_us - 1)
    )
    of = f"/{PLANT}" if name == PLANT else f"/equipment/{name}"
    asked = urlencode({"from": first, "to": last})
    shown = []
    for kind in charts_of(plant, name):
        found = chart(reader, plant, name, kind.key, span)
        if found is not None:
            headings, rows = rows_of(found)
            address = f"/chart/{name}/{kind.key}.svg?{asked}"
            shown.append(
                Shown(kind.key, kind.title, kind.look, address, headings, rows, found.empty)
            )
    part = plant.equipment.get(name)
    return _environment().get_template("closer.html").render(
        title=plant.plant.title if part is None else part.title,
        plant=plant.plant.title, kind="" if part is None else part.kind.replace("_", " "),
        note=part.note if part is not None and part.note else "", name=name,
        first=first, last=last, of=of, charts=shown, cautions=CAUTIONS,
        lengths=[
            (label, f"{of}?{urlencode({'from': _days_before(last, days), 'to': last})}")
            for label, days in LENGTHS
        ],
        others=[] if part is not None else [(each, other.title)
                                            for each, other in plant.equipment.items()],
    )  # fmt: skip


def _days_before(last: str, days: int) -> str:
    day = datetime.strptime(last, "%Y-%m-%d").date()  # noqa: DTZ007
    return (day - timedelta(days=days - 1)).isoformat()


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("collector.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
