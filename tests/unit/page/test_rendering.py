"""The page's HTML: escaped, whole, with ids that stay; the drawing of a well tells the truth."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from collector.journal import Journal
from collector.journal.items import Alive
from collector.journal.reader import JournalReader
from collector.page.drawing import in_words, well_drawing
from collector.page.rendering import PlantPages
from collector.plant.load import parse_plant
from collector.reports.plant_view import Latest, view_plant
from collector.reports.view_parts import FloatView, WellView
from tests.unit.cli.typed import OSIER_BEND
from tests.unit.reports.alarms_on_paper import HOUR_US, NOON_US, raised

HOSTILE = "<img src=x onerror=alert(1)>\"'&"
FLOATS = (
    FloatView("low", 0.4, True, NOON_US, ""),
    FloatView("start-1", 0.9, False, NOON_US, ""),
    FloatView("high", 1.6, None, None, "link lost"),
)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal with an alarm and a plant that somebody named with care."""
    path = tmp_path / "weirkeeper.journal"
    text = OSIER_BEND.read_text()
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0) as writer:
        writer.remember_configuration("plant", text, "hash")
        writer.submit([raised(HOUR_US, title=HOSTILE)])
        assert writer.flush(10)
        writer.submit([], alive=Alive(NOON_US, NOON_US, "", {}))
        assert writer.flush(10)
    return path


def rendered(journal: Path, title: str = "Collection tank") -> tuple[dict[str, str], str]:
    text = OSIER_BEND.read_text().replace("title: Collection tank", f"title: {title!r}", 1)
    plant = parse_plant(text, "plant.yaml")
    pages = PlantPages()
    with JournalReader(journal) as reader:
        view = view_plant(Latest(reader, plant))
        assert view is not None
        return pages.sections(view), pages.whole(view)


def test_what_comes_from_files_and_people_is_text(journal: Path) -> None:
    """Titles of alarms and equipment cannot become elements or attributes."""
    sections, page = rendered(journal, title="<script>alert(2)</script>")
    for html in (*sections.values(), page):
        assert "<img src=x" not in html
        assert "<script>alert" not in html
    assert "&lt;img src=x" in sections["attention"]
    assert "&lt;script&gt;alert(2)" in sections["stage-collection"]


def test_every_section_stands_in_the_page_under_its_id(journal: Path) -> None:
    """So that a listener can replace it; nothing is under an id twice."""
    sections, page = rendered(journal)
    ids = re.findall(r'id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(sections) <= set(ids)
    for html in sections.values():
        assert html in page


def test_ages_do_not_stand_in_sections(journal: Path) -> None:
    """Two renderings of the same records are the same bytes, whenever they are made."""
    assert rendered(journal)[0] == rendered(journal)[0]


def test_the_page_needs_nothing_from_elsewhere(journal: Path) -> None:
    """Every address in it is its own."""
    _, page = rendered(journal)
    addresses = re.findall(r'(?:src|href|action)="([^"]*)"', page)
    assert addresses
    assert all(address.startswith("/") for address in addresses)
    assert "style=" not in page
    assert not re.search(r"<script(?! src=)", page)


def test_water_and_floats_are_drawn_at_their_heights() -> None:
    """Heights in the drawing are in proportion: half the height is half way up."""
    well = WellView(FLOATS, 2.0, 1.0, 0.8, 1.2, estimated=True)
    root = ElementTree.fromstring(well_drawing("sump", well))  # noqa: S314 — our own drawing

    def number(element: ElementTree.Element, name: str) -> float:
        return float(element.attrib[name])

    (water,) = [each for each in root.iter("rect") if each.attrib.get("class") == "water"]
    (level,) = [each for each in root.iter("line") if each.attrib.get("class") == "level"]
    floor = number(water, "y") + number(water, "height")
    wall = next(each for each in root.iter("path") if each.attrib["class"] == "wall")
    edge = float(wall.attrib["d"].split()[1])
    assert (floor - number(level, "y1")) / (floor - edge) == pytest.approx(0.5, abs=0.01)
    assert number(water, "height") / (floor - edge) == pytest.approx(0.4, abs=0.01)
    made = [each for each in root.iter("ellipse") if "made" in each.attrib["class"]]
    assert len(made) == 1
    assert (floor - number(made[0], "cy")) / (floor - edge) == pytest.approx(0.2, abs=0.01)


def test_an_unknown_level_is_a_question_and_no_water() -> None:
    """Unknown is not empty."""
    drawn = well_drawing("sump", WellView(FLOATS, 2.0, None, None, None, estimated=False))
    assert 'class="water"' not in drawn
    assert ">?<" in drawn
    assert in_words(WellView((), None, None, None, None, estimated=False)) == "Level unknown."


def test_the_drawing_is_told_in_words() -> None:
    """For who cannot see it: level, edge, every float with its state."""
    told = in_words(WellView(FLOATS, 2.0, 1.0, 0.8, 1.2, estimated=True))
    assert told == (
        "Level about 1.00 m, between 0.80 and 1.20 m. Overflows at 2.00 m. Floats: low at 0.40 m "
        "made, start-1 at 0.90 m not made, high at 1.60 m unknown."
    )
