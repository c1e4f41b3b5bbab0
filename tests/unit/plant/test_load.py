"""Good plant files load, and no text whatever raises anything but a configuration error."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import get_args

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.errors import ConfigurationError
from collector.plant.equipment import Equipment, Filter, Group, Well
from collector.plant.load import load_plant, parse_plant
from collector.plant.model import Link
from collector.plant.registers import point_kind, register_of
from collector.plant.yaml_source import read_yaml
from tests.unit.plant.wrong_files import EVERY_KIND

CONFIG = Path(__file__).parents[3] / "config"
TEXT = EVERY_KIND.read_text(encoding="utf-8")
TREE = read_yaml(TEXT).data


def test_every_kind_of_link_point_and_equipment_loads() -> None:
    """The good file of the tests has each kind at least once, so that none goes untried."""
    plant = load_plant(EVERY_KIND)
    links = {type(link) for link in plant.links.values()}
    assert links == set(get_args(get_args(Link)[0]))
    parts = {type(part) for part in plant.equipment.values()}
    assert parts == set(get_args(get_args(Equipment)[0]))
    points = [point for panel in plant.panels.values() for point in panel.points.values()]
    assert {point_kind(point) for point in points} == {
        "contact", "reading", "counter", "enumeration"
    }  # fmt: skip
    assert {register_of(point).function for point in points} == {1, 2, 3, 4}


def test_what_was_written_is_what_is_loaded() -> None:
    """Values arrive unchanged and what is left out has the documented default."""
    plant = load_plant(str(EVERY_KIND))
    works = plant.panels["works"]
    assert works.silence_s == 5.0
    assert plant.panels["filters"].silence_s == 3.0  # three scans of a second
    assert works.points["mode"].states == {0: "off", 1: "hand", 2: "auto"}
    assert works.points["start_2"].reference == "100003"
    sump = plant.equipment["sump"]
    assert isinstance(sump, Well)
    assert [role for role, _ in sump.floats.by_role()] == ["low", "start_1", "start_2", "high"]
    assert [switch.breaks_m for _, switch in sump.floats.by_role()] == [0.2, 0.4, 1.0, 1.4]
    air, cloth = plant.equipment["air"], plant.equipment["cloth"]
    assert isinstance(air, Group)
    assert air.members == ["b1", "b2"]
    assert isinstance(cloth, Filter)
    assert cloth.fault is None


@pytest.mark.parametrize("name", ["one-sump", "osier-bend"])
def test_the_plant_files_that_ship_are_right(name: str) -> None:
    """An example that does not load would teach the wrong thing."""
    assert load_plant(CONFIG / name / "plant.yaml").panels


def test_the_smallest_plant_file_is_small() -> None:
    """One panel with one contact and nothing else is a plant."""
    text = (
        "plant: {name: p, title: P, time_zone: UTC}\n"
        "links: {l: {kind: tcp, host: h}}\n"
        "panels: {a: {link: l, points: {c: {reference: 10001}}}}\n"
    )
    assert parse_plant(text, "plant.yaml").equipment == {}


def test_aliases_save_writing_the_same_twice() -> None:
    """A value written once by anchor and alias counts as if it stood in both places."""
    text = TEXT.replace("scan_period_s: 1.0", "scan_period_s: &scan 2.0").replace(
        "    visits: true", "    visits: true\n    scan_period_s: *scan"
    )
    assert parse_plant(text, "plant.yaml").panels["visitor"].scan_period_s == 2.0


def test_a_problem_in_an_aliased_value_is_told_where_it_is_written() -> None:
    """The place is that of the anchor, the path says which use of it is wrong."""
    text = TEXT.replace("scan_period_s: 1.0", "scan_period_s: 1.0\n    title: &t 5").replace(
        "    title: Treatment works\n", ""
    )
    text = text.replace("    visits: true", "    visits: true\n    title: *t")
    with pytest.raises(ConfigurationError) as refused:
        parse_plant(text, "plant.yaml")
    assert str(refused.value) == (
        "plant.yaml:17:12: panels.works.title: found 5, expected text; quotes make it text\n"
        "plant.yaml:17:12: panels.visitor.title: found 5, expected text; quotes make it text"
    )


FACTS = "a block of keys with 'name', 'title' and 'time_zone'"
NAMES = "a block with at least one name"
BLOCKS = "a block of keys with 'plant', 'links' and 'panels'"


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        ("- a\n", [("1:1", "a list of 1", BLOCKS)]),
        ("just text\n", [("1:1", "'just text'", BLOCKS)]),
        (
            "{}\n",
            [
                ("1:1", "no 'plant'", f"'plant' with {FACTS}"),
                ("1:1", "no 'links'", f"'links' with {NAMES}"),
                ("1:1", "no 'panels'", f"'panels' with {NAMES}"),
            ],
        ),
        (
            "links:\npanels: 3\nplant: []\n",
            [
                ("1:7: links", "nothing", NAMES),
                ("2:9: panels", "3", NAMES),
                ("3:8: plant", "an empty list", FACTS),
            ],
        ),
    ],
    ids=["a list", "text", "no keys", "blocks that are none"],
)
def test_a_file_of_another_shape(text: str, problems: list[tuple[str, str, str]]) -> None:
    """A file that is no plant at all is told what a plant begins with."""
    with pytest.raises(ConfigurationError) as refused:
        parse_plant(text, "plant.yaml")
    assert str(refused.value).split("\n") == [
        f"plant.yaml:{place}: found {found}, expected {expected}"
        for place, found, expected in problems
    ]


def loads_or_is_refused(text: str) -> None:
    """Any text loads or raises a configuration error with at least one whole sentence."""
    try:
        parse_plant(text, "plant.yaml")
    except ConfigurationError as error:
        problems = error.problems
    else:
        return
    assert problems
    for problem in problems:
        assert problem.found
        assert problem.expected
        assert "\n" not in str(problem)


QUICK = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@QUICK
@given(st.text())
def test_arbitrary_text_is_refused_in_a_sentence(text: str) -> None:
    """No text makes the loader fail in another way."""
    loads_or_is_refused(text)


@QUICK
@given(
    start=st.integers(min_value=0, max_value=len(TEXT)),
    length=st.integers(min_value=0, max_value=60),
    put=st.text(alphabet=" \t\n:-{}[],&*!|>'\"#%@`~?<=.0129axfno_é\x00\u2028", max_size=8),
)
def test_a_damaged_plant_file_is_refused_in_a_sentence(start: int, length: int, put: str) -> None:
    """A plant file with any stretch of it overwritten loads or is refused."""
    loads_or_is_refused(TEXT[:start] + put + TEXT[start + length :])


def every_path(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    """All paths of a tree."""
    steps: list[tuple[object, object]] = []
    if isinstance(value, dict):
        steps = list(value.items())
    elif isinstance(value, list):
        steps = list(enumerate(value))
    return [path] + [deep for key, item in steps for deep in every_path(item, (*path, key))]


PATHS = [path for path in every_path(TREE) if path]
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
    | st.sampled_from(["tcp", "well", "works.p1_run", "sump", "h", 10**39, -1, "uint32", ".nan"]),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.text(max_size=4) | st.integers(), inner, max_size=3),
    max_leaves=4,
)  # fmt: skip


@QUICK
@given(path=st.sampled_from(PATHS), value=VALUES)
def test_any_value_anywhere_is_refused_in_a_sentence(
    path: tuple[object, ...], value: object
) -> None:
    """A plant whose value at any one place is something else loads or is refused."""
    tree = copy.deepcopy(TREE)
    place = tree
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    loads_or_is_refused(yaml.safe_dump(tree, allow_unicode=True))
