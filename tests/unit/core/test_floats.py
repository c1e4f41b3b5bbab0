"""Floats of a well: order, bands, and what happened to them.

Expected bands follow from the geometry: a float makes as the water rises past one height and breaks
as it falls past another, no higher one; common practice, no source.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.floats import FloatBank
from collector.core.quantities import EVENTS
from collector.core.records import Derived, Event, Output, PointChanged, Quality
from collector.plant.equipment import Well
from tests.unit.core.scans_for_tests import us

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD
ROLES = ("low", "start_1", "start_2", "high")
HEIGHTS = {"low": (0.3, 0.2), "start_1": (0.8, 0.7), "start_2": (1.0, 0.9), "high": (1.4, 1.3)}


def a_well(heights: dict[str, tuple[float, float]] | None = None, **more: Any) -> Well:
    """A well whose floats make and break at these heights; each point named after its role."""
    floats = {
        role: {"point": f"p.{role}", "makes_at_m": makes_m, "breaks_at_m": breaks_m}
        for role, (makes_m, breaks_m) in (HEIGHTS if heights is None else heights).items()
    }
    return Well.model_validate({"kind": "well", "title": "sump", "floats": floats, **more})


def moved(role: str, made: bool | None, after_s: float, by_s: float) -> PointChanged:
    quality, reason = (BAD, "exception 02") if made is None else (GOOD, "")
    return PointChanged(f"p.{role}", made, quality, reason, us(after_s), us(by_s))


def a_bank(well: Well | None = None, **made: bool | None) -> FloatBank:
    """A bank whose floats are so; those not named, or None, are not known."""
    bank = FloatBank("sump", a_well() if well is None else well)
    for role, state in made.items():
        if state is not None:
            bank.point_changed(moved(role, state, 0, 0))
    bank.returned("p", 0)
    return bank


def bands(found: Iterable[Output]) -> list[Derived]:
    return [item for item in found if isinstance(item, Derived)]


def events(found: Iterable[Output]) -> list[Event]:
    return [item for item in found if isinstance(item, Event)]


# --- bands --------------------------------------------------------------------------------------


@pytest.mark.parametrize("states", list(itertools.product([False, True, None], repeat=4)))
def test_the_band_of_every_state(states: tuple[bool | None, ...]) -> None:
    """All 16 states of four floats, and all with unknown ones: the highest made float is the floor,
    the lowest hanging one the ceiling; a made float above a hanging one is out of order."""
    known = dict(zip(ROLES, states, strict=True))
    bank = a_bank(a_well(overflow_m=1.9), **known)
    made = [role for role in ROLES if known[role] is True]
    hanging = [role for role in ROLES if known[role] is False]
    words, low_m, high_m = bank.band()
    if not made and not hanging:
        assert (words, low_m, high_m) == ("unknown", None, None)
    elif made and hanging and ROLES.index(made[-1]) > ROLES.index(hanging[0]):
        assert (words, low_m, high_m) == ("out of order", None, None)
    else:
        assert low_m == (HEIGHTS[made[-1]][1] if made else 0.0)
        assert high_m == (HEIGHTS[hanging[0]][0] if hanging else 1.9)
        named = [*made[-1:], *hanging[:1]]
        assert [role for role in ROLES if role in words.split()] == named


def test_the_ceiling_above_the_highest_float_is_the_overflow_or_open() -> None:
    """Without an overflow in the file nobody knows how high it can stand."""
    all_made = dict.fromkeys(ROLES, True)
    assert a_bank(a_well(overflow_m=1.9), **all_made).band() == ("above high", 1.3, 1.9)
    assert a_bank(a_well(), **all_made).band() == ("above high", 1.3, None)
    assert a_bank(a_well({})).band() == ("unknown", None, None)


@pytest.mark.parametrize(
    ("states", "quality", "reason"),
    [
        ({"low": True, "start_1": False, "start_2": False, "high": False}, GOOD, ""),
        ({"low": True, "start_1": False, "start_2": False}, UNCERTAIN, "a float is not known"),
        ({"low": False, "start_1": True, "start_2": False, "high": False}, UNCERTAIN,
         "floats out of order"),
    ],
)  # fmt: skip
def test_how_far_a_band_may_be_believed(
    states: dict[str, bool], quality: Quality, reason: str
) -> None:
    """All floats known and in order: good. The quality is told anew even where the band stays."""
    bank = FloatBank("sump", a_well())
    found: list[Output] = []
    for role, made in states.items():
        found += bank.point_changed(moved(role, made, 0, 0))
    told = bands(found)[-1]
    assert (told.quality, told.reason) == (quality, reason)
    assert (told.value, told.low, told.high) == bank.band()


def test_a_band_is_told_when_it_changes_and_not_otherwise() -> None:
    """Two floats known again and nothing new: nothing to tell."""
    bank = a_bank(low=True, start_1=False, start_2=False, high=False)
    assert bank.returned("p", us(1)) == []
    assert bank.point_changed(moved("start_1", False, 1, 1)) == []
    (told,) = bands(bank.point_changed(moved("start_1", True, 1, 2)))
    assert told == Derived(
        "sump.level_band", "between start_1 and start_2", GOOD, us(2), 0.7, 1.0
    )  # fmt: skip


def test_one_float_with_a_wide_differential_is_not_out_of_order() -> None:
    """A start float that breaks below the low float's height may hang on while low has broken."""
    heights = {"low": (0.3, 0.25), "start_1": (0.8, 0.1)}
    bank = a_bank(a_well(heights), low=False, start_1=True)
    assert bank.band() == ("between start_1 and low", 0.1, 0.3)
    assert a_bank(a_well({**heights, "start_1": (0.8, 0.25)}), low=False, start_1=True).band() == (
        "out of order", None, None,
    )  # fmt: skip


@st.composite
def histories(draw: st.DrawFn) -> tuple[dict[str, tuple[float, float]], list[float]]:
    """Floats whose heights of making rise with their role, and where the water went."""
    roles = draw(st.lists(st.sampled_from(ROLES), min_size=1, unique=True))
    roles.sort(key=ROLES.index)
    makes_cm = sorted(
        draw(st.lists(st.integers(1, 300), min_size=len(roles), max_size=len(roles), unique=True))
    )
    heights = {
        role: (makes / 100, draw(st.integers(0, makes)) / 100)
        for role, makes in zip(roles, makes_cm, strict=True)
    }
    return heights, [cm / 100 for cm in draw(st.lists(st.integers(0, 320), min_size=1))]


@given(histories(), st.randoms(use_true_random=False))
def test_the_band_always_contains_the_water(
    history: tuple[dict[str, tuple[float, float]], list[float]], random: Any
) -> None:
    """Wherever the water went, however the floats differ and whichever of them are unknown: floats
    that work are never out of order, and the band holds the level."""
    heights, levels_m = history
    bank = FloatBank("sump", a_well(heights))
    made = dict.fromkeys(heights, False)
    water_m = 0.0
    for level_m in levels_m:
        for role, (makes_m, breaks_m) in heights.items():
            if level_m >= makes_m:
                made[role] = True
            elif level_m < breaks_m:
                made[role] = False
        water_m = level_m
        for role in random.sample(sorted(heights), len(heights)):
            state = None if random.random() < 0.3 else made[role]
            bank.point_changed(moved(role, state, 0, 0))
        words, low_m, high_m = bank.band()
        assert words != "out of order"
        if words != "unknown":
            assert low_m is not None
            assert low_m <= water_m
            assert high_m is None or water_m <= high_m


# --- events -------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_each_float_tells_when_it_makes_and_breaks(role: str) -> None:
    """With the bracket of the change, by names that the table of events lists."""
    bank = a_bank(None, **dict.fromkeys(ROLES, False))
    (made,) = events(bank.point_changed(moved(role, True, 4, 5)))
    (broke,) = events(bank.point_changed(moved(role, False, 8, 9)))
    assert made == Event(f"sump.float_{role}_made", us(4), us(5))
    assert broke == Event(f"sump.float_{role}_broke", us(8), us(9))
    for event in (made, broke):
        assert event.subject.partition(".")[2] in EVENTS


def test_the_first_sight_of_a_float_is_no_event() -> None:
    """That it is made does not say that it was seen to make."""
    bank = FloatBank("sump", a_well())
    assert events(bank.point_changed(moved("low", True, 0, 0))) == []


def test_a_float_that_moved_during_a_gap() -> None:
    """Somewhere between the last read before and the first after; the others are as they were."""
    bank = a_bank(low=True, start_1=True, start_2=False, high=False)
    (lost,) = bank.lost("p", "no reply", us(40), us(43))
    assert lost == Derived("sump.level_band", "unknown", BAD, us(43), reason="no reply")
    found = bank.point_changed(moved("start_1", False, 40, 60))
    assert events(found) == [Event("sump.float_start_1_broke", us(40), us(60))]
    (told,) = bands(bank.returned("p", us(60)))
    assert (told.value, told.quality) == ("between low and start_1", GOOD)


def test_a_float_that_cannot_be_read_is_unknown_until_it_can() -> None:
    """Its panel coming back does not make it known; moved when read again, it moved in between."""
    bank = a_bank(low=True, start_1=True, start_2=False, high=False)
    bank.point_changed(moved("start_1", None, 40, 43))
    bank.lost("p", "no reply", us(50), us(53))
    (told,) = bands(bank.returned("p", us(60)))
    assert (told.value, told.quality) == ("between low and start_2", UNCERTAIN)
    found = bank.point_changed(moved("start_1", False, 70, 70))
    assert events(found) == [Event("sump.float_start_1_broke", us(40), us(70))]
    assert bands(found)[-1].quality is GOOD


def test_only_the_lost_panels_floats_are_unknown() -> None:
    """A well may have floats on two panels."""
    well = Well.model_validate({
        "kind": "well", "title": "sump",
        "floats": {"low": {"point": "a.low", "makes_at_m": 0.3},
                   "high": {"point": "b.high", "makes_at_m": 1.4}},
    })  # fmt: skip
    bank = FloatBank("sump", well)
    bank.point_changed(PointChanged("a.low", True, GOOD, "", 0, 0))
    bank.point_changed(PointChanged("b.high", False, GOOD, "", 0, 0))
    (told,) = bands(bank.lost("b", "no reply", us(1), us(4)))
    assert (told.value, told.quality) == ("above low", UNCERTAIN)
    (told,) = bands(bank.returned("b", us(9)))
    assert (told.value, told.quality) == ("between low and high", GOOD)


def test_a_kept_state_continues_in_the_middle_of_a_gap() -> None:
    """Through JSON text: the same band, the same event, and nothing told twice."""
    bank = a_bank(low=True, start_1=True, start_2=False, high=False)
    bank.point_changed(moved("high", None, 30, 33))
    bank.lost("p", "no reply", us(40), us(43))
    other = FloatBank("sump", a_well())
    other.restore(json.loads(json.dumps(bank.save())))
    assert other.save() == bank.save()
    for change in (moved("start_1", False, 40, 60), moved("high", False, 60, 60)):
        assert other.point_changed(change) == bank.point_changed(change)
    assert other.returned("p", us(60)) == bank.returned("p", us(60))


def test_a_foreign_state_is_refused_whole() -> None:
    """Parts missing, or of another form: the bank stays as it was."""
    bank = a_bank(low=True)
    saved = bank.save()
    for name in saved:
        other = FloatBank("sump", a_well())
        before = other.save()
        with pytest.raises(ValueError, match=name):
            other.restore({key: part for key, part in saved.items() if key != name})
        with pytest.raises(ValueError, match="sump"):
            other.restore({**saved, name: 7})
        assert other.save() == before
