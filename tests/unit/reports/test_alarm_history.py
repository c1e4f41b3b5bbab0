"""Activations in a period: clipped, open ones included, with the bounds that unknown spans give.

Lengths are checked against differences of the dates that were put in.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from collector.core.records import Record, RecordKind
from collector.journal import Journal, JournalReader
from collector.reports.alarm_history import Gap, History, Wanted, build_history, read_history
from collector.reports.alarm_rows import Activation
from tests.unit.reports.alarms_on_paper import (
    DAY_US,
    HIGH,
    HOUR_US,
    MINUTE_US,
    NOON_US,
    PUMP,
    cleared,
    lost,
    moved,
    noted,
    raised,
    returned,
)


def history(
    records: Sequence[Record],
    from_us: int = -DAY_US,
    to_us: int = DAY_US,
    known_us: int | None = None,
    wanted: Wanted | None = None,
) -> History:
    """What a period around noon saw."""
    known_us = to_us if known_us is None else known_us
    return build_history(
        records,
        NOON_US + from_us,
        NOON_US + to_us,
        NOON_US + known_us,
        wanted or Wanted(),
    )


def only(records: Sequence[Record], from_us: int = -DAY_US, to_us: int = DAY_US) -> Activation:
    """The one activation a period saw."""
    (found,) = history(records, from_us, to_us).activations
    return found


def test_an_activation_lasts_from_raised_to_cleared() -> None:
    """An hour; who acknowledged it, and when, belongs to it."""
    found = only(
        [
            raised(0, since_us=-10_000_000),
            moved(5 * MINUTE_US, "acknowledged", actor="warden", state="acknowledged"),
            cleared(HOUR_US),
        ]
    )  # fmt: skip
    assert (found.equipment, found.rule, found.priority) == ("collection", "high_level", "high")
    assert (found.began_utc_us, found.ended_utc_us) == (NOON_US, NOON_US + HOUR_US)
    assert found.began_after_utc_us == NOON_US - 10_000_000
    assert (found.known_s, found.low_s, found.high_s) == (3600.0, 3600.0, 3600.0)
    assert (found.acknowledged_utc_us, found.acknowledged_by) == (
        NOON_US + 5 * MINUTE_US, "warden",
    )  # fmt: skip
    assert not found.open
    assert [step.happening for step in found.steps] == ["raised", "acknowledged", "cleared"]


def test_lengths_are_clipped_to_the_period() -> None:
    """Of an hour from noon, half past eleven to half past twelve saw half."""
    records = [raised(0), cleared(HOUR_US)]
    half = HOUR_US // 2
    assert only(records, -half, half).known_s == 1800.0
    assert only(records, half, 2 * HOUR_US).known_s == 1800.0
    assert only(records, half // 2, half).known_s == 900.0
    assert only(records, half, 2 * HOUR_US).ended_utc_us == NOON_US + HOUR_US
    assert history(records, HOUR_US, 2 * HOUR_US).activations == ()
    assert history(records, -HOUR_US, 0).activations == ()


def test_one_that_has_not_cleared_stands_to_the_end_of_the_period() -> None:
    """And says that it is open."""
    found = only([raised(0)], -HOUR_US, 2 * HOUR_US)
    assert found.open
    assert found.known_s == 7200.0


def test_what_stood_when_nobody_knew_gives_bounds() -> None:
    """Known before and after a loss of 20 min that was noticed later; low and high differ by it."""
    records = [
        raised(0),
        moved(32 * MINUTE_US, "became unknown", after_us=30 * MINUTE_US),
        moved(50 * MINUTE_US, "became known"),
        cleared(HOUR_US),
    ]
    found = only(records)
    assert (found.low_s, found.high_s) == (2400.0, 3600.0)
    assert found.unknown_spans == ((NOON_US + 30 * MINUTE_US, NOON_US + 50 * MINUTE_US),)
    clipped = only(records, 40 * MINUTE_US, 2 * HOUR_US)
    assert (clipped.low_s, clipped.high_s) == (600.0, 1200.0)


def test_one_found_cleared_on_return_may_have_cleared_at_once() -> None:
    """From the last sign of the panel to its return nobody knew."""
    found = only(
        [
            raised(0),
            moved(12 * MINUTE_US, "became unknown", after_us=10 * MINUTE_US),
            cleared(HOUR_US),
        ]
    )
    assert (found.low_s, found.high_s) == (600.0, 3600.0)


def test_nothing_is_known_after_the_last_sign_of_the_collector() -> None:
    """An open alarm of a collector that stopped at one is unknown from then on."""
    (found,) = history([raised(0)], 0, 3 * HOUR_US, HOUR_US).activations
    assert (found.low_s, found.high_s) == (3600.0, 3 * 3600.0)
    assert found.unknown_spans == ((NOON_US + HOUR_US, NOON_US + 3 * HOUR_US),)


def test_a_stepped_wall_clock_makes_no_alarm_longer() -> None:
    """An hour of plant time is an hour, though the wall clock was put forward by two."""
    step = Record(
        RecordKind.CLOCK, "clock", NOON_US + MINUTE_US, NOON_US + MINUTE_US + 2 * HOUR_US,
        NOON_US + MINUTE_US, 2 * HOUR_US, low=float(2 * HOUR_US),
    )  # fmt: skip
    end = moved(HOUR_US, "cleared", offset_us=2 * HOUR_US)
    found = only([raised(0), step, end])
    assert found.known_s == 3600.0
    assert found.ended_utc_us == NOON_US + 3 * HOUR_US


def test_notes_belong_to_the_latest_activation_unless_they_name_one() -> None:
    """All are kept; of cause and action the newest counts, also where they come apart."""
    first, second = history(
        [
            raised(0),
            cleared(MINUTE_US),
            raised(HOUR_US, activation=2),
            noted(HOUR_US + 1, cause="rag in the float"),
            noted(HOUR_US + 2, corrective_action="float cleaned", by="relief"),
            noted(HOUR_US + 3, cause="float cable chafed"),
            noted(HOUR_US + 4, activation=1, cause="storm"),
        ]
    ).activations
    assert (first.cause, first.corrective_action) == ("storm", None)
    assert (second.cause, second.corrective_action) == ("float cable chafed", "float cleaned")
    assert [(note.actor, note.cause) for note in second.notes] == [
        ("warden", "rag in the float"), ("relief", None), ("warden", "float cable chafed"),
    ]  # fmt: skip


def test_a_refused_note_is_no_note() -> None:
    """It is on record, but it was not taken."""
    found = only([raised(0), noted(1, cause="storm", refused="no such activation")])
    assert found.notes == ()


def test_alarms_may_be_asked_for_by_equipment_rule_and_priority() -> None:
    """Each narrows the list; none of them widens it."""
    records = [
        raised(0),
        moved(1, "raised", PUMP, priority="medium", title="pump 1 failed"),
    ]

    def subjects(wanted: Wanted) -> list[str]:
        return [one.subject for one in history(records, wanted=wanted).activations]

    assert subjects(Wanted()) == [HIGH, PUMP]
    assert subjects(Wanted(equipment=frozenset({"collection_pump_1"}))) == [PUMP]
    assert subjects(Wanted(rules=frozenset({"high_level"}))) == [HIGH]
    assert subjects(Wanted(priorities=frozenset({"medium"}))) == [PUMP]
    assert subjects(Wanted(subjects=frozenset({HIGH}))) == [HIGH]
    assert subjects(Wanted(frozenset({"collection"}), frozenset({"medium"}))) == []


def test_an_alarm_that_chatters_is_marked_and_every_activation_kept() -> None:
    """3 or more in 1 min (screening convention of ISA-18.2, quoted)."""
    records = [
        record
        for number, at_s in enumerate((0, 20, 50, 600), 1)
        for record in (
            raised(at_s * 1_000_000, activation=number),
            cleared((at_s + 5) * 1_000_000, activation=number),
        )
    ]
    found = history(records).activations
    assert [one.chattering for one in found] == [True, True, True, False]


def test_the_first_of_a_burst_is_marked_whatever_is_asked_for() -> None:
    """It is what others say they follow; those are not asked for here, or are."""
    records = [
        raised(0),
        raised(1_000_000, PUMP, follows=f"{HIGH}#1"),
        raised(DAY_US // 2, PUMP, 2),
    ]
    first, second, third = history(records).activations
    assert (first.first_out, first.follows) == (True, "")
    assert (second.first_out, second.follows) == (False, f"{HIGH}#1")
    assert (third.first_out, third.follows) == (False, "")
    (alone,) = history(records, wanted=Wanted(subjects=frozenset({HIGH}))).activations
    assert alone.first_out


def test_what_is_raised_beneath_a_cover_says_so() -> None:
    """Nobody saw it: it is on record, but no figure of what people had to answer."""
    record = moved(0, "raised", state="shelved", priority="low")
    (found,) = history([record]).activations
    assert found.covered


def test_moves_before_any_activation_are_none() -> None:
    """An alarm that is taken out of service without ever having been raised has no activation."""
    record = moved(0, "taken out of service", activation=0, state="out of service")
    assert history([record]).activations == ()


def test_gaps_of_panels_are_told_as_far_as_they_touch_the_period() -> None:
    """From the last answer until the first; one that lasts has no end."""
    records = [
        lost(2 * MINUTE_US, MINUTE_US),
        returned(HOUR_US),
        lost(3 * HOUR_US, 3 * HOUR_US - MINUTE_US),
    ]
    first = Gap("works", NOON_US + MINUTE_US, NOON_US + HOUR_US, "link lost")
    second = Gap("works", NOON_US + 3 * HOUR_US - MINUTE_US, None, "link lost")
    assert history(records).gaps == (first, second)
    assert history(records, 0, 2 * HOUR_US).gaps == (first,)
    assert history(records, 2 * HOUR_US, DAY_US).gaps == (second,)


def test_the_record_says_since_when_it_is() -> None:
    """Before its first entry nothing is known."""
    assert history([]).began_utc_us is None
    assert history([raised(5)]).began_utc_us == NOON_US + 5


def test_the_audited_record_tells_the_same_as_the_records(tmp_path: Path) -> None:
    """Whether opened from the chain or from the records that went into it, to the last word."""
    records = [
        raised(0),
        raised(1, PUMP, follows=f"{HIGH}#1"),
        lost(32 * MINUTE_US, 30 * MINUTE_US),
        moved(32 * MINUTE_US, "became unknown", after_us=30 * MINUTE_US),
        returned(HOUR_US),
        cleared(HOUR_US),
        noted(2 * HOUR_US, cause="Sturm über dem See", corrective_action="float cleaned"),
    ]
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0.0) as journal:
        journal.submit(records)
        journal.flush()
    with JournalReader(path) as reader:
        found = read_history(reader, NOON_US, NOON_US + DAY_US)
    end_us = NOON_US + 2 * HOUR_US
    assert found == build_history(records, NOON_US, end_us + 1, end_us)
    assert len(found.activations) == 2
