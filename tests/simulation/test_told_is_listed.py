"""What a day of the simulated park brings is all in the tables that outlets and readers go by."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from collector.core.pipeline import Pipeline
from collector.core.quantities import EVENTS, QUANTITIES
from collector.core.records import Record, RecordKind
from collector.links.planning import plan_panel
from collector.plant_file import read_plant_file
from collector.virtual import run_virtually
from simulator.plant import OsierBend

PLANT = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
START_US = 1_790_000_000_000_000
DAY_US = 86_400_000_000


def test_every_quantity_and_event_of_a_day_is_listed_and_dated_in_order() -> None:
    """A subject that no table lists would have no unit; records lie in the order of their times."""
    plant = read_plant_file(PLANT).plant
    plans = {name: plan_panel(panel) for name, panel in plant.panels.items()}
    records: list[Record] = []
    run_virtually(
        Pipeline(plant, plans, START_US),
        plans,
        OsierBend(1, START_US),
        START_US,
        START_US + DAY_US,
        records.extend,
    )
    told = {
        kind: {record.subject.partition(".")[2] for record in records if record.kind is kind}
        for kind in (RecordKind.DERIVED, RecordKind.EVENT)
    }
    assert {"state", "run_hours", "starts", "level_band", "link_state"} <= told[RecordKind.DERIVED]
    assert {"started", "stopped", "float_start_1_made"} <= told[RecordKind.EVENT]
    assert told[RecordKind.DERIVED] <= set(QUANTITIES)
    assert told[RecordKind.EVENT] <= set(EVENTS)
    assert all(earlier.at_us <= later.at_us for earlier, later in pairwise(records))
