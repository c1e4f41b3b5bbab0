"""Rules bound to a plant: for whom, under what names, in place of what."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from collector.core.alarms.facts import FactBook
from collector.core.alarms.rule import Happens, Missing, Priority, Stands
from collector.core.conditions.contract import FactValue
from collector.core.diagnosis.wording import CAUTIONS
from collector.core.records import PanelReturned, PointChanged, Quality
from collector.errors import ConfigurationError
from collector.plant.load import load_plant
from collector.rulebook.load import SHIPPED, RuleSet, parse_rules, read_rules
from tests.unit.plant.wrong_files import EVERY_KIND

HERE = Path(__file__).parent
PLANT = load_plant(EVERY_KIND)
OSIER_BEND = load_plant(SHIPPED.parent / "config" / "osier-bend" / "plant.yaml")
ONE_SUMP = load_plant(SHIPPED.parent / "config" / "one-sump" / "plant.yaml")
RULE = """
    title: runs
    when: "this.run"
    priority: low
    causes: [somebody]
    consequence: none
    response: look
    respond_within: 1 d
"""


def rule(name: str, whom: str = "{each: pump}", more: str = "") -> str:
    """One rule as text, without the top key."""
    return f"  {name}:\n    for: {whom}{RULE}{more}"


def read(*files: str) -> RuleSet:
    """Files one after the other."""
    named = [(f"{number}.yaml", f"alarms:\n{text}") for number, text in enumerate(files, 1)]
    return parse_rules(named, PLANT)


def refused(*files: str) -> list[str]:
    """What is said of files that are wrong."""
    with pytest.raises(ConfigurationError) as error:
        read(*files)
    return str(error.value).split("\n")


class Known(dict[str, FactValue]):
    """Some facts."""

    def value_of(self, fact: str) -> FactValue | None:
        """As asked for by conditions."""
        return self.get(fact)


def test_every_key_of_a_rule_comes_to_the_desk() -> None:
    """Times in microseconds, cautions in full, limits in the unit of the name they meet."""
    text = (HERE / "every_rule.yaml").read_text(encoding="utf-8")
    rules = {each.subject: each for each in parse_rules([("rules.yaml", text)], PLANT).alarms}
    high = rules["sump.high_water"]
    assert (high.title, high.priority, high.latching) == (
        "Lift sump: high water", Priority.HIGH, True,
    )  # fmt: skip
    assert high.caution == f"{CAUTIONS['confined space']} Do not lean over the edge."
    assert high.respond_within_s == 1800.0
    assert high.source == "rules.yaml:3"
    fault = rules["p1.pump_fault"]
    assert (fault.on_delay_us, fault.off_delay_us) == (10_000_000, 300_000_000)
    assert fault.causes == ("blocked", "a phase missing")
    assert fault.condition.facts == ("p1.in_fault", "p1.state")
    assert [each.condition.facts for each in fault.suppressions] == [("supply.no_voltage",)]
    assert fault.suppressions[0].reason == "the supply is out"
    assert fault.shape == Stands()
    assert rules["p2.many_starts"].shape == Happens(12, 3_600_000_000)
    assert rules["p2.many_starts"].condition.facts == ("works.p2_run",)
    assert rules["cloth.never_cleaned"].shape == Missing(26 * 3_600_000_000)
    # 5 m3/h and 0.5 m are 5/3600 m3/s and 0.5 m in SI (UCUM); the deadband is a tenth of the limit.
    much = rules["sump.much_inflow"].condition
    held: dict[str, bool] = {}
    facts = Known({"sump.inflow": 5.1 / 3600, "sump.level": 0.5})
    assert much.holds(facts, held) is True
    facts["sump.inflow"] = 4.6 / 3600
    assert much.holds(facts, held) is True
    facts["sump.inflow"] = 4.4 / 3600
    assert much.holds(facts, held) is False
    assert much.holds(Known({"sump.level": 0.5}), held) is None


def test_a_rule_is_for_those_that_have_all_its_names() -> None:
    """The pump without a fault contact is left out, which is no mistake; nor are exceptions."""
    rules = read(rule("a").replace('"this.run"', '"this.in_fault && this.run"'))
    assert [each.subject for each in rules.alarms] == ["p1.a"]
    (binding,) = rules.bindings
    assert [(each.owner, each.missing) for each in binding.left_out] == [
        ("p2", ("this.in_fault",)), ("bay_pump", ("this.in_fault",)),
    ]  # fmt: skip
    rules = read(rule("a", "{each: pump, except: [p2]}"))
    assert [each.subject for each in rules.alarms] == ["p1.a", "bay_pump.a"]


@pytest.mark.parametrize(
    ("whom", "when", "subject"),
    [
        ("{each: collector}", "this.disk_short", "collector.a"),
        ("{each: panel, except: [outlying, filters, visitor, power]}",
         "this.link_state == 'lost'", "works.a"),
        ("{each: plant}", "works.p1_run && bay_pump.run", "plant.a"),
        ("{one: works}", "this.beat > 3", "works.a"),
        ("{one: collector}", "this.clock_unsynchronised", "collector.a"),
        ("{each: mains}", "this.no_voltage", "supply.a"),
    ],
)  # fmt: skip
def test_a_rule_may_be_for_what_is_no_equipment(whom: str, when: str, subject: str) -> None:
    """Panels, the collector itself, and the plant as a whole."""
    rules = read(rule("a", whom).replace('"this.run"', f'"{when}"'))
    assert [each.subject for each in rules.alarms] == [subject]


def test_a_suppression_by_what_is_not_there_is_dropped() -> None:
    """No supply names the panel of this machine, so none can suppress its alarm."""
    more = "    suppressed_by:\n      - {when: this_supply.no_voltage, reason: out}\n"
    rules = read(rule("a", "{each: blower}", more), rule("b", "{each: pump}", more))
    found = {each.subject: len(each.suppressions) for each in rules.alarms}
    assert found["b1.a"] == 0
    assert found["p1.b"] == 1


def test_a_later_file_may_replace_or_drop_a_rule() -> None:
    """An owner adapts what ships without touching it."""
    first = rule("a") + rule("b")
    rules = read(first, rule("a", "{one: p2}", "    replaces: true\n"))
    assert {each.subject for each in rules.alarms} == {"p2.a", "p1.b", "p2.b", "bay_pump.b"}
    rules = read(first, "  a: {switched_off: true, note: not here}\n")
    assert {each.subject for each in rules.alarms} == {"p1.b", "p2.b", "bay_pump.b"}
    rules = read(first, "  a: {switched_off: true}\n", rule("a", "{one: p1}"))
    assert "p1.a" in {each.subject for each in rules.alarms}


def test_the_same_name_in_two_files_is_a_mistake() -> None:
    """Otherwise one of the two would be in force without anybody knowing which."""
    (told,) = refused(rule("a"), rule("b") + rule("a"))
    assert told == (
        "2.yaml:11:3: alarms.a: found the rule 'a' again, which is in 1.yaml:2, expected another "
        "name, or 'replaces: true' to take its place"
    )
    (told,) = refused(rule("pumps"), rule("pump", more="    replaces: true\n"))
    assert told == (
        "2.yaml:11:5: alarms.pump.replaces: found 'pump', expected the name of a rule in a file "
        "before this one; did you mean 'pumps'?"
    )


def test_all_problems_of_all_files_are_told_at_once() -> None:
    """Also that one of them is no YAML."""
    told = refused(rule("a", "{each: pumps}"), "\tx", rule("c").replace("this.run", "this.rum"))
    assert [line.split(":")[0] for line in told] == ["1.yaml", "2.yaml", "3.yaml"]


def test_files_and_directories_are_read_in_order(tmp_path: Path) -> None:
    """Those of a directory by name; other files in it are none of ours."""
    shipped = tmp_path / "rules"
    shipped.mkdir()
    for name in ("b", "a"):
        (shipped / f"{name}.yaml").write_text(f"alarms:\n{rule(name)}", encoding="utf-8")
    (shipped / "notes.txt").write_text("none", encoding="utf-8")
    own = tmp_path / "own.yaml"
    own.write_text("alarms:\n  a: {switched_off: true}\n", encoding="utf-8")
    rules = read_rules([shipped, own], PLANT)
    assert [Path(path).name for path, _ in rules.files] == ["a.yaml", "b.yaml", "own.yaml"]
    assert {each.subject for each in rules.alarms} == {"p1.b", "p2.b", "bay_pump.b"}
    again = parse_rules(rules.files, PLANT)
    assert again.hash == rules.hash
    (tmp_path / "none").mkdir()
    with pytest.raises(ConfigurationError, match=r"a directory without \*\.yaml"):
        read_rules([tmp_path / "none"], PLANT)
    with pytest.raises(ConfigurationError, match="no such file"):
        read_rules([tmp_path / "absent.yaml"], PLANT)


def test_the_hash_is_that_of_names_and_texts() -> None:
    """SHA-256 (FIPS 180-4) over each name and text with its length, whatever the directory."""
    rules = read(rule("a"))
    text = f"alarms:\n{rule('a')}".encode()
    expected = hashlib.sha256(
        len(b"1.yaml").to_bytes(8, "big") + b"1.yaml" + len(text).to_bytes(8, "big") + text
    )
    assert rules.hash == expected.hexdigest()
    assert RuleSet((("/elsewhere/1.yaml", text.decode()),), ()).hash == rules.hash
    assert read(rule("b")).hash != rules.hash


@pytest.mark.parametrize("plant", [OSIER_BEND, ONE_SUMP, PLANT], ids=lambda each: each.plant.name)
def test_the_shipped_rules_fit_every_plant(plant: object) -> None:
    """What ships is right with each example plant, each subject is there once, and each rule says
    what to do within which time."""
    rules = read_rules([SHIPPED], plant)  # type: ignore[arg-type]
    subjects = [each.subject for each in rules.alarms]
    assert len(subjects) == len(set(subjects))
    assert len(subjects) > 30
    for each in rules.alarms:
        assert each.causes
        assert each.consequence
        assert each.response
        assert each.respond_within_s >= 600.0, "nobody is there sooner"


def test_graver_alarms_leave_less_time() -> None:
    """Priority goes by consequence and time to respond (IEC 62682): high ones want somebody within
    the hour, low ones can wait until the next working day (common practice, no source)."""
    for each in read_rules([SHIPPED], OSIER_BEND).alarms:
        if each.priority is Priority.HIGH:
            assert each.respond_within_s <= 3600.0, each.subject
        if each.priority is Priority.MEDIUM:
            assert 3600.0 <= each.respond_within_s <= 8 * 3600.0, each.subject
        if each.priority is Priority.LOW:
            assert each.respond_within_s >= 8 * 3600.0, each.subject


def test_a_state_of_a_panel_is_asked_for_by_its_word() -> None:
    """The register holds a figure; the plant file says which word it stands for."""
    rules = read(rule("a", "{one: works}").replace('"this.run"', "\"this.mode == 'hand'\""))
    facts = FactBook(PLANT, rules.alarms[0].condition.facts)
    facts.hear(PanelReturned("works", 1))
    for figure, so in ((1, True), (2, False), (7, None)):
        facts.hear(PointChanged("works.mode", figure, Quality.GOOD, "", 2, 2))
        assert rules.alarms[0].condition.holds(facts, {}) is so


HURTS = ("pump", "blower", "mixer", "well", "filter", "dosing_pump", "mains", "sludge_store")


def test_rules_that_send_somebody_to_a_machine_or_a_tank_print_a_caution() -> None:
    """29 CFR 1910.146 and 1910.147: confined spaces and machines that may start by themselves."""
    for each in read_rules([SHIPPED], OSIER_BEND).alarms:
        owner = OSIER_BEND.equipment.get(each.subject.partition(".")[0])
        if owner is not None and owner.kind in HURTS and "wet_weather" not in each.subject:
            assert any(caution in each.caution for caution in CAUTIONS.values()), each.subject
