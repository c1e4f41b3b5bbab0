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
    Quantity("machine_hours", UNITS["h"], "run hours of the machine there now, its own included"),
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
    Quantity("pumps_ready", UNITS["1"], "pumps of a well that could be called: in auto, no fault"),
    Quantity("air_supply", UNITS["1"], "air, no air or unknown, of a group of blowers", text=True),
    Quantity("time_without_air", UNITS["h"], "none of the blowers ran; so no sludge return either"),
    Quantity("without_air_now", UNITS["min"], "length of the time without air under way, else 0"),
    Quantity("longest_without_air", UNITS["min"], "longest time without air that has ended"),
    Quantity("changeovers", UNITS["1"], "times another blower took over the duty"),
    Quantity("standby", UNITS["1"], "available, not available or unknown", text=True),
    Quantity("cleaning_state", UNITS["1"], "what a filter's cleaning does, in words", text=True),
    Quantity("cleanings", UNITS["1"], "cleaning cycles that ended"),
    Quantity("cleaning_length", UNITS["min"], "length of the last cleaning"),
    Quantity("cleaning_interval", UNITS["h"], "from the start of a cleaning to that of the next"),
    Quantity("volume_per_cleaning", UNITS["m3"], "filtered from start to start of a cleaning"),
    Quantity("volume_per_cleaning_trend", UNITS["%/d"], "robust slope, by its middle value"),
    Quantity("wash_water", UNITS["m3"], "wash water, by rate and time of the vacuum pump"),
    Quantity("wash_water_share", UNITS["%"], "wash water of 24 h by what was filtered in it"),
    Quantity("filter_rate", UNITS["m/h"], "estimated flow of the last hour by the media's area"),
    Quantity("chemical_used", UNITS["L"], "solution used, by run time or strokes"),
    Quantity("chemical_per_day", UNITS["L/d"], "mean daily use of the last week"),
    Quantity("dose", UNITS["mg/L"], "dose at the estimated flow of the last hour"),
    Quantity("dose_day", UNITS["mg/L"], "dose at the estimated flow of the last 24 h"),
    Quantity("stock", UNITS["L"], "left in the day tank, by its low contact and the use since"),
    Quantity("stock_lasts", UNITS["d"], "how long the stock lasts at recent use"),
    Quantity("contact_time", UNITS["min"], "T10, an estimate; not modal contact time"),
    Quantity("ct", UNITS["mg.min/L"], "residual times T10, an estimate"),
    Quantity("overflow_rate", UNITS["m/d"], "estimated flow of the last hour by surface"),
    Quantity("overflow_rate_day", UNITS["m/d"], "estimated flow of the last 24 h by surface"),
    Quantity("hour_meter_drift", UNITS["%"], "our run time against the panel's hour meter"),
    Quantity("start_counter_drift", UNITS["1"], "our starts less those of the panel's counter"),
    Quantity("run_hours_joined", UNITS["h"], "run time, with the panel's meter across gaps"),
    Quantity("starts_joined", UNITS["1"], "starts, with the panel's counter across gaps"),
    Quantity("volume_metered", UNITS["m3"], "what passed a flow or volume meter"),
    Quantity("flow_ratio", UNITS["1"], "a day of a meter by the estimate of its well"),
    Quantity("flow_ratio_trend", UNITS["%/d"], "robust slope of that ratio over a month"),
    Quantity("turbidity_day", UNITS["{NTU}"], "mean of the last 24 h"),
    Quantity("turbidity_above_5_day", UNITS["%"], "share of the last 24 h above 5 NTU"),
    Quantity("turbidity_greatest_day", UNITS["{NTU}"], "greatest reading of the last 24 h"),
    Quantity("residual_day", UNITS["mg/L"], "mean of the last 24 h"),
    Quantity("residual_least_day", UNITS["mg/L"], "least reading of the last 24 h"),
    Quantity("energy_used", UNITS["kW.h"], "sum of the power read"),
    Quantity("batches", UNITS["1"], "times a towed tank was docked and went"),
    Quantity("batch_volume", UNITS["m3"], "emptied at the last docking"),
    Quantity("batch_total", UNITS["m3"], "emptied at all dockings"),
    Quantity("sludge_fill", UNITS["m3"], "of a sludge store, by the logbook"),
    Quantity("sludge_fill_share", UNITS["%"], "the same, of its volume"),
    Quantity("sludge_room_lasts", UNITS["d"], "until it is full at the recent rate of wasting"),
    Quantity("link_state", UNITS["1"], "up, lost, away or not watched", text=True),
    Quantity("link_availability", UNITS["%"], "share of the time the panel answered"),
)

FLOAT_ROLES = tuple(Floats.model_fields)

EVENTS: dict[str, str] = {
    "started": "the run contact made",
    "stopped": "the run contact broke; the value is the length of the run in s",
    **{f"float_{role}_made": f"the water reached the {role} float" for role in FLOAT_ROLES},
    **{f"float_{role}_broke": f"the water fell below the {role} float" for role in FLOAT_ROLES},
    "air_lost": "the last blower of a group stopped",
    "air_returned": "a blower runs again; the value is the length without air in s",
    "docked": "a towed tank came",
    "undocked": "a towed tank went; the value is the length of its stay in s",
    "counter_changed": "a counter was set back or replaced",
    "hour_meter_changed": "the panel's hour meter was set back or replaced",
    "start_counter_changed": "the panel's start counter was set back or replaced",
    "link_lost": "the panel stopped answering",
    "link_returned": "the panel answers again; the value is the length of the gap in s",
}
