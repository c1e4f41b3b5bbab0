"""The quantities and events the engine derives: one table, used by journal, outlets and tables.

A derived record's subject is ``equipment.quantity``. Inside, values are in ``unit``'s SI unit; what
people and other programs read is in ``unit`` itself.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.plant.equipment import Floats
from collector.units import UNITS, Unit


@dataclass(frozen=True, slots=True)
class Quantity:
    """One derived quantity.

    Args:
        name: last part of the subject.
        unit: unit shown and published; the SI unit of its kind is used inside.
        text: True where the value is a state word, not a figure.
        means: one line for the documentation.
    """

    name: str
    unit: Unit
    means: str
    text: bool = False


def _table(*rows: Quantity) -> dict[str, Quantity]:
    return {row.name: row for row in rows}


QUANTITIES: dict[str, Quantity] = _table(
    Quantity("state", UNITS["1"], "running, stopped or unknown", text=True),
    Quantity("run_hours", UNITS["h"], "run time known; bounds add brackets and unknown time"),
    Quantity("run_hours_unknown", UNITS["h"], "time during which nobody knows whether it ran"),
    Quantity("starts", UNITS["1"], "starts seen; uncertain where some may hide in a gap"),
    Quantity("current_run", UNITS["min"], "length of the run under way, 0 when stopped"),
    Quantity("starts_per_hour", UNITS["/h"], "starts seen in the last 60 minutes"),
    Quantity("level_band", UNITS["m"], "between which float heights the water stands", text=True),
    Quantity("inflow", UNITS["m3/h"], "inflow into a well, estimated; bounds two standard errors"),
    Quantity("level", UNITS["m"], "level in a well, estimated between the floats"),
    Quantity("flow", UNITS["m3/h"], "what a pump gives, or gave when it last ran, estimated"),
    Quantity("wear_factor", UNITS["1"], "share of its curve's flow a pump gives at equal head"),
    Quantity("volume_pumped", UNITS["m3"], "volume pumped, estimated; bounds add unknown time"),
    Quantity("volume_in", UNITS["m3"], "volume that came into a well, estimated"),
    Quantity("overflow_volume", UNITS["m3"], "what may have gone over the edge"),
    Quantity("time_to_high", UNITS["min"], "until the high float if all pumps stopped now"),
    Quantity("time_to_overflow", UNITS["min"], "until overflow if all pumps stopped now"),
    Quantity("storage_reserve", UNITS["m3"], "room from the present level to the edge"),
    Quantity("link_state", UNITS["1"], "up, lost, away or not watched", text=True),
    Quantity("link_availability", UNITS["%"], "share of the time the panel answered"),
)

FLOAT_ROLES = tuple(Floats.model_fields)

EVENTS: dict[str, str] = {
    "started": "the run contact made",
    "stopped": "the run contact broke; the value is the length of the run in s",
    **{f"float_{role}_made": f"the water reached the {role} float" for role in FLOAT_ROLES},
    **{f"float_{role}_broke": f"the water fell below the {role} float" for role in FLOAT_ROLES},
    "link_lost": "the panel stopped answering",
    "link_returned": "the panel answers again; the value is the length of the gap in s",
}
