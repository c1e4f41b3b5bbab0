"""Machines, air, filter, chemicals and readings: what they did in the period."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from collector.core.catalogue import Catalogue
from collector.core.quantities import QUANTITIES
from collector.core.records import RecordKind
from collector.journal.reader import JournalReader
from collector.plant.equipment import DosingPump, Filter, Group, Machine, Pump
from collector.plant.model import Plant
from collector.reports.cycles import CLEANING, read_cycles
from collector.reports.eras import ALL
from collector.reports.findings import FindingLine
from collector.reports.machines import FAILURES
from collector.reports.period_report.period import Period
from collector.reports.period_report.spans import NEARLY_ALL, Known, joined_s, stretches
from collector.reports.period_report.tables import NONE, Cell, Column, Section, Table
from collector.reports.period_report.water import Sums, whole

RUNS = (
    Column("machine", "Machine", means="its name in the plant file"),
    Column("title", "", wide=True, means="what people call it"),
    Column("run_hours", "Run, h", 2, means="run time known, of days that ended"),
    Column("run_hours_least", "at least", 2, means="lower bound of run_hours"),
    Column("run_hours_most", "at most", 2, means="upper bound, unknown time included"),
    Column("unknown_hours", "Unknown, h", 2, means="of that time, what nobody saw"),
    Column("starts", "Starts", 0, means="starts seen; more may hide in unknown time"),
    Column("pumped_m3", "Pumped, m³", 1, means="volume it pumped, estimated"),
    Column("mean_run_min", "Mean run, min", 1, means="run time known by starts"),
)


OUTAGES = (
    RUNS[0], RUNS[1],
    Column("times", "Times", 0, means="how often it was found out of order"),
    Column("out_of_order_s", "How long", 0, means="in all, within the period", length=True),
    Column("at_end", "At the end", means="whether it still was at the end"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outage:
    """How often and how long a machine was found out of order in a period.

    Args:
        name, title: of the machine.
        times: how often.
        length_s: how long in all, times that overlap counted once; up to the last sign where it
            stands.
        stands: whether it still was at the end.
    """

    name: str
    title: str
    times: int
    length_s: float
    stands: bool


def outages_of(plant: Plant, findings: Iterable[FindingLine], period: Period) -> list[Outage]:
    """The machines that were in fault or did not start, in the order of the plant file."""
    spans: dict[str, list[tuple[int, int]]] = {}
    standing: set[str] = set()
    for line in findings:
        if line.finding in FAILURES and line.equipment in plant.equipment:
            ended = line.ended_utc_us
            end = period.known_to_utc_us if ended is None else min(ended, period.known_to_utc_us)
            begin = max(line.since_utc_us, period.from_utc_us)
            spans.setdefault(line.equipment, []).append((begin, end))
            if not period.ended(ended):
                standing.add(line.equipment)
    return [
        Outage(name, part.title, stretches(spans[name]), joined_s(spans[name]), name in standing)
        for name, part in plant.equipment.items()
        if name in spans
    ]


def machines_section(
    plant: Plant, sums: Sums, known: Known, findings: Iterable[FindingLine], period: Period
) -> Section:
    """Run hours and starts of every machine, what was out of order, and air by group."""
    rows: list[Sequence[Cell]] = []
    begin, end = known.counted()
    for name, part in plant.equipment.items():
        if not (isinstance(part, Machine | Filter) or (isinstance(part, DosingPump) and part.run)):
            continue
        run, starts = whole(sums, name, "run_hours"), whole(sums, name, "starts")
        pumped: Cell = NONE
        if isinstance(part, Pump):
            pumped = whole(sums, name, "volume_pumped").value
        hours, times = run.value or 0.0, starts.value or 0.0
        unknown_s = known.unknown_s(name, begin, end)
        unseen = unknown_s >= (end - begin) / 1e6 * NEARLY_ALL
        most = hours + unknown_s / 3600 if run.high is None else max(run.high, hours)
        rows.append(
            [name, part.title, None if unseen else hours, run.low or 0.0,
             most if end > begin else None, unknown_s / 3600,
             None if unseen else times, pumped, 60 * hours / times if times else NONE]
        )  # fmt: skip
    note = "'At most' counts all unknown time as run time, as service does."
    if (begin, end) != (period.from_utc_us, period.to_utc_us):
        note += (
            f" These figures are of {period.text(begin)} to {period.text(end)}, the part that was "
            "watched, in whole days."
        )
    tables = [Table("run_hours", "Run hours and starts", RUNS, rows, note)] if rows else []
    outages = outages_of(plant, findings, period)
    if outages:
        lost = [[one.name, one.title, one.times, one.length_s, "yes" if one.stands else "no"]
                for one in outages]  # fmt: skip
        note = "From when its fault was seen, or it did not start, until it was seen well again."
        tables.append(Table("out_of_order", "Out of order", OUTAGES, lost, note))
    air = _air(plant, sums)
    if air is not None:
        tables.append(air)
    return Section("machines", "Machines and air", (), tuple(tables))


def _air(plant: Plant, sums: Sums) -> Table | None:
    columns = (
        Column("group", "Group"),
        Column("without_air_h", "Without air, h", 2, means="none of its blowers ran"),
        Column("without_air_least_h", "at least", 2),
        Column("without_air_most_h", "at most", 2),
        Column("changeovers", "Changeovers", 0, means="times another machine took over"),
    )
    rows: list[Sequence[Cell]] = []
    for name, part in plant.equipment.items():
        if isinstance(part, Group) and (name, "time_without_air") in sums:
            off = whole(sums, name, "time_without_air")
            changed = whole(sums, name, "changeovers").value
            rows.append([part.title, off.value, off.low, off.high, changed])
    note = "Blowers are timed; time without air within their rhythm is meant."
    return Table("air", "Air", columns, rows, note) if rows else None


def process_section(reader: JournalReader, plant: Plant, sums: Sums, period: Period) -> Section:
    """Filter, chemicals, and what readings and estimates ranged over."""
    tables = [*_filters(reader, plant, sums, period), *_chemicals(reader, plant, sums, period)]
    ranges = _ranges(reader, plant, period)
    if ranges is not None:
        tables.append(ranges)
    sentences: tuple[str, ...] = ()
    if tables:
        sentences = (
            (
                "Doses, contact times and rates are estimates at the estimated flow; compliance "
                "decisions rest with the licensed operator."
            ),
        )
    return Section("process", "Filter, chemicals, disinfection", sentences, tuple(tables))


def _filters(reader: JournalReader, plant: Plant, sums: Sums, period: Period) -> Iterable[Table]:
    columns = (
        Column("filter", "Filter"),
        Column("cleanings", "Cleanings", 0, means="cleaning cycles that ended"),
        Column("mean_length_min", "Mean length, min", 1),
        Column("longest_interval_h", "Longest interval, h", 1, means="from begin to begin"),
        Column("wash_water_m3", "Wash water, m³", 2, means="by rate and time of the vacuum pump"),
        Column("volume_per_cleaning_m3", "Between cleanings, m³", 1, means="middle value"),
    )
    rows: list[Sequence[Cell]] = []
    cycles = read_cycles(reader, period.eras, plant, period.from_utc_us, period.to_utc_us)
    for name, part in plant.equipment.items():
        if not isinstance(part, Filter):
            continue
        of_it = [each for each in cycles if each.equipment == name and each.kind == CLEANING]
        begins = [each.begin_utc_us for each in of_it]
        longest = max((b - a for a, b in pairwise(begins)), default=None)
        volumes = _told(reader, f"{name}.volume_per_cleaning", period)
        count = whole(sums, name, "cleanings").value
        rows.append(
            [part.title, float(len(of_it)) if count is None else count,
             sum(each.length_s for each in of_it) / 60 / len(of_it) if of_it else None,
             None if longest is None else longest / 3.6e9,
             whole(sums, name, "wash_water").value, median(volumes) if volumes else None]
        )  # fmt: skip
    if rows:
        yield Table("filters", "Filter cleaning", columns, rows)


def _chemicals(reader: JournalReader, plant: Plant, sums: Sums, period: Period) -> Iterable[Table]:
    columns = (
        Column("dosing_pump", "Dosing pump"),
        Column("used_l", "Used, L", 1, means="solution used, by run time or strokes"),
        Column("used_least_l", "at least", 1),
        Column("used_most_l", "at most", 1),
        Column("dose_median_mg_per_l", "Dose, mg/L", 2, means="middle of the doses of a day"),
        Column("stock_at_end_l", "Left at the end, L", 1, means="in the day tank"),
        Column("stock_least_l", "at least", 1),
        Column("stock_most_l", "at most", 1),
    )
    stocks = reader.latest((RecordKind.DERIVED,), period.before)
    catalogue = Catalogue(plant)
    rows: list[Sequence[Cell]] = []
    for name, part in plant.equipment.items():
        if not isinstance(part, DosingPump):
            continue
        used = whole(sums, name, "chemical_used")
        doses = _told(reader, f"{name}.dose_day", period)
        stock = stocks.get((RecordKind.DERIVED, f"{name}.stock"))
        shown = None if stock is None else catalogue.shown(stock)
        left = shown.value if shown is not None and isinstance(shown.value, float) else None
        rows.append(
            [part.title, used.value, used.low, used.high, median(doses) if doses else None,
             left, shown.low if shown else None, shown.high if shown else None]
        )  # fmt: skip
    if rows:
        yield Table("chemicals", "Chemicals", columns, rows)


RANGED = (
    "contact_time", "ct", "filter_rate", "overflow_rate_day", "turbidity_day",
    "turbidity_greatest_day", "residual_day", "residual_least_day", "sludge_fill",
)  # fmt: skip


def _ranges(reader: JournalReader, plant: Plant, period: Period) -> Table | None:
    columns = (
        Column("equipment", "Equipment"),
        Column("quantity", "Figure", wide=True, means="what it is; the unit stands beside it"),
        Column("unit", "Unit"),
        Column("least", "Least", 2),
        Column("middle", "Middle", 2, means="median of what was told"),
        Column("greatest", "Greatest", 2),
        Column("told", "Times told", 0),
    )
    rows: list[Sequence[Cell]] = []
    for name, part in plant.equipment.items():
        for quantity in RANGED:
            values = _told(reader, f"{name}.{quantity}", period)
            if values:
                known = QUANTITIES[quantity]
                rows.append([part.title, known.means, known.unit.label, min(values),
                             median(values), max(values), float(len(values))])  # fmt: skip
    return Table("readings", "Readings and estimates", columns, rows) if rows else None


def _told(reader: JournalReader, subject: str, period: Period) -> list[float]:
    """Values of a quantity told within the period and known, in the unit people read."""
    unit = QUANTITIES[subject.rpartition(".")[2]].unit
    return [
        unit.from_si(float(record.value))
        for record in reader.history_by_utc(subject, period.from_utc_us, period.to_utc_us - 1, ALL)
        if record.kind is RecordKind.DERIVED
        and isinstance(record.value, float)
        and math.isfinite(record.value)
    ]
