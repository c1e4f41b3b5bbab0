"""Fills and drawdowns of wells and cleanings of filters, one by one, from the events on record.

A drawdown lasts from the start of the first pump of a well until none runs any more, a fill from
there to the next start. A cleaning lasts as long as the filter's cleaning contact. Ends are taken
in the middle of their brackets; half of both brackets is the error. One during which a panel was
lost, or whose begin nobody saw, is uncertain.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from collector.core.records import Record, RecordKind
from collector.journal.reader import JournalReader
from collector.plant.equipment import Filter, Pump, Well
from collector.plant.model import Plant
from collector.reports.eras import ALL, EVER_US, Eras

LONGEST_US = 40 * 86_400_000_000
FILL, DRAWDOWN, CLEANING = "fill", "drawdown", "cleaning"


@dataclass(frozen=True, slots=True)
class Cycle:
    """One fill, drawdown or cleaning.

    Args:
        begin_utc_us: when it began.
        length_s, error_s: how long it lasted, give or take.
        machines: which pumps ran.
        certain: all of it was watched.
    """

    equipment: str
    kind: str
    begin_utc_us: int
    length_s: float
    error_s: float
    machines: tuple[str, ...]
    certain: bool


@dataclass(frozen=True, slots=True)
class Station:
    """What cycles together: a well with its pumps, or a filter."""

    name: str
    machines: tuple[str, ...]
    panels: frozenset[str]
    drawing: str
    resting: str | None


def stations_of(plant: Plant) -> list[Station]:
    """The wells with pumps and the filters of a plant."""
    found = []
    for name, part in plant.equipment.items():
        if isinstance(part, Filter):
            panels = frozenset({part.cleaning.partition(".")[0]})
            found.append(Station(name, (name,), panels, CLEANING, None))
        elif isinstance(part, Well):
            pumps = {
                pump: each.run.partition(".")[0]
                for pump, each in plant.equipment.items()
                if isinstance(each, Pump) and each.well == name
            }
            if pumps:
                panels = frozenset(pumps.values())
                found.append(Station(name, tuple(pumps), panels, DRAWDOWN, FILL))
    return found


def read_cycles(
    reader: JournalReader,
    eras: Eras,
    plant: Plant,
    from_utc_us: int,
    to_utc_us: int,
    equipment: Collection[str] = (),
) -> list[Cycle]:
    """The cycles that begin in a span of time, in order.

    Args:
        from_utc_us, to_utc_us: the span; its end is not part of it.
        equipment: only these wells and filters, none for all.
    """
    # What begins in the span may have its events before and after it.
    from_us = eras.earliest_plant_us(from_utc_us) - LONGEST_US
    found: list[Cycle] = []
    for station in stations_of(plant):
        if equipment and station.name not in equipment:
            continue
        events: list[Record] = []
        for subject in _subjects(station):
            events += reader.history(subject, from_us, EVER_US, ALL)
        events = [event for event in events if event.kind is RecordKind.EVENT]
        events.sort(key=lambda event: event.sequence)
        found += [
            cycle
            for cycle in _cycles(station, events, eras)
            if from_utc_us <= cycle.begin_utc_us < to_utc_us
        ]
    found.sort(key=lambda cycle: (cycle.begin_utc_us, cycle.equipment))
    return found


def _subjects(station: Station) -> Iterator[str]:
    for machine in station.machines:
        yield f"{machine}.started"
        yield f"{machine}.stopped"
    for panel in station.panels:
        yield f"{panel}.link_lost"


def _cycles(station: Station, events: Iterable[Record], eras: Eras) -> Iterator[Cycle]:
    running: set[str] = set()
    ran: set[str] = set()
    begin: Record | None = None  # the event with which the present fill or drawdown began
    certain = False
    for event in events:
        name, _, happened = event.subject.partition(".")
        if happened == "link_lost":
            certain = False
            continue
        was_running = bool(running)
        if happened == "started":
            running.add(name)
        else:
            running.discard(name)
        kind = station.drawing if was_running else station.resting
        if was_running == bool(running) and not (happened == "stopped" and not was_running):
            ran |= running
            continue
        if kind is not None and begin is not None:
            yield _cycle(station, kind, begin, event, ran, certain, eras)
        begin, certain, ran = event, True, set(running)


def _cycle(
    station: Station, kind: str, begin: Record, end: Record, ran: set[str], certain: bool,
    eras: Eras,
) -> Cycle:  # fmt: skip
    from_us, from_half_us = _middle(begin)
    to_us, to_half_us = _middle(end)
    return Cycle(
        station.name, kind, eras.wall_us(from_us), max(0, to_us - from_us) / 1e6,
        (from_half_us + to_half_us) / 1e6,
        tuple(sorted(ran)) if kind == DRAWDOWN else (), certain,
    )  # fmt: skip


def _middle(event: Record) -> tuple[int, int]:
    return (event.after_us + event.at_us) // 2, (event.at_us - event.after_us + 1) // 2
