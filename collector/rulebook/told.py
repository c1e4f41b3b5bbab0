"""What the engine tells of each kind of equipment: its quantities and findings, in one table.

The engine's components do not say beforehand what they will tell; so it is listed here, with what
each needs of the plant file. The tests watch simulated plants, healthy and with faults, and hold
what was told against this table.
"""

from __future__ import annotations

from collector.core.availability import GONE, LOST, UNWATCHED, UP
from collector.core.process.air import AIR, AVAILABLE, NO_AIR, NOT_AVAILABLE
from collector.core.process.cleaning_state import CLEANING, ENDLESS, FILTERING, MISSING
from collector.core.runs import RUNNING, STOPPED
from collector.rulebook import needs as need
from collector.rulebook.told_form import FAULT, MACHINE, Told, finding, quantities
from collector.rulebook.told_of_wells import PUMP, WELL

WORDS: dict[str, tuple[str, ...]] = {
    "state": (RUNNING, STOPPED),
    "air_supply": (AIR, NO_AIR),
    "standby": (AVAILABLE, NOT_AVAILABLE),
    "cleaning_state": (FILTERING, CLEANING, ENDLESS, MISSING),
    "link_state": (UP, LOST, GONE, UNWATCHED),
}
"""Words that state quantities may have; the word for "unknown" comes as no value at all."""

_BY_THE_CLOCK = [
    finding(
        "stands_still",
        "it has stood for longer than it ever does",
        "a place in no group",
        need.alone,
    ),
    finding(
        "runs_on", "it has run for longer than it ever does", "a place in no group", need.alone
    ),
]

TOLD: dict[str, list[Told]] = {
    "well": WELL,
    "pump": PUMP,
    "blower": [*MACHINE, *_BY_THE_CLOCK],
    "mixer": [*MACHINE, *_BY_THE_CLOCK],
    "group": [
        *quantities(
            "blowers",
            need.members("blower"),
            "air_supply",
            "time_without_air",
            "without_air_now",
            "longest_without_air",
            "changeovers",
            "standby",
        ),
        finding(
            "stands_still",
            "none of them has run for longer than they ever pause",
            "blowers or mixers",
            need.members("blower", "mixer"),
        ),
        finding(
            "more_run_than_needed",
            "more of them run than are needed",
            "blowers or mixers",
            need.members("blower", "mixer"),
        ),
    ],
    "screen": [],
    "filter": [
        *quantities(
            "",
            need.nothing,
            "state",
            "run_hours",
            "run_hours_unknown",
            "starts",
            "current_run",
            "starts_per_hour",
            "cleaning_state",
            "cleanings",
            "cleaning_length",
            "cleaning_interval",
        ),
        *quantities(
            "a source of its flow",
            need.keys("flow_from"),
            "volume_per_cleaning",
            "volume_per_cleaning_trend",
        ),
        *quantities("a rate of its vacuum pump", need.keys("vacuum_l_per_min"), "wash_water"),
        *quantities(
            "a rate of its vacuum pump and a source of its flow",
            need.keys("vacuum_l_per_min", "flow_from"),
            "wash_water_share",
        ),
        *quantities(
            "an area and a source of its flow", need.keys("area_m2", "flow_from"), "filter_rate"
        ),
        FAULT,
        finding(
            "cleaning_does_not_end",
            "a cleaning takes longer than it may",
            "a longest cleaning",
            need.keys("longest_cleaning_min"),
        ),
        finding(
            "cleaning_does_not_begin",
            "its level calls for a cleaning and none begins",
            "a level contact",
            need.keys("level"),
        ),
        finding(
            "cleaning_does_not_come",
            "water flows and no cleaning comes",
            "a longest interval",
            need.keys("longest_interval_h"),
        ),
    ],
    "dosing_pump": [
        *quantities(
            "a run contact",
            need.keys("run"),
            "state",
            "run_hours",
            "run_hours_unknown",
            "starts",
            "current_run",
            "starts_per_hour",
        ),
        *quantities("a rate", need.rate, "chemical_used", "chemical_per_day"),
        *quantities(
            "a rate, a strength and a source of its flow",
            need.all_of(need.rate, need.keys("strength_g_per_l", "flow_from")),
            "dose",
            "dose_day",
        ),
        *quantities(
            "a rate and a day tank",
            need.all_of(need.rate, need.keys("day_tank_l")),
            "stock",
            "stock_lasts",
        ),
        FAULT,
        finding("tank_low", "its day tank is low", "a contact for it", need.keys("tank_low")),
        finding(
            "does_not_dose",
            "water is pumped and it stands",
            "a run contact and the well its water comes from",
            need.all_of(need.keys("run"), need.fed_by_pumps),
        ),
        finding(
            "doses_without_flow",
            "it runs and no water flows",
            "a run contact and the well its water comes from",
            need.all_of(need.keys("run"), need.fed_by_pumps),
        ),
    ],
    "contact_tank": [
        *quantities("a source of its flow", need.keys("flow_from"), "contact_time"),
        *quantities(
            "a source of its flow and a residual", need.keys("flow_from", "residual"), "ct"
        ),
    ],
    "clarifier": quantities(
        "a source of its flow", need.keys("flow_from"), "overflow_rate", "overflow_rate_day"
    ),
    "sludge_store": quantities(
        "", need.nothing, "sludge_fill", "sludge_fill_share", "sludge_room_lasts"
    ),
    "meter": [
        *quantities(
            "a flow or volume to measure", need.measuring("flow", "volume"), "volume_metered"
        ),
        *quantities(
            "a well to be compared with", need.keys("flow_of"), "flow_ratio", "flow_ratio_trend"
        ),
        *quantities(
            "turbidity to measure",
            need.measuring("turbidity"),
            "turbidity_day",
            "turbidity_above_5_day",
            "turbidity_greatest_day",
        ),
        *quantities(
            "a residual to measure",
            need.measuring("residual"),
            "residual_day",
            "residual_least_day",
        ),
        *quantities("power to measure", need.measuring("power"), "energy_used"),
    ],
    "mains": [finding("no_voltage", "there is no voltage")],
    "panel": [
        *quantities("", need.nothing, "link_state", "link_availability"),
        finding("not_answering", "it has not answered for long"),
        finding(
            "panel_frozen",
            "it answers, and nothing in it moves",
            "a time after which it counts as frozen",
            need.keys("frozen"),
        ),
    ],
}
