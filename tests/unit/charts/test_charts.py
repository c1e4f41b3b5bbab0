"""Charts show what is on record, by SQL and pandas; the same figures give the same bytes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pandas  # type: ignore[import-untyped]
import pytest

from collector.charts.drawing import shares, svg_of
from collector.charts.kinds import PLANT, chart, charts_of
from collector.charts.past import Past, joined, thinned, without
from collector.charts.shapes import (
    Bars,
    Lines,
    Pattern,
    Sample,
    Span,
    Stretch,
    Strip,
    Strips,
    rows_of,
)
from collector.journal import Journal
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from tests.unit.cli.typed import OSIER_BEND
from tests.unit.reports.alarms_on_paper import HOUR_US, NOON_US, lost, returned
from tests.unit.reports.watched_days import TOTALS, rows, watch

ZONE = ZoneInfo("Europe/London")
BEGIN_US = 1_782_864_000_000_000  # 2026-07-01T00:00:00Z
DAY_US = 86_400_000_000
WHOLE = Span(BEGIN_US, BEGIN_US + 2 * DAY_US, ZONE)


@pytest.fixture(scope="module")
def plant() -> Plant:
    return read_plant_file(OSIER_BEND).plant


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return watch(tmp_path_factory.mktemp("watched"))


def test_strips_hold_as_much_run_time_as_the_panels_contact(journal: Path, plant: Plant) -> None:
    """Made time of a run contact, from POINT records (kind 1) by pandas, ends at their brackets."""
    told = rows(
        journal,
        "SELECT r.at_us - r.bracket_us / 2, r.value FROM record r JOIN subject s "
        "ON s.id = r.subject WHERE s.kind = 1 AND s.name = 'works.feed_pump_1_run' "
        "AND r.at_us < ? ORDER BY r.sequence",
        (WHOLE.to_utc_us,),
    )
    frame = pandas.DataFrame(told, columns=["at", "made"])
    until = frame["at"].shift(-1, fill_value=WHOLE.to_utc_us)
    true_us = int(((until - frame["at"]) * frame["made"]).sum())
    with JournalReader(journal) as reader:
        stretches = Past(reader, plant, WHOLE).contact("works.feed_pump_1_run")
    shown_us = sum(each.to_utc_us - each.from_utc_us for each in stretches if each.made)
    assert shown_us == pytest.approx(true_us, abs=len(told))
    assert shown_us > 0


def test_bars_are_the_totals_of_days(journal: Path, plant: Plant) -> None:
    """2 July is the one whole plant day; its bar is the newest total on record."""
    told = rows(journal, TOTALS, ("collection.volume_in.day",))
    with JournalReader(journal) as reader:
        found = chart(reader, plant, "collection", "volumes", WHOLE)
    assert found is not None
    assert isinstance(found.shape, Bars)
    bars = {bar.utc_us: bar for bar in found.shape.series[0][1]}
    for _, begin_us, value, low, high in told:
        if begin_us in bars:
            assert (bars[begin_us].value, bars[begin_us].low, bars[begin_us].high) == pytest.approx(
                (value, low, high)
            )
    assert sum(bar.value is not None for bar in bars.values()) >= 2


def test_the_pattern_is_of_the_drier_days(journal: Path, plant: Plant) -> None:
    """Too few days make no pattern; it says nothing rather than something poor."""
    with JournalReader(journal) as reader:
        found = chart(reader, plant, "collection", "pattern", WHOLE)
    assert found is not None
    assert isinstance(found.shape, Pattern)
    assert found.empty


def test_every_chart_of_every_equipment_draws_and_is_well_formed(
    journal: Path, plant: Plant
) -> None:
    """XML that another parser reads, with a title and a description, below 400 kB."""
    with JournalReader(journal) as reader:
        for name in (PLANT, "collection", "filter", "blowers", "hypochlorite", "contact_tank"):
            for kind in charts_of(plant, name):
                found = chart(reader, plant, name, kind.key, WHOLE)
                assert found is not None
                svg = svg_of(found)
                root = ElementTree.fromstring(svg)  # noqa: S314 — our own drawing
                assert root[0].tag.endswith("title")
                assert root[0].text == kind.title
                assert root[1].tag.endswith("desc")
                assert len(svg) < 400_000
                headings, lines = rows_of(found)
                assert all(len(line) == len(headings) for line in lines)


def test_two_processes_draw_the_same_bytes(journal: Path, plant: Plant) -> None:
    """Neither the order of sets nor a date or a random id is in it."""
    code = (
        "import sys, hashlib\n"
        "from zoneinfo import ZoneInfo\n"
        "from collector.charts.drawing import svg_of\n"
        "from collector.charts.kinds import chart\n"
        "from collector.charts.shapes import Span\n"
        "from collector.journal.reader import JournalReader\n"
        "from collector.plant_file import read_plant_file\n"
        "from pathlib import Path\n"
        "plant = read_plant_file(Path(sys.argv[2])).plant\n"
        f"span = Span({WHOLE.from_utc_us}, {WHOLE.to_utc_us}, ZoneInfo('Europe/London'))\n"
        "with JournalReader(sys.argv[1]) as reader:\n"
        "    drawn = [svg_of(chart(reader, plant, *each, span)) for each in\n"
        "             (('plant', 'contacts_works'), ('collection', 'inflow'))]\n"
        "print(hashlib.sha256(''.join(drawn).encode()).hexdigest())\n"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", code, journal, OSIER_BEND],
            capture_output=True, text=True, check=True, env={"PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(told) == 1


def test_a_lost_panel_is_hatched_and_no_contact_is_made_in_it(tmp_path: Path, plant: Plant) -> None:
    """From the last good read to the return nothing is known, whatever was true before."""
    path = tmp_path / "weirkeeper.journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.submit(
            [lost(2 * HOUR_US, HOUR_US), returned(3 * HOUR_US), lost(6 * HOUR_US, 5 * HOUR_US)]
        )
        assert writer.flush(10)
    span = Span(NOON_US, NOON_US + 4 * HOUR_US, ZONE)
    with JournalReader(path) as reader:
        gaps = Past(reader, plant, span).unknown(("works",))
        found = chart(reader, plant, "works_mains", "contacts", span)
    assert Stretch(NOON_US + HOUR_US, NOON_US + 3 * HOUR_US, None) in [
        Stretch(max(each.from_utc_us, NOON_US + HOUR_US), each.to_utc_us, each.made)
        for each in gaps
    ]
    assert found is not None
    assert isinstance(found.shape, Strips)
    assert not any(each.made for each in found.shape.strips[0].stretches)
    assert "pattern" in svg_of(found), "hatching is a pattern of SVG"


def test_nothing_on_record_is_said(tmp_path: Path, plant: Plant) -> None:
    """An empty journal draws a sentence, not an empty frame."""
    path = tmp_path / "weirkeeper.journal"
    Journal.open(path, wall_us=lambda: NOON_US).close()
    with JournalReader(path) as reader:
        found = chart(reader, plant, "collection", "inflow", WHOLE)
    assert found is not None
    assert found.empty
    assert "nothing on record in this time" in svg_of(found)


def test_the_shortest_event_of_a_year_is_still_drawn() -> None:
    """One second in a year has a pixel of its own that is not white."""
    year = Span(0, 365 * DAY_US, ZONE)
    strip = Strip("high float", [Stretch(100 * DAY_US, 100 * DAY_US + 1_000_000, made=True)])
    assert sum(share > 0 for share in shares(strip, year)) in (1, 2)


def test_thinning_keeps_extremes_and_unknown_times() -> None:
    """Of ten thousand samples the peak, the trough and the gap are kept."""
    span = Span(0, 10_000_000, ZONE)
    samples = [Sample(k * 1_000, 5.0 + (k % 7) * 0.1) for k in range(10_000)]
    samples[4_321] = Sample(4_321_000, 99.0)
    samples[7_000] = Sample(7_000_000, -3.0)
    samples[8_000] = Sample(8_000_000, None)
    kept = thinned(samples, span)
    assert len(kept) < 2_000
    assert {99.0, -3.0, None} <= {each.value for each in kept}
    assert kept == sorted(kept, key=lambda each: each.utc_us)


def test_gaps_are_cut_out_of_what_was_made() -> None:
    """A stretch that spans a gap becomes two, with the gap between."""
    gap = Stretch(3, 5, None)
    assert without([Stretch(1, 9, made=True)], [gap]) == [
        Stretch(1, 3, made=True), gap, Stretch(5, 9, made=True),
    ]  # fmt: skip
    assert joined([Stretch(1, 4, None), Stretch(4, 6, None), Stretch(8, 9, None)]) == [
        Stretch(1, 6, None), Stretch(8, 9, None),
    ]  # fmt: skip


def test_lines_break_where_nothing_is_known(journal: Path, plant: Plant) -> None:
    """The towed tank is away most of the time; its level has no value then."""
    with JournalReader(journal) as reader:
        found = chart(reader, plant, "bowser_tank", "level", WHOLE)
    assert found is not None
    assert isinstance(found.shape, Lines)
    assert any(each.value is None for each in found.shape.lines[0].samples)
    assert found.shape.unknown
    assert re.search("unknown", " ".join(cell for row in rows_of(found)[1] for cell in row))
