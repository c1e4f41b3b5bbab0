"""Both methods against the simulated plant's truth over 30 days, on a seed not used in tuning."""

from __future__ import annotations

import pytest

from tests.bench.well_errors import flow_errors, inflow_errors, root_mean_square
from tests.simulation.watched_wells import STATIONS, Watched, true_flow_m3_s, watch

SEED = 23
"""The estimator's constants were chosen on seeds 1 to 4."""

DAYS = 30
SETTLING_DAYS = 2
WITHIN = 0.03


@pytest.fixture(scope="module")
def month() -> Watched:
    """30 days in July, healthy pumps, a plant file that is right."""
    return watch(SEED, DAYS)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("well", STATIONS)
def test_daily_volumes_are_right_within_three_per_cent(month: Watched, well: str) -> None:
    """From the third day on, each day's pumped volume is within 3 % of the truth; so is the inflow,
    but for what is not known of the level at either midnight, which the estimate states.
    """
    for day in range(SETTLING_DAYS, DAYS):
        before, after = month.looks[well][day - 1 : day + 1]
        pumped = after.pumped_total_m3.value - before.pumped_total_m3.value
        assert pumped == pytest.approx(month.days_out_m3[well][day], rel=WITHIN), f"day {day}"
        came = after.inflow_total_m3.value - before.inflow_total_m3.value
        true = month.days_in_m3[well][day]
        edges = 2.0 * (before.volume_m3.error + after.volume_m3.error)
        assert abs(came - true) <= WITHIN * true + edges, f"day {day}"
    total = month.looks[well][-1].inflow_total_m3.value
    assert total == pytest.approx(sum(month.days_in_m3[well]), rel=0.01)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("well", STATIONS)
def test_the_estimator_beats_the_pairwise_method(month: Watched, well: str) -> None:
    """Its root mean square errors of pump flow and of daily inflow are the smaller ones."""
    by_pairs, estimated, _ = flow_errors(month, well)
    assert root_mean_square(estimated) < 0.5 * root_mean_square(by_pairs)
    by_pairs, estimated = inflow_errors(month, well)
    assert root_mean_square(estimated) < root_mean_square(by_pairs)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("well", STATIONS)
def test_two_standard_errors_hold_the_truth(month: Watched, well: str) -> None:
    """Each pump's true flow lies within two stated standard errors at no fewer than 80 % of its
    stops; the stated error is no more than 3 % of the flow, so that this is no empty claim; and the
    periods' bounds hold the true volumes of all days.
    """
    _, _, held = flow_errors(month, well)
    assert held >= 0.8
    look = month.looks[well][-1]
    for k, pump in enumerate(month.wells[well].pump_names):
        figure = look.flows_m3_s[k]
        assert figure.error < 0.03 * true_flow_m3_s(month.wells, well, pump)
    reading = month.wells[well].readings(look.at_us)[f"{well}.volume_pumped"]
    assert reading.low <= sum(month.days_out_m3[well]) <= reading.high


@pytest.mark.timeout(300)
def test_a_worn_pump_is_seen_within_two_days() -> None:
    """Collection pump 2 loses 15 % of its flow after three days: 48 h later its wear factor has
    fallen by at least 10 %, and that of pump 1 has moved by less than 3 %.
    """
    found = watch(SEED, 6, "at 3d for ever pump_worn collection_pump_2 to=0.85")
    before, after = found.looks["collection"][2].factors, found.looks["collection"][4].factors
    assert after[1].value < 0.90 * before[1].value
    assert after[0].value == pytest.approx(before[0].value, rel=0.03)
