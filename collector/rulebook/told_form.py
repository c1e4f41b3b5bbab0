"""How what the engine tells of a kind of equipment is listed (``told.py``)."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rulebook import needs as need
from collector.rulebook.needs import Needed


@dataclass(frozen=True, slots=True)
class Told:
    """Something that is told of a kind of equipment.

    Args:
        name: last part of its subject.
        finding: True for a finding, which stands or does not; False for a quantity.
        needs: what has to be in the plant file for it, in words; empty where nothing has.
        there: whether that is so for one piece of equipment.
        means: of a finding, one line for people; a quantity's stands in ``core/quantities.py``.
    """

    name: str
    finding: bool
    needs: str
    there: Needed
    means: str = ""


def quantities(needs: str, there: Needed, *names: str) -> list[Told]:
    """Quantities that need the same; see ``Told``."""
    return [Told(name, False, needs, there) for name in names]


def finding(name: str, means: str, needs: str = "", there: Needed = need.nothing) -> Told:
    """A finding; see ``Told``."""
    return Told(name, True, needs, there, means)


FAULT = finding(
    "in_fault", "its fault or overload contact is made", "a fault contact", need.keys("fault")
)
MACHINE = [
    *quantities(
        "",
        need.nothing,
        "state",
        "run_hours",
        "run_hours_unknown",
        "machine_hours",
        "starts",
        "current_run",
        "starts_per_hour",
    ),
    *quantities("an hour meter", need.keys("hour_meter"), "hour_meter_drift", "run_hours_joined"),
    *quantities(
        "a start counter", need.keys("start_counter"), "start_counter_drift", "starts_joined"
    ),
    FAULT,
    finding("not_in_auto", "its selector is not in auto", "an auto contact", need.keys("auto")),
]
