"""The alarm history as CSV and as a page: nothing lost, nothing unknown left blank in silence."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest

from collector.reports.alarm_export import COLUMNS, Covered, csv_export
from collector.reports.alarm_history import Gap, History
from collector.reports.alarm_rows import Activation, Note
from collector.reports.alarm_sheet import html_export
from tests.unit.reports.alarms_on_paper import DAY_US, HOUR_US, MINUTE_US, NOON_US

NASTY = '<script>alert("1")</script>, "quoted" & \'single\'\r\nsecond line; größer'
COVERED = Covered(
    "Osier Bend", ZoneInfo("Europe/Berlin"), "weirkeeper 9.9", NOON_US + DAY_US,
    (("plant", "a" * 64), ("rules", "b" * 64)), 1, 17, "c" * 64,
    "signed head: of 2026-07-01 over entries up to 16, key 0123456789abcdef",
)  # fmt: skip
EXPLAINED = Activation(
    "collection.high_level", 3, "high", NASTY, NOON_US, NOON_US - MINUTE_US, NOON_US + HOUR_US,
    NOON_US + MINUTE_US, "warden", 3_000.0, 600.0, (), "rag in pump 1", NASTY,
    (Note(NOON_US + HOUR_US, "warden", "rag in pump 1", NASTY, "look again"),), first_out=True,
    unknown_spans=((NOON_US + MINUTE_US, NOON_US + 11 * MINUTE_US),),
)  # fmt: skip
STANDING = Activation(
    "eq_blower_1.failed", 1, "medium", "Blower 1 failed", NOON_US + 2 * HOUR_US,
    NOON_US + 2 * HOUR_US, None, known_s=36_000.0, follows="collection.high_level#3", covered=True,
)  # fmt: skip


def seen(activations: Sequence[Activation] = (EXPLAINED, STANDING)) -> History:
    """The history of a day with a gap in it, watched for half of it."""
    return History(
        NOON_US, NOON_US + DAY_US, NOON_US + DAY_US // 2, NOON_US + MINUTE_US, tuple(activations),
        (Gap("works", NOON_US + HOUR_US, None, "link lost"),),
    )  # fmt: skip


def rows_of(text: str, row: str) -> list[dict[str, str]]:
    """The rows of one sort."""
    return [each for each in csv.DictReader(io.StringIO(text, newline="")) if each["row"] == row]


def test_csv_is_rfc_4180() -> None:
    """Lines end in CRLF, quotes are doubled, every row has as many fields as the header.

    Source: RFC 4180, section 2.
    """
    text = csv_export(seen(), COVERED)
    assert text.endswith("\r\n")
    assert '""quoted""' in text
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert tuple(rows[0]) == COLUMNS
    assert {len(row) for row in rows} == {len(COLUMNS)}


def test_a_row_tells_one_activation() -> None:
    """Time, cause, corrective action and duration, which 22 CCR 60329 asks for, and bounds."""
    first, second = rows_of(csv_export(seen(), COVERED), "alarm")
    assert first["began"] == "2026-07-01T14:00:00+02:00"
    assert first["began_not_before"] == "2026-07-01T13:59:00+02:00"
    assert first["ended"] == "2026-07-01T15:00:00+02:00"
    assert (first["cause"], first["corrective_action"]) == ("rag in pump 1", NASTY)
    assert first["duration_s"] == "unknown"
    assert (first["duration_at_least_s"], first["duration_at_most_s"]) == ("3000.000", "3600.000")
    assert first["unknown_spans"] == "2026-07-01T14:01:00+02:00 to 2026-07-01T14:11:00+02:00"
    assert (first["acknowledged_by"], first["first_out"], first["covered"]) == (
        "warden",
        "yes",
        "no",
    )
    assert (second["ended"], second["duration_s"]) == ("stands", "36000.000")
    assert (second["cause"], second["corrective_action"]) == ("missing", "missing")
    assert (second["equipment"], second["rule"]) == ("eq_blower_1", "failed")
    assert second["follows"] == "collection.high_level#3"


def test_what_is_missing_is_listed_for_completion() -> None:
    """Only the activations that lack something, and what they lack."""
    text = csv_export(seen(), COVERED)
    (row,) = rows_of(text, "to complete")
    assert (row["equipment"], row["text"]) == ("eq_blower_1", "cause and corrective action")
    assert rows_of(csv_export(seen([EXPLAINED]), COVERED), "to complete") == []


def test_no_text_is_taken_for_a_formula() -> None:
    """What people or files say cannot make a spreadsheet reckon: an apostrophe goes before it."""
    odd = replace(EXPLAINED, title="=1+1", cause="@SUM(A1)", acknowledged_by="+x")
    (row,) = rows_of(csv_export(seen([odd]), COVERED), "alarm")
    assert (row["title"], row["cause"], row["acknowledged_by"]) == ("'=1+1", "'@SUM(A1)", "'+x")


@pytest.mark.parametrize("export", [csv_export, html_export])
def test_it_says_what_it_covers_and_cannot_know(export: object) -> None:
    """Period, time zone, gaps, hashes of what was in force, end of the chain, signed head, and
    that it was not watched before the first record, nor in the gap, nor after the last sign."""
    assert callable(export)
    text = export(seen(), COVERED)
    for part in (
        "2026-07-01T14:00:00+02:00 to 2026-07-02T14:00:00+02:00", "Europe/Berlin", "a" * 64,
        "b" * 64, "c" * 64, "entries 1 to 17", "of 2026-07-01 over entries up to 16",
        "before 2026-07-01T14:01:00+02:00 nothing was recorded",
        "after 2026-07-02T02:00:00+02:00 nobody watched",
        "what began and ended within a gap was not seen", "link lost",
    ):  # fmt: skip
        assert part in text, part


def test_without_a_signed_head_it_says_so() -> None:
    """And what that means."""
    bare = Covered("P", ZoneInfo("UTC"), "w", NOON_US, (), 0, 0, "0" * 64, "")
    said = [row["text"] for row in rows_of(csv_export(seen(), bare), "cannot know")]
    assert "no head is signed: whoever has the journal could have replaced all of it" in said
    told = [row["text"] for row in rows_of(csv_export(seen(), bare), "covers")]
    assert {"signed head: none", "audited record: none yet"} <= set(told)


class _Page(HTMLParser):
    """What a browser would make of it."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_escapes_everything_and_numbers_its_pages() -> None:
    """What people wrote is text, never markup; the page counters are CSS Paged Media's."""
    html = html_export(seen(), COVERED)
    page = _Page()
    page.feed(html)
    assert "script" not in page.tags
    assert page.text.count('<script>alert("1")</script>') == 3  # title, action and note
    assert "counter(page)" in html
    assert "counter(pages)" in html
    text = " ".join(page.text.split()).partition("What it covers")[2]
    assert "0:50:00 h to 1:00:00 h" in text
    assert "still stands" in text
    assert text.count("missing") == 3  # cause, action, and the list for completion
    assert "eq_blower_1.failed, activation 1, began 2026-07-01T16:00:00+02:00: cause and" in text
