"""Water: what came, what was pumped, day by day, with bounds and the known share."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from collector.core.calendar import end_of
from collector.plant.equipment import Meter, Well
from collector.plant.model import Plant
from collector.reports.period_report.period import Period
from collector.reports.period_report.spans import Known
from collector.reports.period_report.tables import Cell, Column, Section, Table
from collector.reports.totals import TotalLine
from collector.reports.view_stages import wells_downstream


@dataclass(slots=True)
class Amount:
    """What a stretch of time saw of one quantity; None where nothing was told of it.

    A count that may hide more in gaps has no upper bound, and so has its sum none.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None

    def add(self, value: float, low: float | None, high: float | None) -> None:
        """Add a part; one without any bounds is exact."""
        exact = low is None and high is None
        first = self.value is None
        upper = value if exact else high
        self.value = (self.value or 0.0) + value
        self.low = (self.low or 0.0) + (value if low is None else low)
        if first:
            self.high = upper
        else:
            self.high = None if self.high is None or upper is None else self.high + upper


SEEN = 0.001
Sums = Mapping[tuple[str, str], Mapping[int, Amount]]
"""By equipment and quantity, by the begin of the day or month."""


def sums_of(lines: Iterable[TotalLine], period: Period) -> Sums:
    """Totals of days, put together to what the period is listed by."""
    found: dict[tuple[str, str], dict[int, Amount]] = defaultdict(lambda: defaultdict(Amount))
    starts = period.days()
    place = 0
    for line in lines:
        if line.superseded or line.quantity.endswith(("_least", "_greatest")):
            continue
        while place + 1 < len(starts) and line.begin_utc_us >= starts[place + 1]:
            place += 1
        while place and line.begin_utc_us < starts[place]:
            place -= 1
        amount = found[line.equipment, line.quantity][starts[place]]
        amount.add(line.value or 0.0, line.low, line.high)
    return found


def whole(sums: Sums, equipment: str, quantity: str) -> Amount:
    """What the whole period saw."""
    total = Amount()
    for each in sums.get((equipment, quantity), {}).values():
        if each.value is not None:
            total.add(each.value, each.low, each.high)
    return total


DAY = Column("day", "Day", means="plant day, or month, in the plant's time zone")
VOLUME = (
    DAY,
    Column("came_in_m3", "Came in, m³", 1, means="volume that came into the well, estimated"),
    Column("came_in_least_m3", "at least", 1, means="lower bound of came_in_m3"),
    Column("came_in_most_m3", "at most", 1, means="upper bound, with what was not known"),
    Column("pumped_m3", "Pumped, m³", 1, means="volume pumped out of it, estimated"),
    Column("pumped_least_m3", "at least", 1, means="lower bound of pumped_m3"),
    Column("pumped_most_m3", "at most", 1, means="upper bound, with what was not known"),
    Column("known_percent", "Known, %", 1, means="share of the day in which the panel answered"),
)


def water_section(plant: Plant, sums: Sums, known: Known, period: Period) -> Section:
    """A table for each well, and for each meter of volume."""
    tables = []
    for name in wells_downstream(plant):
        if not any((name, quantity) in sums for quantity in ("volume_in", "volume_pumped")):
            continue
        rows = [
            [period.day_text(at), *_amounts(sums, name, at, known, period),
             100.0 * known.share(name, at, end_of(period.by, at, period.zone))]
            for at in period.days()
        ]  # fmt: skip
        came, pumped = whole(sums, name, "volume_in"), whole(sums, name, "volume_pumped")
        share = 100.0 * known.share(name, period.from_utc_us, period.to_utc_us)
        total: list[Cell] = ["all", came.value, came.low, came.high,
                             pumped.value, pumped.low, pumped.high, share]  # fmt: skip
        note = ""
        overflow = whole(sums, name, "overflow_volume")
        if overflow.value:
            note = (
                f"About {overflow.value:.1f} m³ may have gone over the edge; whether that must be "
                "reported is for the licensed operator and the local authority."
            )
        title = plant.equipment[name].title
        tables.append(Table(f"volumes_{name}", title, VOLUME, rows, note, total))
    tables += _meters(plant, sums, period)
    sentences: tuple[str, ...] = (
        (
            "Volumes are estimates from floats, run times and pump curves, no custody meter. The "
            "truth lies between 'at least' and 'at most'; what was not known counts in 'at most' "
            "alone. Bounds of a sum are sums of the bounds, which is cautious."
        ),
    )
    if period.known_to_utc_us < period.to_utc_us:
        sentences += ("What has not ended is not in the sums.",)
    if not tables:
        sentences = ("No volumes are on record for this period.",)
    return Section("water", "Water", sentences, tuple(tables))


def _amounts(sums: Sums, name: str, at: int, known: Known, period: Period) -> list[Cell]:
    cells: list[Cell] = []
    for quantity in ("volume_in", "volume_pumped"):
        told = sums.get((name, quantity), {}).get(at)
        if told is None:
            # Nothing is told of a day that saw nothing; of one that nobody saw, or that has not
            # ended, nothing is known.
            ends = end_of(period.by, at, period.zone)
            seen = ends <= period.known_to_utc_us and known.share(name, at, ends) > SEEN
            cells += [0.0, 0.0, None] if seen else [None, None, None]
        else:
            cells += [told.value, told.low, told.high]
    return cells


def _meters(plant: Plant, sums: Sums, period: Period) -> Iterable[Table]:
    columns = (
        DAY,
        Column("metered_m3", "Metered, m³", 1, means="what passed the meter, by its own figure"),
    )
    for name, part in plant.equipment.items():
        told = sums.get((name, "volume_metered"))
        if isinstance(part, Meter) and told:
            rows = [[period.day_text(at), told[at].value if at in told else None]
                    for at in period.days()]  # fmt: skip
            yield Table(f"metered_{name}", part.title, columns, rows, "",
                        ["all", whole(sums, name, "volume_metered").value])  # fmt: skip


def receiving_wells(plant: Plant) -> list[str]:
    """Wells that empty into no other: what comes into them is all that came, counted once."""
    return [
        name
        for name, part in plant.equipment.items()
        if isinstance(part, Well) and part.empties_into not in plant.equipment
    ]
