"""Contact time, CT, overflow rate and filter rate at a flow, against published examples."""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.process.clarifier import OverflowRate
from collector.core.process.contact_time import ContactTime, ct_kg_s_per_m3, t10_s
from collector.core.process.volumes import Throughput, Volume, between
from collector.core.records import Quality
from collector.plant.equipment import Clarifier, ContactTank
from collector.units import UNITS
from tests.unit.core.process.on_paper import DAY_S, HOUR_S, Bench, PaperFlow, move_state, steady

MINUTE, CT, M3_H = UNITS["min"], UNITS["mg.min/L"], UNITS["m3/h"]
GALLON_PER_MIN_FT2 = 3.785411784e-3 / 60.0 / 0.3048**2  # NIST SP 811, appendix B.8; m/s


def test_t10_of_a_poorly_baffled_tank() -> None:
    """10 m3 at 5 m3/h with a baffling factor of 0.3 (poor) has a T10 of 36 min.

    Source: T10 = BF V / Q and the factors: Pennsylvania DEP, tracer studies and contact time.
    """
    assert MINUTE.from_si(t10_s(10.0, 0.3, M3_H.to_si(5.0))) == pytest.approx(36.0)


@pytest.mark.parametrize(
    ("residual", "minutes", "ct"), [(5.0, 90.0, 450.0), (4.99, 90.0, 449.1), (6.0, 80.0, 480.0)]
)
def test_ct_is_residual_times_time(residual: float, minutes: float, ct: float) -> None:
    """5.0 mg/L for 90 min is a CT of 450 mg min/L, the figure of 22 CCR 60301.230."""
    found = ct_kg_s_per_m3(UNITS["mg/L"].to_si(residual), MINUTE.to_si(minutes))
    assert CT.from_si(found) == pytest.approx(ct)


def test_five_gallons_a_square_foot() -> None:
    """5 gal/(min ft2) is 12.2 m/h. Source: the limit of Utah R317-3-12; factors of NIST SP 811."""
    assert UNITS["m/h"].from_si(5.0 * GALLON_PER_MIN_FT2) == pytest.approx(12.2, abs=0.03)


def contact(source: PaperFlow | None, **keys: Any) -> Bench:
    """A tank of 10 m3 with a factor of 0.3."""
    part = ContactTank.model_validate(
        {"kind": "contact_tank", "title": "Tank", "volume_m3": 10.0, "baffling_factor": 0.3, **keys}
    )
    flow = None if source is None else Throughput(source, 0)
    tank = ContactTime("tank", part, flow, 0)
    return Bench(tank) if flow is None else Bench(flow, tank)


def test_contact_time_is_told_as_an_estimate_with_bounds() -> None:
    """At 5 m3/h known to 10 % (two errors): 36 min within 36/1.1 and 36/0.9, never called good."""
    bench = contact(PaperFlow(lambda at_s: 5.0 * at_s / HOUR_S, share=0.05))
    bench.until(2 * HOUR_S)
    last = bench.last("contact_time")
    assert last.low is not None
    assert last.high is not None
    assert MINUTE.from_si(bench.value("contact_time")) == pytest.approx(36.0)
    assert MINUTE.from_si(last.low) == pytest.approx(36.0 / 1.1)
    assert MINUTE.from_si(last.high) == pytest.approx(36.0 / 0.9)
    assert last.quality is Quality.UNCERTAIN
    assert "no tracer study" in last.reason


def test_ct_follows_the_residual_and_is_unknown_without_it() -> None:
    """5 mg/L x 36 min = 180 mg min/L; with the residual lost the CT is unknown, not 0."""
    bench = contact(steady(5.0 / HOUR_S), residual="p.cl2")
    bench.change("p.cl2", UNITS["mg/L"].to_si(5.0), 10.0)
    bench.until(2 * HOUR_S)
    assert CT.from_si(bench.value("ct")) == pytest.approx(180.0)
    bench.lose("p", 2 * HOUR_S + 10.0, 2 * HOUR_S + 15.0)
    bench.until(3 * HOUR_S)
    assert (bench.last("ct").value, bench.last("ct").quality) == (None, Quality.BAD)
    bench.find("p", 3 * HOUR_S + 100.0)
    bench.until(4 * HOUR_S)
    assert CT.from_si(bench.value("ct")) == pytest.approx(180.0)


def test_no_flow_has_no_contact_time_and_no_source_is_unknown() -> None:
    """Without flow the time has a lower bound only; without a source nothing is known."""
    still, none = contact(steady(0.0, error_m3=0.0)), contact(None)
    for bench in (still, none):
        bench.until(2 * HOUR_S)
        assert bench.last("contact_time").value is None
    assert still.last("contact_time").quality is Quality.UNCERTAIN
    assert none.last("contact_time").quality is Quality.BAD


def test_an_hour_mostly_unknown_has_no_flow() -> None:
    """40 min of an hour unknown: None, with the bounds that known part and greatest flow set."""
    source = PaperFlow(
        lambda at_s: 1.0 if at_s > 5000.0 else 0.0,
        unknown_s=lambda at_s: min(2400.0, max(0.0, at_s - 3600.0)),
        most_m3_s=0.002,
    )
    bench = contact(source)
    bench.until(2 * HOUR_S)
    last = bench.last("contact_time")
    assert last.value is None
    assert last.low == pytest.approx(t10_s(10.0, 0.3, (1.0 + 2400.0 * 0.002) / HOUR_S))
    assert last.high == pytest.approx(t10_s(10.0, 0.3, 1.0 / HOUR_S))


def test_a_long_stop_is_told_once() -> None:
    """Ten days of which nobody knows the flow, only the most that it can be: one figure more, not
    one for each hour, though the hours differ by rounding.
    """
    stop_s = 5 * HOUR_S
    source = PaperFlow(
        lambda at_s: 0.001 * min(at_s, stop_s),
        unknown_s=lambda at_s: max(0.0, at_s - stop_s),
        most_m3_s=0.002 + 1e-9 / 3.0,
    )
    bench = contact(source)
    bench.until(stop_s)
    before = len(bench.told("contact_time"))
    bench.until(stop_s + 10 * DAY_S)
    assert len(bench.told("contact_time")) == before + 1
    assert bench.last("contact_time").value is None


def test_overflow_rate_of_a_day() -> None:
    """9 m2 at 9 m2 x 24.4 m/d is 24.4 m/d, over an hour and over a day.

    Source of the figure: average rate for activated sludge, Wyoming ch. 11 s. 17.
    """
    part = Clarifier.model_validate({"kind": "clarifier", "title": "C", "area_m2": 9.0})
    flow = Throughput(steady(9.0 * 24.4 / DAY_S), 0)
    bench = Bench(flow, OverflowRate("clarifier", part, flow, 0))
    bench.until(25 * HOUR_S)
    for quantity in ("overflow_rate", "overflow_rate_day"):
        assert UNITS["m/d"].from_si(bench.value(quantity)) == pytest.approx(24.4)


def test_peak_hours_show_in_the_hour_and_not_in_the_day() -> None:
    """An hour at four times the flow reads four times the rate, the day its mean."""
    part = Clarifier.model_validate({"kind": "clarifier", "title": "C", "area_m2": 1.0})

    def volume(at_s: float) -> float:
        return at_s / HOUR_S + 3.0 * max(0.0, min(1.0, at_s / HOUR_S - 24.0))

    flow = Throughput(PaperFlow(volume), 0)
    bench = Bench(flow, OverflowRate("clarifier", part, flow, 0))
    bench.until(25 * HOUR_S)
    assert bench.value("overflow_rate") * HOUR_S == pytest.approx(4.0)
    assert bench.value("overflow_rate_day") * DAY_S == pytest.approx(27.0)


def test_errors_of_two_times_are_independent_and_unknown_time_opens_the_top() -> None:
    """From 3 to 5 litres of error: sqrt(5^2 - 3^2) = 4, twice it is the bound; unknown time that
    nothing bounds leaves no upper bound."""
    begin, end = Volume(10.0, 0.003, 0.0, 0.0), Volume(12.0, 0.005, 0.0, 0.0)
    span = between(begin, end, 3600.0)
    assert (span.low_m3, span.high_m3) == pytest.approx((2.0 - 0.008, 2.0 + 0.008))
    opened = between(begin, Volume(12.0, 0.005, 60.0, float("inf")), 3600.0)
    assert opened.high_m3 is None


def test_the_samples_survive_a_restart() -> None:
    """Saved and taken back between two hours, the hour and the day are told as they would be."""
    part = Clarifier.model_validate({"kind": "clarifier", "title": "C", "area_m2": 9.0})

    def fresh() -> Bench:
        flow = Throughput(PaperFlow(lambda at_s: at_s**1.5 * 1e-6, error_m3=0.01), 0)
        return Bench(flow, OverflowRate("clarifier", part, flow, 0))

    first, second = fresh(), fresh()
    first.until(30.5 * HOUR_S)
    move_state(first.parts, second.parts)
    first.said.clear()
    for bench in (first, second):
        bench.until(40 * HOUR_S)
    assert first.said == second.said
    assert first.said
