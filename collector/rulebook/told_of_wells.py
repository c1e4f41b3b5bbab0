"""What the engine tells of wells and their pumps; see ``told.py``."""

from __future__ import annotations

from collections.abc import Iterator

from collector.core.quantities import FLOAT_ROLES
from collector.rulebook import needs as need
from collector.rulebook.told_form import MACHINE, Told, finding, quantities

_CALLED = need.switch("start_1")
_MOVED_PUMPS = need.all_of(need.flows, need.two_pumps)


def _of_floats() -> Iterator[Told]:
    for role in FLOAT_ROLES:
        there, spoken = need.switch(role), role.replace("_", "-")
        needs = f"a {spoken} float"
        yield finding(
            f"float_{role}_out_of_order", f"its {spoken} float contradicts another", needs, there
        )
        yield finding(f"float_{role}_chattering", f"its {spoken} float chatters", needs, there)
        yield finding(
            f"float_{role}_against_level",
            f"its {spoken} float contradicts the measured level",
            f"{needs} and a level meter",
            need.all_of(there, need.keys("level")),
        )


WELL: list[Told] = [
    *quantities("floats", need.floats, "level_band"),
    *quantities(
        "a known volume and a pump", need.flows, "inflow", "level", "volume_pumped", "volume_in"
    ),
    *quantities(
        "a known volume, a pump and an overflow height",
        need.all_of(need.flows, need.keys("overflow_m")),
        "overflow_volume",
        "time_to_overflow",
        "storage_reserve",
    ),
    *quantities(
        "a known volume, a pump and a high float",
        need.all_of(need.flows, need.switch("high")),
        "time_to_high",
    ),
    *quantities("pumps with a fault or auto contact", need.judged_pumps, "pumps_ready"),
    *quantities(
        "a panel or a contact that says when it is docked",
        need.comes,
        "batches",
        "batch_volume",
        "batch_total",
    ),
    finding(
        "high_water",
        "water stands at the high float",
        "a high float on a panel that stays",
        need.all_of(need.switch("high"), need.stays),
    ),
    finding(
        "not_emptied",
        "the pumps have run for long and the stop float stays made",
        "a stop float",
        need.stop_float,
    ),
    finding(
        "level_against_floats",
        "the measured level contradicts several floats",
        "floats and a level meter",
        need.all_of(need.floats, need.keys("level")),
    ),
    finding(
        "no_alternation",
        "one pump leads cycle after cycle",
        "alternating pumps",
        need.all_of(_CALLED, need.two_pumps, need.alternating),
    ),
    finding(
        "check_valve_leaks",
        "much comes in right after each stop",
        "low and start-1 floats, a known volume and a pump on a panel that stays",
        need.all_of(need.flows, need.stays, need.switch("low"), _CALLED),
    ),
    finding(
        "flows_fell_together",
        "all pumps give less than before",
        "a known volume and two pumps",
        _MOVED_PUMPS,
    ),
    finding(
        "flows_rose_together",
        "all pumps seem to give more than before",
        "a known volume and two pumps",
        _MOVED_PUMPS,
    ),
    finding(
        "wet_weather_inflow",
        "more comes in at all hours than the weeks before",
        "a known volume and a pump on a panel that stays",
        need.all_of(need.flows, need.stays),
    ),
    *_of_floats(),
]

PUMP: list[Told] = [
    *MACHINE,
    *quantities("a well of known volume", need.of_its_well(need.flows), "flow", "volume_pumped"),
    *quantities(
        "a curve and a rising main",
        need.all_of(need.of_its_well(need.flows), need.curve),
        "wear_factor",
    ),
    finding(
        "failed_to_start",
        "it was called and does not run",
        "a start-1 float",
        need.of_its_well(_CALLED),
    ),
    finding(
        "failed_to_stop",
        "it runs although the stop float has opened",
        "a start-1 float",
        need.of_its_well(_CALLED),
    ),
    finding(
        "runs_uncalled",
        "it runs although no float calls it",
        "a start-1 float",
        need.of_its_well(_CALLED),
    ),
    finding(
        "lag_called_often",
        "the other pump is called in most of its cycles",
        "a second pump",
        need.of_its_well(need.all_of(_CALLED, need.two_pumps)),
    ),
    finding(
        "short_cycling",
        "it starts more often than its limit allows",
        "a limit of starts per hour",
        need.all_of(need.keys("starts_per_hour_limit"), need.of_its_well(_CALLED)),
    ),
    finding(
        "low_flow",
        "it gives less than before or than its curve",
        "a well of known volume",
        need.of_its_well(need.flows),
    ),
]
