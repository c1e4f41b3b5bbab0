"""Which figures of each kind of equipment a page shows, and what they are called there."""

from __future__ import annotations

SHOWN: dict[str, tuple[tuple[str, str], ...]] = {
    "well": (
        ("level", "level"),
        ("inflow", "inflow"),
        ("time_to_overflow", "to overflow, if all pumps stopped now"),
        ("storage_reserve", "room to the edge"),
        ("pumps_ready", "pumps ready"),
    ),
    "pump": (
        ("flow", "gives"),
        ("wear_factor", "share of its curve"),
        ("starts_per_hour", "starts in the last hour"),
    ),
    "blower": (("starts_per_hour", "starts in the last hour"),),
    "group": (
        ("air_supply", "air"),
        ("without_air_now", "without air now"),
        ("longest_without_air", "longest time without air"),
        ("standby", "standby"),
    ),
    "filter": (
        ("cleaning_interval", "last time between cleanings"),
        ("cleaning_length", "last cleaning took"),
        ("volume_per_cleaning", "filtered between cleanings"),
        ("volume_per_cleaning_trend", "its trend"),
        ("filter_rate", "rate of the last hour"),
    ),
    "dosing_pump": (
        ("stock", "left in the day tank"),
        ("stock_lasts", "lasts"),
        ("chemical_per_day", "used a day"),
        ("dose_day", "dose of the last 24 h"),
    ),
    "contact_tank": (("contact_time", "contact time T10"), ("ct", "CT")),
    "clarifier": (
        ("overflow_rate", "overflow rate of the last hour"),
        ("overflow_rate_day", "of the last 24 h"),
    ),
    "sludge_store": (
        ("sludge_fill", "sludge in it"),
        ("sludge_fill_share", "share of its volume"),
        ("sludge_room_lasts", "full in"),
    ),
    "meter": (
        ("turbidity_day", "mean of the last 24 h"),
        ("residual_day", "mean of the last 24 h"),
        ("residual_least_day", "least of the last 24 h"),
        ("volume_metered", "metered on record"),
        ("flow_ratio", "a day of it by the estimate"),
    ),
}
"""By kind: which derived quantities are shown, in order, and what they are called there."""
