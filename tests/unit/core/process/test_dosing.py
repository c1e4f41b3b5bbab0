"""Use, dose and stock of dosing pumps, against published examples and figures by hand."""

from __future__ import annotations

from typing import Any

import pytest

from collector.core.process.counters import CounterTrack
from collector.core.process.dosing import Dosing, dose_kg_m3
from collector.core.process.volumes import FlowSource, Throughput
from collector.core.records import Quality
from collector.core.runs import RunMeter
from collector.plant.equipment import DosingPump
from collector.units import UNITS
from tests.unit.core.process.on_paper import DAY_S, HOUR_S, Bench, PaperFlow, move_state, steady

MG_L, LITRE, M3_D, ML_MIN = UNITS["mg/L"], UNITS["L"], UNITS["m3/d"], UNITS["mL/min"]
US_GALLON_M3 = 3.785411784e-3  # NIST SP 811, appendix B.8
POUND_KG = 0.45359237  # NIST SP 811, appendix B.8


def test_ten_pounds_of_the_us_formula() -> None:
    """1 mg/L in one million US gallons a day is 8.34 lb/d.

    Source: lb/d = 8.34 mgd mg/L, common in US operator texts; the factors are NIST SP 811's.
    """
    used_m3 = 1e-3  # one litre of solution
    strength = 8.34 * POUND_KG / used_m3
    assert MG_L.from_si(dose_kg_m3(used_m3, strength, 1e6 * US_GALLON_M3)) == pytest.approx(
        1.0, rel=1e-3
    )


def test_the_published_chlorination_example() -> None:
    """40 mL/min of 0.25 % into 35 gpm is 0.72 mg/L as chlorine.

    Source: California SWRCB (2018), chlorine dose of a well; its per cent is weight of NaOCl by
    volume, of which 0.9525 counts as available chlorine.
    """
    strength_g_per_l = 0.25 * 10.0 * 0.9525
    dose = dose_kg_m3(ML_MIN.to_si(40.0), strength_g_per_l, 35.0 * US_GALLON_M3 / 60.0)
    assert MG_L.from_si(dose) == pytest.approx(0.72, abs=0.005)


def test_eight_milligrams_in_a_hundred_cubic_metres() -> None:
    """100 m3/d at 8 mg/L from 120 g/L takes 6.667 L/d, which is 4.630 mL/min. Mass balance."""
    used_m3_s = M3_D.to_si(100.0) * MG_L.to_si(8.0) / UNITS["g/L"].to_si(120.0)
    assert UNITS["L/d"].from_si(used_m3_s) == pytest.approx(6.667, abs=5e-4)
    assert ML_MIN.from_si(used_m3_s) == pytest.approx(4.630, abs=5e-4)
    dose = dose_kg_m3(used_m3_s, 120.0, M3_D.to_si(100.0))
    assert MG_L.from_si(dose) == pytest.approx(8.0)


def pump(**keys: Any) -> DosingPump:
    """A dosing pump of a plant file."""
    return DosingPump.model_validate(
        {"kind": "dosing_pump", "title": "Dosing", "chemical": "coagulant", **keys}
    )


def by_run(source: FlowSource | None, **keys: Any) -> Bench:
    """A pump of 0.4 L/h by its run contact, 120 g/L."""
    part = pump(run="p.run", rated_l_per_h=0.4, strength_g_per_l=120.0, **keys)
    runs = RunMeter("pump", "p.run", 0)
    flow = None if source is None else Throughput(source, 0)
    dosing = Dosing("pump", part, runs, None, flow, 0)
    return Bench(runs, dosing) if flow is None else Bench(runs, flow, dosing)


def by_strokes(**keys: Any) -> tuple[Bench, Dosing]:
    """A pump of 0.5 mL a stroke by a 16-bit counter, 125 g/L, in 2 m3/h."""
    part = pump(strokes="p.strokes", ml_per_stroke=0.5, strength_g_per_l=125.0, **keys)
    flow = Throughput(steady(2.0 / HOUR_S), 0)
    dosing = Dosing("pump", part, None, CounterTrack(65_536.0, 20.0, 6.0), flow, 0)
    return Bench(flow, dosing), dosing


def test_dose_follows_run_time_and_flow() -> None:
    """0.4 L/h of 120 g/L for half an hour of each into 2 m3/h: 0.2 x 120 / 2 = 12 mg/L."""
    bench = by_run(steady(2.0 / HOUR_S))
    for hour in range(26):
        bench.change("p.run", True, hour * HOUR_S + 60.0)
        bench.change("p.run", False, hour * HOUR_S + 1860.0)
    bench.until(26 * HOUR_S)
    assert MG_L.from_si(bench.value("dose")) == pytest.approx(12.0, rel=1e-6)
    assert MG_L.from_si(bench.value("dose_day")) == pytest.approx(12.0, rel=1e-6)
    assert LITRE.from_si(bench.value("chemical_used")) == pytest.approx(5.2, abs=0.11)


def test_tolerance_of_the_rate_and_error_of_the_flow_make_the_bounds() -> None:
    """With 5 % of rate and 0.1 m3 of standard error in 2 m3 the dose of 12 mg/L lies within
    12 x 0.95 / (2 + 2 x 0.1) x 2 and 12 x 1.05 / (2 - 2 x 0.1) x 2 at the widest."""
    source = PaperFlow(lambda at_s: 2.0 * at_s / HOUR_S, share=0.05)
    bench = by_run(source, rate_tolerance_percent=5.0)
    bench.change("p.run", True, 0.0)
    bench.until(2 * HOUR_S)
    last = bench.last("dose")
    assert last.low is not None
    assert last.high is not None
    assert MG_L.from_si(bench.value("dose")) == pytest.approx(24.0)
    assert MG_L.from_si(last.low) == pytest.approx(24.0 * 0.95 / 1.1)
    assert MG_L.from_si(last.high) == pytest.approx(24.0 * 1.05 / 0.9)


def test_without_a_flow_the_dose_is_unknown() -> None:
    """No flow source: the dose is None and bad, never 0; the use is known all the same."""
    bench = by_run(None)
    bench.change("p.run", True, 0.0)
    bench.until(2 * HOUR_S)
    assert (bench.last("dose").value, bench.last("dose").quality) == (None, Quality.BAD)
    assert LITRE.from_si(bench.value("chemical_used")) == pytest.approx(0.8)


def test_no_water_has_no_dose() -> None:
    """Dosing into no flow: no dose can be told, and none is."""
    bench = by_run(steady(0.0))
    bench.change("p.run", True, 0.0)
    bench.until(2 * HOUR_S)
    assert bench.last("dose").value is None


def test_without_a_rate_the_use_is_unknown() -> None:
    """A run contact without a rate says nothing of use."""
    part = pump(run="p.run")
    dosing = Dosing("pump", part, RunMeter("pump", "p.run", 0), None, None, 0)
    bench = Bench(dosing)
    bench.until(2 * HOUR_S)
    assert bench.last("chemical_used").value is None
    assert dosing.readings(0) == {}


def test_unknown_run_time_belongs_to_the_upper_bound() -> None:
    """One hour run, one hour unknown: 0.4 L, at most 0.8 L."""
    bench = by_run(steady(1e-3))
    bench.change("p.run", True, 0.0)
    bench.lose("p", HOUR_S, HOUR_S + 5.0)
    bench.until(2 * HOUR_S)
    last = bench.last("chemical_used")
    assert last.high is not None
    assert LITRE.from_si(bench.value("chemical_used")) == pytest.approx(0.4)
    assert LITRE.from_si(last.high) == pytest.approx(0.8)
    assert last.quality is Quality.UNCERTAIN


def test_strokes_count_across_rollover_and_gap() -> None:
    """65 400 to 264 across the modulus are 400 strokes, 200 mL; what was counted while nobody
    looked is known once the counter is read again."""
    bench, dosing = by_strokes()
    bench.change("p.strokes", 65_400.0, 0.0)
    bench.change("p.strokes", 65_500.0, 600.0, after_s=599.0)
    bench.lose("p", 700.0, 705.0)
    bench.until(HOUR_S)
    assert bench.last("chemical_used").high is None
    bench.change("p.strokes", 264.0, 4000.0, after_s=700.0)
    bench.find("p", 4000.0)
    used = dosing.use.until(4_000_000_000)
    assert LITRE.from_si(used.value) == pytest.approx(0.2)
    assert used.bounded
    assert not bench.events("counter_changed")


def test_a_counter_set_back_is_told_and_leaves_doubt() -> None:
    """From 3000 back to 4: an event, and use is uncertain from then on."""
    bench, _ = by_strokes()
    bench.change("p.strokes", 3000.0, 0.0)
    bench.change("p.strokes", 4.0, 600.0, after_s=599.0)
    bench.until(HOUR_S)
    assert [event.reason for event in bench.events("counter_changed")] == ["set back to zero"]
    assert bench.last("chemical_used").quality is Quality.UNCERTAIN


def test_stock_counts_down_from_the_low_contact_and_lasts_so_long() -> None:
    """15 L left when the contact makes, 0.4 L/h since: after 10 h 11 L, which last 11 / 9.6 d."""
    bench = by_run(
        steady(1e-3), day_tank_l=100.0, tank_low="p.low", low_at_l=15.0, rate_tolerance_percent=5.0
    )
    bench.change("p.run", True, 0.0)
    bench.change("p.low", False, 0.0)
    bench.until(2 * DAY_S)
    assert (bench.last("stock").value, bench.last("stock").low) == (None, 0.015)
    bench.change("p.low", True, 2 * DAY_S + 60.0)
    bench.until(2 * DAY_S + 10 * HOUR_S)
    last = bench.last("stock")
    assert last.quality is Quality.GOOD
    assert LITRE.from_si(bench.value("stock")) == pytest.approx(11.0, abs=1.0)
    assert last.low is not None
    assert last.high is not None
    assert last.low < bench.value("stock") < last.high
    assert bench.value("stock_lasts") / DAY_S == pytest.approx(11.0 / 9.6, abs=0.5)


def test_a_filling_is_taken_as_full_and_may_be_less() -> None:
    """When the contact breaks, the tank holds at most 100 L and more than 15 L; uncertain."""
    bench = by_run(steady(1e-3), day_tank_l=100.0, tank_low="p.low", low_at_l=15.0)
    bench.change("p.run", True, 0.0)
    bench.change("p.low", True, 0.0)
    bench.change("p.low", False, 100.0)
    last = bench.last("stock")
    assert LITRE.from_si(bench.value("stock")) == pytest.approx(100.0)
    assert (last.low, last.quality) == (0.015, Quality.UNCERTAIN)


def test_a_tank_filled_unseen_is_unknown_again() -> None:
    """Filled at 100 L, 0.4 L/h for 15 days (144 L) without the contact making: somebody filled it
    in between, so nothing but the contact's bound is known."""
    bench = by_run(steady(1e-3), day_tank_l=100.0, tank_low="p.low", low_at_l=15.0)
    bench.change("p.run", True, 0.0)
    bench.change("p.low", True, 0.0)
    bench.change("p.low", False, 100.0)
    bench.until(15 * DAY_S)
    last = bench.last("stock")
    assert (last.value, last.low, last.high) == (None, 0.015, 0.1)


def test_an_empty_tank_is_not_less_than_empty() -> None:
    """The contact made at 15 L and 60 h at 0.4 L/h would leave -9 L: it reads 0, uncertain."""
    bench = by_run(steady(1e-3), day_tank_l=100.0, tank_low="p.low", low_at_l=15.0)
    bench.change("p.run", True, 0.0)
    bench.change("p.low", False, 0.0)
    bench.change("p.low", True, 100.0)
    bench.until(60 * HOUR_S)
    assert bench.value("stock") == 0.0
    assert bench.last("stock").quality is Quality.UNCERTAIN


def test_a_restart_changes_nothing() -> None:
    """Saved and taken back in the middle, use, dose and stock go on as they would have."""
    keys = {"day_tank_l": 100.0, "tank_low": "p.low", "low_at_l": 15.0}
    first = by_run(steady(2.0 / HOUR_S), **keys)
    first.change("p.run", True, 0.0)
    first.change("p.low", False, 0.0)
    first.change("p.low", True, 30 * HOUR_S + 100.0)
    second = by_run(steady(2.0 / HOUR_S), **keys)
    move_state(first.parts, second.parts)
    first.said.clear()
    for bench in (first, second):
        bench.change("p.run", False, 40 * HOUR_S + 500.0)
        bench.until(50 * HOUR_S)
    assert first.said == second.said
    assert first.said
