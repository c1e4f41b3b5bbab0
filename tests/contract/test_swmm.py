"""The estimator against the SWMM engine: storage, pumps and varying inflow by another's hydraulics.

Source of truth: EPA's Storm Water Management Model 5.2, dynamic wave routing, run by pyswmm. A
storage unit is emptied by two pumps, each to its own outfall, which a program switches by depth as
panels do; the engine computes depth, inflow and pump flows. Its depth, seen at each routing step,
becomes float contacts; the estimator sees those and the run contacts, and neither inflow nor flows.
Demanded: daily inflow within 2 %, each pump's flow within 3 %, after two days to settle.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from collector.core.records import Input
from collector.core.wells.look import Look
from collector.core.wells.well_flow import WellFlow
from tests.unit.core.wells.paper_wells import (
    DAY_US,
    FLOATS,
    SECOND_US,
    START_US,
    Watched,
    a_well,
    tell,
)

AREA_M2 = 2.0
STEP_S = 3
DAYS = 11
SETTLING_DAYS = 2
INFLOW_WITHIN, FLOW_WITHIN = 0.02, 0.03
OUTFALL_M = 6.0
CURVES_L_S_M = {
    "pump_1": ((0.0, 9.0), (4.0, 7.4), (8.0, 4.2)),
    "pump_2": ((0.0, 8.0), (3.0, 6.9), (6.5, 4.0)),
}
"""Flow and head; SWMM takes them as straight segments of flow over head (its pump type 3)."""


@dataclass(frozen=True)
class Scenario:
    """What flows in, and what the pumps are.

    Args:
        inflow_l_s: as a function of hours.
        curve_share: flow of the curves in the plant file over that of SWMM's; None for a plant
            file that knows no curves.
    """

    inflow_l_s: Callable[[float], float]
    curve_share: float | None = None


@dataclass
class Outcome:
    """What the engine says happened, and what its depth showed."""

    changes: list[Input]
    days_in_m3: list[float] = field(default_factory=list)
    pumped_m3: list[float] = field(default_factory=list)
    ran_s: list[float] = field(default_factory=list)
    together_s: float = 0.0


def dry(hour: float) -> float:
    """Two peaks a day and a low night."""
    day = hour % 24.0
    peaks = math.exp(-(((day - 8.0) / 2.0) ** 2)) + 0.8 * math.exp(-(((day - 19.0) / 2.5) ** 2))
    return 0.25 + 1.6 * peaks


def wet(hour: float) -> float:
    """The same with two storms that rise within the hour and recede over a day."""
    storms = sum(
        height * (1.0 - math.exp(-since / 1.0)) * math.exp(-since / 14.0)
        for since, height in ((hour - 60.0, 3.0), (hour - 170.0, 8.5))
        if since > 0.0
    )
    return dry(hour) + storms


def peaky(hour: float) -> float:
    """A peak each evening, above what the lead pump gives, so that the lag pump helps."""
    return dry(hour) + 6.5 * math.exp(-((((hour % 24.0) - 19.0) / 0.9) ** 2))


SCENARIOS = {
    "dry weather, no curves": Scenario(dry),
    "dry weather, curves 8 % off": Scenario(dry, curve_share=1.08),
    "wet weather, curves 6 % off": Scenario(wet, curve_share=0.94),
    "lag pump at peaks, no curves": Scenario(peaky),
}


def input_file(scenario: Scenario) -> str:
    """The engine's input, in the format of the SWMM 5.2 User's Manual, appendix D."""
    flows = "\n".join(
        f"inflow {step * 0.25:.2f} {scenario.inflow_l_s(step * 0.25):.5f}"
        for step in range(DAYS * 96 + 5)
    )
    curves = "\n".join(
        f"{name}_curve {'Pump3' if k == 0 else ''} {head} {flow}"
        for name, points in CURVES_L_S_M.items()
        for k, (flow, head) in enumerate(reversed(points))
    )
    return f"""[OPTIONS]
FLOW_UNITS LPS
FLOW_ROUTING DYNWAVE
START_DATE 01/01/2026
START_TIME 00:00:00
END_DATE 01/{DAYS + 1:02d}/2026
END_TIME 00:00:00
ROUTING_STEP {STEP_S}
VARIABLE_STEP 0
REPORT_STEP 06:00:00
IGNORE_RAINFALL YES
[STORAGE]
sump 0 3 0.7 FUNCTIONAL 0 0 {AREA_M2}
[OUTFALLS]
outfall_1 {OUTFALL_M} FREE NO
outfall_2 {OUTFALL_M} FREE NO
[PUMPS]
pump_1 sump outfall_1 pump_1_curve OFF 0 0
pump_2 sump outfall_2 pump_2_curve OFF 0 0
[CURVES]
{curves}
[INFLOWS]
sump FLOW inflow FLOW 1 1
[TIMESERIES]
{flows}
"""


def run_engine(scenario: Scenario, folder: Path) -> Outcome:
    """Run the engine, switch its pumps as a panel would, and read the panel at each step."""
    from pyswmm import Links, Nodes, Simulation  # type: ignore[import-untyped]

    path = folder / "sump.inp"
    path.write_text(input_file(scenario))
    watched = Watched(FLOATS)
    outcome = Outcome(watched.changes, [0.0] * DAYS, [0.0, 0.0], [0.0, 0.0])
    running = {"pump_1": False, "pump_2": False}
    lead = 0
    with Simulation(str(path), str(folder / "sump.rpt"), str(folder / "sump.out")) as simulation:
        sump: Any = Nodes(simulation)["sump"]
        pumps: list[Any] = [Links(simulation)[name] for name in running]
        for step, _ in enumerate(simulation):
            day = min(step * STEP_S // 86_400, DAYS - 1)
            outcome.days_in_m3[day] += sump.total_inflow * 1e-3 * STEP_S
            for k, pump in enumerate(pumps):
                outcome.pumped_m3[k] += pump.flow * 1e-3 * STEP_S
                outcome.ran_s[k] += STEP_S if pump.flow > 0.0 else 0.0
            outcome.together_s += STEP_S if all(pump.flow > 0.0 for pump in pumps) else 0.0
            watched.sample(START_US + (step + 1) * STEP_S * SECOND_US, sump.depth, running)
            lead = switch(watched, running, lead)
            for pump, runs in zip(pumps, running.values(), strict=True):
                pump.target_setting = 1.0 if runs else 0.0
    return outcome


def switch(watched: Watched, running: dict[str, bool], lead: int) -> int:
    """The panel's program: start-1 calls the lead, start-2 both, until low opens; then swap."""
    if not watched.made("low"):
        ended = any(running.values())
        running.update(dict.fromkeys(running, False))
        return 1 - lead if ended else lead
    if watched.made("start_2"):
        running.update(dict.fromkeys(running, True))
    elif watched.made("start_1"):
        running[f"pump_{lead + 1}"] = True
    return lead


def well_of(scenario: Scenario) -> WellFlow:
    """What the plant file says of the sump."""
    share = scenario.curve_share
    if share is None:
        return a_well(area_m2=AREA_M2)
    curves = {
        name: [(0.0, points[0][1]), *((share * flow, head) for flow, head in points[1:])]
        for name, points in CURVES_L_S_M.items()
    }
    # A main so wide and short that it costs nothing: SWMM's pumps lift straight to the outfall.
    main = {"discharge_height_m": OUTFALL_M, "length_m": 1.0, "inner_diameter_mm": 500.0,
            "hazen_williams_c": 150.0}  # fmt: skip
    return a_well(area_m2=AREA_M2, curves=curves, main=main)


def watch(well: WellFlow, changes: Sequence[Input]) -> list[Look]:
    """What the estimator says at the end of each day."""
    looks: list[Look] = []
    for news in changes:
        while news.by_us > START_US + (len(looks) + 1) * DAY_US:
            looks.append(well.look(START_US + (len(looks) + 1) * DAY_US))
        tell(well, news)
    while len(looks) < DAYS:
        looks.append(well.look(START_US + (len(looks) + 1) * DAY_US))
    return looks


@pytest.mark.parametrize("name", SCENARIOS)
def test_inflow_and_pump_flows_agree_with_the_swmm_engine(name: str, tmp_path: Path) -> None:
    """Daily inflow within 2 % and mean flow of each pump within 3 % of the engine's own, from float
    and run contacts alone.
    """
    scenario = SCENARIOS[name]
    outcome = run_engine(scenario, tmp_path)
    looks = watch(well_of(scenario), outcome.changes)
    totals = [look.inflow_total_m3.value for look in looks]
    for day in range(SETTLING_DAYS, DAYS):
        estimated = totals[day] - totals[day - 1]
        assert estimated == pytest.approx(outcome.days_in_m3[day], rel=INFLOW_WITHIN), f"day {day}"
    for k, ran_s in enumerate(outcome.ran_s):
        true = outcome.pumped_m3[k] / ran_s
        assert looks[-1].pumped_m3[k].value / ran_s == pytest.approx(true, rel=FLOW_WITHIN)
        if outcome.together_s == 0.0:
            assert looks[-1].flows_m3_s[k].value == pytest.approx(true, rel=FLOW_WITHIN)
    assert outcome.together_s > 900.0 or name.startswith("dry")
