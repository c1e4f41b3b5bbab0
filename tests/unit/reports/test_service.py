"""What service is due: figures, visits, hints and the sheet."""

from __future__ import annotations

import json
from datetime import date
from html.parser import HTMLParser

import pytest

from collector.core.records import Record, RecordKind, Value
from collector.core.service.rule import ServiceRule
from collector.reports.reliability import reliability
from collector.reports.service import (
    TaskLine,
    balance_hints,
    line_of,
    rules_by_subject,
    visits_of,
)
from collector.reports.service_sheet import Sheet, due_text, sheet_data, sheet_html

TODAY = date(2026, 7, 1)


def line(subject: str, state: str = "due soon", **details: Value) -> TaskLine:
    body = {"state": state, "title": "Change the oil", "because": "490 of 500 h run hours",
            "since": "2026-01-01", "counted_from": "entry", **details}  # fmt: skip
    return line_of(Record(RecordKind.SERVICE, subject, 1, 1, 1, json.dumps(body)))


def rule(equipment: str, task: str, **more: object) -> ServiceRule:
    return ServiceRule(equipment, task, "Change the oil", (), 14.0, **more)  # type: ignore[arg-type]


def test_mean_time_between_failures_and_availability() -> None:
    """10 000 h, 10 failures, 5 h to repair each: 1000 h and 0.99502 (IEC 60050-192's definitions,
    quoted from memory; the arithmetic is exact)."""
    found = reliability(10_000.0, 10, 50.0)
    assert found.mtbf_h == 1000.0
    assert found.mttr_h == 5.0
    assert found.availability == pytest.approx(0.99502, abs=5e-6)


def test_no_failure_is_no_figure() -> None:
    """Where nothing failed, hours without failure are all there is to say."""
    found = reliability(10_000.0, 0, 0.0)
    assert (found.mtbf_h, found.availability) == (None, None)
    assert reliability(100.0, 2, None).availability is None


def test_what_falls_due_soon_after_is_done_in_the_same_visit() -> None:
    """Due on the 1st, the 10th and the 20th: the first two make one visit in walking order."""
    lines = [
        line("a.oil", due_early="2026-07-20"),
        line("c.oil", due_early="2026-07-10"),
        line("b.oil", "due", due_early="2026-06-20"),
        line("d.oil", "not known"),
    ]
    rules = rules_by_subject([rule("b", "oil", order=5, minutes=20.0),
                              rule("c", "oil", order=1, minutes=30.0)])  # fmt: skip
    first, second = visits_of(lines, rules, TODAY)
    assert (first.by, [each.equipment for each in first.lines]) == (TODAY, ["c", "b"])
    assert first.minutes == 50.0
    assert [each.equipment for each in second.lines] == ["a"]


def test_uneven_duty_is_hinted_at() -> None:
    """80 h and 20 h of two that take turns are uneven, 55 and 45 are not, nor is a short time."""
    groups = {"blowers": ["one", "two"]}
    (hint,) = balance_hints(groups, {"one": 80.0, "two": 20.0})
    assert "one ran 80 h of 100 h" in hint
    assert balance_hints(groups, {"one": 55.0, "two": 45.0}) == []
    assert balance_hints(groups, {"one": 8.0, "two": 2.0}) == []


@pytest.mark.parametrize(
    ("details", "state", "expected"),
    [
        ({}, "overdue", "overdue"),
        ({"due_early": "2026-07-03", "due_likely": "2026-07-05", "due_late": "2026-07-09"},
         "due soon", "about 2026-07-05 (2026-07-03 to 2026-07-09)"),
        ({"due_early": "2026-07-05", "due_likely": "2026-07-05", "due_late": "2026-07-05"},
         "not due", "2026-07-05"),
        ({}, "not known", "not known"),
        ({"due_early": "2026-07-05"}, "not due", "about 2026-07-05"),
    ],
)  # fmt: skip
def test_the_date_is_told_with_its_range(
    details: dict[str, Value], state: str, expected: str
) -> None:
    """A date that is exact stands alone; what is due is due."""
    assert due_text(line("a.oil", state, **details)) == expected


class Seen(HTMLParser):
    """Which tags a page has, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def sheet(title: str = "Osier Bend") -> Sheet:
    rules = rules_by_subject(
        [rule("b", "oil", steps=("Drain",), parts=("1 L oil",), cautions=("Isolate, lock out.",)),
         rule("c", "oil", parts=("1 L oil", "filter"), cautions=("Isolate, lock out.",))]
    )  # fmt: skip
    lines = [line("b.oil", "due", example=True), line("c.oil")]
    return Sheet(title, "2026-07-01 08:00", lines, rules, {"b": "Blower <1>"}, ("High water",))


def test_the_sheet_names_each_part_and_caution_once() -> None:
    """What to bring and to beware of stands at the head, once."""
    data = sheet_data(sheet())
    assert data["parts"] == ["1 L oil", "filter"]
    assert data["cautions"][0] == "Isolate, lock out."
    assert len(data["cautions"]) == 2
    assert [task["place"] for task in data["tasks"]] == ["Blower <1>", "c"]
    json.dumps(data)


def test_the_page_escapes_what_came_from_files() -> None:
    """A title with mark-up is text."""
    page = sheet_html(sheet("<script>alert(1)</script>"))
    seen = Seen()
    seen.feed(page)
    assert "script" not in seen.tags
    assert "<script>alert(1)</script>" in seen.text
    assert "Blower <1>" in seen.text
    assert "Isolate, lock out." in seen.text
    assert "Signature" in seen.text


def test_an_empty_sheet_says_so() -> None:
    """Nothing due is an answer."""
    empty = Sheet("Osier Bend", "2026-07-01 08:00", [], {}, {})
    assert "Nothing is due." in sheet_html(empty)
