"""The volumetric method against worked examples and the mass balance.

The worked figures follow from the balance by hand: a sump of 500 L between its floats fills in
300 s, is drawn down in 150 s, fills again in 250 s. Cycle times after USACE EI 11C201 (1997),
chapter 7: T = V/i + V/(Q - i), least 4 V/Q.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.core.wells.pairwise import (
    Crossing,
    Drawdown,
    Fill,
    PairwiseMeter,
    cycle_at,
    drawdown_flow_m3_s,
    fill_inflow_m3_s,
    least_cycle_s,
    pumped_m3,
    with_mean_of_fills,
)

SECOND_US = 1_000_000
LOW_M3, HIGH_M3 = 0.2, 0.7


def example(half_us: int = 0, repeatability_m3: float = 0.0) -> tuple[Fill, Drawdown, Fill]:
    """The sump of the worked example, watched from crossing to crossing."""
    meter = PairwiseMeter(repeatability_m3)
    found = []

    def cross(at_s: int, volume_m3: float) -> None:
        found.append(meter.crossed(Crossing(at_s * SECOND_US, volume_m3, half_us)))

    cross(0, LOW_M3)
    cross(300, HIGH_M3)
    meter.pumps_changed([0], 300 * SECOND_US)
    cross(450, LOW_M3)
    meter.pumps_changed([], 450 * SECOND_US)
    cross(700, HIGH_M3)
    meter.pumps_changed([0], 700 * SECOND_US)
    cross(850, LOW_M3)
    first, drawdown, second = (each for each in found if each is not None)
    assert isinstance(first, Fill)
    assert isinstance(drawdown, Drawdown)
    assert isinstance(second, Fill)
    return first, drawdown, second


def test_the_worked_example_with_the_fill_before() -> None:
    """500 L in 300 s are 1.6667 L/s; with them 500 L in 150 s are 5.0000 L/s and 750 L."""
    fill, drawdown, _ = example()
    assert fill.inflow_m3_s == pytest.approx(0.5 / 300.0)
    assert drawdown.flow_m3_s == pytest.approx(5.0e-3)
    assert drawdown.pumped_m3 == pytest.approx(0.750)
    assert drawdown.of_inflow == "fill before"


def test_the_worked_example_with_the_mean_of_both_fills() -> None:
    """With the fill of 250 s after it, too, it is 5.1667 L/s and 775 L; and it says so."""
    _, drawdown, after = example()
    better = with_mean_of_fills(drawdown, after)
    assert better.flow_m3_s == pytest.approx(5.1667e-3, abs=5e-8)
    assert better.pumped_m3 == pytest.approx(0.775)
    assert better.of_inflow == "mean of fills before and after"


def test_ignoring_the_inflow_is_wrong_by_a_third() -> None:
    """Without inflow it would be 3.3333 L/s instead of 5."""
    assert drawdown_flow_m3_s(0.5, 150.0, 0.0) == pytest.approx(3.3333e-3, abs=5e-8)
    assert pumped_m3(0.5, 150.0, fill_inflow_m3_s(0.5, 300.0)) == pytest.approx(0.75)


def test_cycle_times_at_constant_inflow() -> None:
    """500 L, 5 L/s in, 2 L/s out: 250 s, 166.667 s, 416.667 s, 8.64 starts/h, 833.33 L."""
    cycle = cycle_at(0.5, 5e-3, 2e-3)
    assert cycle.fill_s == pytest.approx(250.0)
    assert cycle.on_s == pytest.approx(166.667, abs=5e-4)
    assert cycle.cycle_s == pytest.approx(416.667, abs=5e-4)
    assert cycle.starts_per_hour == pytest.approx(8.64)
    assert cycle.pumped_m3 == pytest.approx(0.83333, abs=5e-6)


def test_the_shortest_cycle_is_met_at_half_the_pump_flow() -> None:
    """Least cycle 4 V/Q = 400 s, at an inflow of half the pump flow (USACE EI 11C201)."""
    assert least_cycle_s(0.5, 5e-3) == pytest.approx(400.0)
    assert cycle_at(0.5, 5e-3, 2.5e-3).cycle_s == pytest.approx(400.0)


@given(st.floats(0.01, 0.99))
def test_no_inflow_makes_a_shorter_cycle(share: float) -> None:
    """Whatever the inflow, the cycle lasts at least 4 V/Q."""
    assert cycle_at(0.5, 5e-3, share * 5e-3).cycle_s >= least_cycle_s(0.5, 5e-3) * (1.0 - 1e-12)


@pytest.mark.parametrize("inflow_m3_s", [0.0, 5e-3, 6e-3])
def test_without_an_inflow_below_the_pump_flow_there_is_no_cycle(inflow_m3_s: float) -> None:
    """Nothing in: never starts; more in than out: never stops."""
    with pytest.raises(ValueError, match="inflow"):
        cycle_at(0.5, 5e-3, inflow_m3_s)


def test_brackets_become_errors() -> None:
    """Two ends known to +-1 s at 5 L/s are 5 L / sqrt 3 each, over 150 s 0.0272 L/s; and the fill's
    0.0045 L/s comes on top in quadrature (uniform distribution, JCGM 100:2008, 4.3.7).
    """
    _, drawdown, _ = example(half_us=SECOND_US)
    ends = 5e-3 * (2.0 / 3.0) ** 0.5 / 150.0
    fill = 0.5 / 300.0 * (2.0 / 3.0) ** 0.5 / 300.0
    assert drawdown.error_m3_s == pytest.approx((ends**2 + fill**2) ** 0.5)


def test_a_mixed_interval_is_neither_fill_nor_drawdown() -> None:
    """A pump that ran for half of an interval tells nothing by this method."""
    meter = PairwiseMeter()
    meter.crossed(Crossing(0, LOW_M3))
    meter.pumps_changed([0], 50 * SECOND_US)
    meter.crossed(Crossing(100 * SECOND_US, HIGH_M3))
    assert meter.flush() is None
    assert meter.inflow_m3_s is None


def test_nothing_spans_a_gap() -> None:
    """After a gap the next crossing is the first again."""
    meter = PairwiseMeter()
    meter.crossed(Crossing(0, LOW_M3))
    meter.lost()
    meter.crossed(Crossing(300 * SECOND_US, HIGH_M3))
    assert meter.flush() is None
