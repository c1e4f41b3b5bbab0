"""Service files: the shipped set, binding, and exact words on what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.core.service.rule import CalendarInterval, ConditionInterval, UseInterval
from collector.errors import ConfigurationError
from collector.plant.load import load_plant
from collector.plant.model import Plant
from collector.rulebook.service_binding import calendar_of
from collector.rulebook.service_load import (
    SHIPPED_SERVICE,
    parse_service_rules,
    read_service_rules,
)
from collector.rulebook.service_model import schema_text

CONFIG = Path(__file__).parents[3] / "config"
PARK = load_plant(CONFIG / "osier-bend" / "plant.yaml")
SUMP = load_plant(CONFIG / "one-sump" / "plant.yaml")


@pytest.mark.parametrize("plant", [PARK, SUMP], ids=["park", "sump"])
def test_the_shipped_tasks_fit_every_example_plant(plant: Plant) -> None:
    """Whatever a plant file leaves out, the tasks that remain are right; intervals by use and
    calendar are marked as examples."""
    rules = read_service_rules([SHIPPED_SERVICE], plant).rules
    assert rules
    for rule in rules:
        counted = any(isinstance(each, UseInterval | CalendarInterval) for each in rule.intervals)
        assert rule.example == counted, rule.subject
        assert rule.title
    assert len({rule.subject for rule in rules}) == len(rules)


def test_every_kind_of_work_is_there() -> None:
    """Pumps, blowers, mixers, screens, filters, dosing, floats, alarm tests, scum, sludge."""
    tasks = {rule.task for rule in read_service_rules([SHIPPED_SERVICE], PARK).rules}
    assert {
        "pump_overhaul", "blower_intake_filter", "mixer_look_over", "clean_screen", "filter_media",
        "dosing_pump_look_over", "test_floats", "test_alarm_path", "scum_of_sumps", "haul_sludge",
    } <= tasks  # fmt: skip


def test_work_near_wells_machines_and_chemicals_prints_its_caution() -> None:
    """In full, where the reader meets the task."""
    for rule in read_service_rules([SHIPPED_SERVICE], PARK).rules:
        text = " ".join(rule.cautions)
        if rule.task.startswith(("pump_", "mixer_", "test_floats", "scum")):
            assert "confined spaces" in text, rule.subject
        if rule.task.startswith(("pump_", "blower_", "mixer_", "dosing_pump")):
            assert "lock out" in text, rule.subject
        if rule.task == "fill_day_tank":
            assert "never mix" in text


def test_intervals_are_read_with_their_units() -> None:
    """500 h, 1000 starts, 2 years and a condition."""
    text = """
service:
  look:
    for: {one: collection_pump_1}
    title: look
    every: {run_hours: 500 h, starts: 1000, calendar: 2 years, when: "this.low_flow"}
"""
    (rule,) = parse_service_rules([(text, "mine.yaml")], PARK).rules
    hours, starts, years, worn = rule.intervals
    assert hours == UseInterval("run_hours", 500 * 3600.0)
    assert starts == UseInterval("starts", 1000.0)
    assert years == CalendarInterval(24, 0)
    assert isinstance(worn, ConditionInterval)
    assert calendar_of("30 days") == CalendarInterval(0, 30)


def test_an_owner_puts_the_makers_figure_in_the_place_of_an_example() -> None:
    """A later file replaces a shipped task."""
    own = """
service:
  pump_overhaul:
    replaces: true
    for: {each: pump}
    title: overhaul
    every: {run_hours: 12000 h}
"""
    shipped = [(path, str(path)) for path in sorted(SHIPPED_SERVICE.glob("*.yaml"))]
    rules = parse_service_rules([*shipped, (own, "own.yaml")], PARK).rules
    hours = {rule.intervals for rule in rules if rule.task == "pump_overhaul"}
    assert hours == {(UseInterval("run_hours", 12_000 * 3600.0),)}


HEAD = "service:\n  look:\n    for: {each: pump}\n    title: look\n"
WRONG = {
    "every: {}": "mine.yaml:5:5: service.look.every: found no interval, expected at least one of "
    "run_hours, starts, cycles, volume, calendar or when",
    "every: {run_hours: 500}": "mine.yaml:5:24: service.look.every.run_hours: found 500, expected "
    "run hours such as '500 h'",
    "every: {run_hour: 500 h}": "mine.yaml:5:13: service.look.every.run_hour: found the unknown "
    "key 'run_hour', expected one this block has; did you mean 'run_hours'?",
    "every: {calendar: 6 mo}": "mine.yaml:5:23: service.look.every.calendar: found '6 mo', "
    "expected a span of the calendar such as '30 days', '6 months' or '1 year'",
    'every: {when: "this.low_flo"}': "did you mean 'this.low_flow'?",
    "every: {starts: 10}\n    caution: [confined spaces]": "did you mean 'confined space'?",
    "every: {starts: 10}\n    limits: {a: 5 d}": "found limits without a condition",
}


@pytest.mark.parametrize("body", WRONG)
def test_what_is_wrong_is_told_in_one_sentence(body: str) -> None:
    """File, line, column, what was found, what is expected, the nearest name."""
    with pytest.raises(ConfigurationError) as caught:
        parse_service_rules([(f"{HEAD}    {body}\n", "mine.yaml")], PARK)
    assert WRONG[body] in str(caught.value)


def test_a_task_twice_is_a_mistake() -> None:
    """Two files that do not know of each other would count twice."""
    text = HEAD + "    every: {starts: 10}\n"
    with pytest.raises(ConfigurationError, match=r"again, which is in a\.yaml:2"):
        parse_service_rules([(text, "a.yaml"), (text, "b.yaml")], PARK)


def test_the_schema_beside_the_examples_is_of_today() -> None:
    """Editors check by it."""
    assert (CONFIG / "service.schema.json").read_text(encoding="utf-8") == schema_text()
