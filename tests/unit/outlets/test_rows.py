"""Rows of the store, against the published syntax of the line protocol and its types."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.core.alarms.states import State
from collector.core.catalogue import Catalogue
from collector.core.quantities import QUANTITIES
from collector.core.records import RECOMPUTED, Quality, Record, RecordKind
from collector.core.service.intervals import NOT_KNOWN, STATES
from collector.outlets.rows import ALARM_CODES, SERVICE_CODES, STATE_CODES, Rows
from collector.outlets.topics import tidy
from tests.outlet_samples import ACTION, ALARM, NOON_US, one_of_each, record, sample_plant

# A line is measurement,tags fields stamp; a field without a suffix is a float, ``i`` makes it an
# integer, quotes make it text (published line protocol reference, "Data types and format").
NAME = r"[a-z0-9_.%/]+|\[pH\]|\{NTU\}"
LINE = re.compile(
    rf"[a-z]+(?:,[a-z]+=(?:{NAME}))+ "
    r"[a-z_]+=-?[0-9.e+-]+(?:,[a-z_]+=-?[0-9.e+-]+)* -?[0-9]+"
)


def rows() -> Rows:
    plant = sample_plant()
    return Rows(plant, Catalogue(plant))


def test_every_field_of_every_row_is_a_float() -> None:
    """No integers, no text, no booleans: a typed store never sees a column change its type."""
    for item in one_of_each():
        line = rows().line(replace(item, sequence=1))
        if item.kind in (RecordKind.CONFIGURATION, RecordKind.HEAD):
            assert line is None
        else:
            assert line is not None
            assert LINE.fullmatch(line), line
            stamp_us = item.after_us if item.kind is RecordKind.TOTAL else NOON_US
            assert line.endswith(f" {stamp_us}")


def test_the_lines_of_some_records_are_just_these() -> None:
    """The names are stable; dashboards are built on them."""
    maker = rows()
    contact = record(RecordKind.POINT, "works.p1_run", value=True, sequence=7)
    assert maker.line(contact) == (
        "contact,panel=works,plant=osier_bend,point=p1_run "
        "bracket_s=1,number=7,quality=0,value=1 1772366400000000"
    )
    hours = record(
        RecordKind.DERIVED, "pump_1.run_hours", value=5400.0, low=3600.0, high=7200.0, sequence=8
    )
    assert maker.line(hours) == (
        "equipment,equipment=pump_1,plant=osier_bend,quantity=run_hours,unit=h "
        "bracket_s=1,high=2,low=1,number=8,quality=0,value=1.5 1772366400000000"
    )


def test_a_total_is_stamped_with_the_begin_of_its_period() -> None:
    """So that a day's figure stands at that day, and one derived again beside the first."""
    day_us = 86_400_000_000
    total = record(
        RecordKind.TOTAL, "pump_1.run_hours.day", value=5400.0, low=3600.0, high=7200.0,
        bracket_us=day_us, sequence=9,
    )  # fmt: skip
    assert rows().line(total) == (
        "total,equipment=pump_1,period=day,plant=osier_bend,quantity=run_hours,unit=h "
        f"high=2,low=1,number=9,quality=0,value=1.5 {1772366400000000 - day_us}"
    )
    again = rows().line(replace(total, reason="recomputed with plant file 0123abcd"))
    assert again is not None
    assert again.startswith("total,equipment=pump_1,origin=recomputed,period=day,")


def test_a_finding_is_one_while_it_holds_and_zero_when_it_has_ceased() -> None:
    """Its words stay in the journal and with MQTT: stores turn text into 0."""
    for value, figure in (("worn", "value=1"), (None, "value=0")):
        line = rows().line(record(RecordKind.FINDING, "pump_1.worn", value=value))
        assert line is not None
        assert line.startswith("finding,equipment=pump_1,finding=worn,plant=osier_bend ")
        assert figure in line


def test_what_the_collector_says_of_itself_has_a_measurement_of_its_own() -> None:
    """1 yes, 0 no; a lag in minutes."""
    short = rows().line(record(RecordKind.POINT, "collector.disk_short", value=True))
    assert short is not None
    assert short.startswith("own,plant=osier_bend,point=disk_short ")
    assert "value=1" in short
    lag = rows().line(record(RecordKind.POINT, "collector.mqtt_behind", value=3_600.0))
    assert lag is not None
    assert lag.startswith("own,plant=osier_bend,point=mqtt_behind,unit=min ")
    assert "value=60" in lag


def test_an_alarm_is_told_by_the_code_of_its_state() -> None:
    """Codes are never given anew: what is stored keeps its meaning."""
    line = rows().line(record(RecordKind.ALARM, "sump.high_level", value=ALARM))
    assert line is not None
    assert line.startswith("alarm,equipment=sump,plant=osier_bend,rule=high_level ")
    assert "value=2" in line


def test_every_state_of_an_alarm_and_a_task_has_its_own_code() -> None:
    """As far as it is known: a task of which nothing is known has no figure, which is not 0."""
    assert set(ALARM_CODES) == {state.value for state in State}
    assert set(SERVICE_CODES) == set(STATES) - {NOT_KNOWN}
    for codes in (ALARM_CODES, SERVICE_CODES):
        assert len(set(codes.values())) == len(codes)


def test_an_action_is_one_if_it_was_accepted_and_zero_if_it_was_refused() -> None:
    """Who did it stays in the journal: stores turn text into 0, and tags are kept for good."""
    line = rows().line(record(RecordKind.ACTION, "sump.high_level", value=ACTION))
    assert line is not None
    assert line.startswith("action,about=sump.high_level,plant=osier_bend,verb=acknowledge ")
    assert "value=1" in line
    refused = ACTION.replace("}", ',"refused":"there is no such alarm"}')
    line = rows().line(record(RecordKind.ACTION, "sump.high_level", value=refused))
    assert line is not None
    assert "value=0" in line


def test_an_unknown_value_is_absent_and_never_zero() -> None:
    """Bad quality, state "unknown" and figures that are not finite leave ``value`` out."""
    maker = rows()
    unknown = [
        record(RecordKind.POINT, "works.level", value=None, quality=Quality.BAD),
        record(RecordKind.POINT, "works.level", value=math.nan),
        record(RecordKind.POINT, "works.level", value=math.inf),
        record(RecordKind.DERIVED, "pump_1.state", value="unknown", quality=Quality.BAD),
    ]
    for item in unknown:
        line = maker.line(item)
        assert line is not None
        assert "value=" not in line
        assert "quality=" in line


def test_a_point_that_left_the_plant_file_keeps_its_sort_as_far_as_its_value_tells() -> None:
    """Records older than the plant file in force are delivered too."""
    maker = rows()
    for value, measurement in ((True, "contact"), (3, "enumeration"), (0.5, "reading")):
        line = maker.line(record(RecordKind.POINT, "works.gone", value=value))
        assert line is not None
        assert line.startswith(f"{measurement},")


def test_a_figure_or_date_no_store_can_hold_is_refused_in_words() -> None:
    """IEEE 754 binary64 ends near 1.8e308; stamps are kept in 64 bits of nanoseconds."""
    with pytest.raises(ValueError, match="beyond a double"):
        rows().line(record(RecordKind.POINT, "works.mode", value=10**400))
    with pytest.raises(ValueError, match="beyond 64 bits"):
        rows().line(record(RecordKind.POINT, "works.mode", 1 << 62, 1))


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_figures_survive_the_way_into_a_line(figure: float) -> None:
    """What a reader parses back is the figure in its unit, to 15 digits."""
    line = rows().line(record(RecordKind.POINT, "works.level", value=figure))
    assert line is not None
    found = re.search(r"value=([^, ]+)", line)
    assert found is not None
    assert float(found[1]) == pytest.approx(figure * 100, rel=1e-14, abs=0)


NAMES = st.text("az_9 ,=\\\"'#/\t\r\nµ", min_size=1, max_size=8)
FIGURES = st.none() | st.floats() | st.integers(-(10**18), 10**18).map(float)
VALUES = (
    FIGURES | st.booleans() | st.integers(-(10**20), 10**20) | st.sampled_from(["running", "?"])
)
SHAPES = {
    "point": (RecordKind.POINT, ("panel", "point")),
    "equipment": (RecordKind.DERIVED, ("equipment", "quantity")),
    "event": (RecordKind.EVENT, ("equipment", "event")),
    "total": (RecordKind.TOTAL, ("equipment", "quantity", "period")),
}
KNOWN = [
    ("point", ("works", "level")), ("point", ("works", "p1_run")), ("point", ("works", "mode")),
    ("equipment", ("pump_1", "run_hours")), ("total", ("pump_1", "run_hours", "day")),
]  # fmt: skip
PLACES = st.sampled_from(KNOWN) | st.sampled_from(sorted(SHAPES)).flatmap(
    lambda shape: st.tuples(st.just(shape), st.tuples(*[NAMES] * len(SHAPES[shape][1])))
)
new_point = cast(Callable[[str], Any], Point)  # the library has no annotations


def by_the_library(item: Record, shape: str) -> str:
    """The row of a record as influxdb-client's own Point writes it."""
    kind, tags = SHAPES[shape]
    plant = sample_plant()
    names = item.subject.split(".")
    shown = Catalogue(plant).shown(item)
    if kind is RecordKind.POINT:
        of_value = {bool: "contact", int: "enumeration"}.get(type(item.value), "reading")
        told = {"works.level": "reading", "works.p1_run": "contact", "works.mode": "enumeration"}
        shape = told.get(item.subject, of_value)
    point = new_point(shape)
    for tag, name in zip(tags, names, strict=True):
        point.tag(tag, name)
    point.tag("plant", "osier_bend")
    point.tag("unit", shown.unit.code if shown.unit.code != "1" else None)
    point.tag("origin", "recomputed" if kind is RecordKind.TOTAL and item.reason else None)
    value = shown.value
    if isinstance(value, str):
        value = {"running": 1.0}.get(value)
    for field, figure in (("value", value), ("low", shown.low), ("high", shown.high)):
        point.field(field, None if figure is None else tidy(float(figure)))
    point.field("quality", float(item.quality))
    point.field("number", float(item.sequence))
    if kind is RecordKind.TOTAL:
        return str(point.time(item.after_us, WritePrecision.US).to_line_protocol())
    point.field("bracket_s", (item.at_us - item.after_us) / 1e6)
    return str(point.time(item.at_us, WritePrecision.US).to_line_protocol())


@given(
    PLACES, VALUES, FIGURES, FIGURES, st.sampled_from(Quality), st.sampled_from(["", RECOMPUTED]),
    st.integers(0, 10**13), st.integers(0, 2**62),
)  # fmt: skip
@example(KNOWN[0], 1e-5, -0.0, 1e15, Quality.GOOD, "", 0, 10**16)
@example(KNOWN[3], 3.6e19, 1e300, 5e-324, Quality.GOOD, "", 86_400_000_001, 2**53 - 1)
@example(KNOWN[1], 1.7976931348623157e308, math.inf, math.nan, Quality.GOOD, "", 0, 0)
def test_a_row_is_to_the_byte_what_the_library_makes_of_it(
    place: tuple[str, tuple[str, ...]], value: bool | int | float | str | None,
    low: float | None, high: float | None, quality: Quality, reason: str, bracket_us: int,
    sequence: int,
) -> None:  # fmt: skip
    """Fields in order, whole figures without ``.0``, exponents, what is escaped: compared with the
    Point of influxdb-client; a series met before gives the same as one that is new."""
    shape, names = place
    item = record(
        SHAPES[shape][0], ".".join(names), NOON_US, value, quality, reason, low, high, bracket_us,
        sequence,
    )  # fmt: skip
    expected = by_the_library(item, shape)
    maker = rows()
    assert maker.line(item) == expected
    maker.line(replace(item, value=None, reason=""))
    maker.line(replace(item, value=True, reason=RECOMPUTED))
    assert maker.line(item) == expected


def test_series_beyond_the_bound_are_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Names without end, as a journal of many plant files may hold, take no room without end."""
    monkeypatch.setattr("collector.outlets.rows.MOST_SERIES", 3)
    maker = rows()
    items = [record(RecordKind.EVENT, f"pump_{number}.started") for number in range(10)]
    first = [maker.line(item) for item in items]
    assert len(maker._series) <= 3
    assert [maker.line(item) for item in items] == first


def test_state_words_that_mean_the_same_kind_of_thing_have_different_codes() -> None:
    """Within one quantity a code has one meaning; only quantities that are words need one."""
    assert any(quantity.text for quantity in QUANTITIES.values())
    for words in (("stopped", "running"), ("lost", "up", "away", "not watched")):
        assert len({STATE_CODES[word] for word in words}) == len(words)
