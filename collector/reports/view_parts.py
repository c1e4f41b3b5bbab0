"""What one piece of equipment does now and since when, as a page shows it.

A part's word is what its contacts and figures say; where its panel does not answer, the word is
"unknown" and the reason says why. ``unwell`` is what is not as it should be, in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from collector.core.catalogue import Catalogue
from collector.core.records import Quality, Record, RecordKind
from collector.plant.equipment import (
    DosingPump,
    Equipment,
    Filter,
    Group,
    Machine,
    Mains,
    Meter,
    SludgeStore,
    Well,
)
from collector.plant.model import Plant
from collector.reports.view_figures import Figure, Newest, figure_of, maybe_figure
from collector.reports.view_shown import SHOWN

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class FloatView:
    """One float: ``made`` is None where nobody knows."""

    role: str
    height_m: float
    made: bool | None
    since_utc_us: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class WellView:
    """What the drawing of a well needs, in m above its floor.

    Args:
        edge_m: where it overflows; None where the plant file does not say.
        level_m, low_m, high_m: estimated level and its bounds, else those of the band between
            floats; None where nothing is known.
        estimated: whether the level is an estimate rather than a band between floats.
    """

    floats: tuple[FloatView, ...]
    edge_m: float | None
    level_m: float | None
    low_m: float | None
    high_m: float | None
    estimated: bool


@dataclass(frozen=True, slots=True)
class PartView:
    """One piece of equipment as it is now.

    Args:
        word: what it does, in a word or a few.
        since_utc_us: since when; None where that is not known.
        reason: why not known, if so.
        unwell: what is not as it should be, in words.
        figures: with their uncertainty and quality.
        well: for the drawing of a well; None for other equipment.
    """

    name: str
    title: str
    kind: str
    word: str
    since_utc_us: int | None
    reason: str
    unwell: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    well: WellView | None = None
    known: bool = field(default=True)


class Present:
    """Answers how a plant's points and panels are, from the newest records.

    Args:
        plant: the plant file in force.
        newest: newest record of each subject.
    """

    def __init__(self, plant: Plant, newest: Newest) -> None:
        self.plant = plant
        self.newest = newest
        self.catalogue = Catalogue(plant)

    def lost(self, panel: str) -> str:
        """Why a panel's points are not known now; empty where it answers."""
        state = self.newest.get((RecordKind.DERIVED, f"{panel}.link_state"))
        if state is None:
            return "not read yet"
        if state.value == "up":
            return ""
        return state.reason or str(state.value)

    def point(self, point: str) -> tuple[Record | None, str]:
        """The newest record of a point, and why it is not known; empty where it is."""
        record = self.newest.get((RecordKind.POINT, point))
        lost = self.lost(point.partition(".")[0])
        if record is None:
            return None, lost or "not read yet"
        if not lost and record.quality is Quality.BAD:
            lost = record.reason
        return record, lost

    def contact(self, point: str | None) -> tuple[bool | None, int | None, str]:
        """Whether a contact is made, since when, and why that is not known."""
        if point is None:
            return None, None, ""
        record, lost = self.point(point)
        if record is None or lost:
            return None, None if record is None else record.utc_us, lost
        return bool(record.value), record.utc_us, ""

    def panels_of(self, name: str) -> frozenset[str]:
        """The panels whose points a piece of equipment is made of."""
        found = _panels(self.plant, self.plant.equipment[name], frozenset({name}))
        return frozenset(found)


def part_view(present: Present, name: str) -> PartView:
    """One piece of equipment as it is now."""
    part = present.plant.equipment[name]
    lost = next((why for panel in sorted(present.panels_of(name)) if (why := present.lost(panel))),
                "")  # fmt: skip
    word, since, reason = _doing(present, name, part)
    figures = [
        figure
        for quantity, label in SHOWN.get(part.kind, ())
        if (figure := maybe_figure(present.newest, present.catalogue, f"{name}.{quantity}", label,
                                   lost)) is not None
    ]  # fmt: skip
    figures += _readings(present, part)
    return PartView(
        name, part.title, part.kind, word, since, reason,
        tuple(_unwell(present, part)), tuple(figures),
        _well(present, name, part) if isinstance(part, Well) else None, word != UNKNOWN,
    )  # fmt: skip


def _doing(present: Present, name: str, part: Equipment) -> tuple[str, int | None, str]:
    """The word, since when it holds, and why nothing is known."""
    if isinstance(part, Mains):
        made, since, lost = present.contact(part.present)
        return {True: "voltage", False: "no voltage", None: UNKNOWN}[made], since, lost
    quantity = {"well": "level_band", "group": "air_supply", "filter": "cleaning_state"}.get(
        part.kind, "state"
    )
    record = present.newest.get((RecordKind.DERIVED, f"{name}.{quantity}"))
    if record is None:
        return "", None, ""
    if record.value is None or record.quality is Quality.BAD:
        return UNKNOWN, record.utc_us, record.reason
    return str(record.value).replace("start_", "start-"), record.utc_us, record.reason


def _unwell(present: Present, part: Equipment) -> Iterator[str]:
    """What the contacts say that ought not to be so; what is not known is said as well."""
    fault = part.fault if isinstance(part, Machine | Filter | DosingPump) else None
    if fault is not None:
        made, _, lost = present.contact(fault)
        if made:
            yield "fault contact made"
        elif made is None and lost and not present.lost(fault.partition(".")[0]):
            yield "whether it has a fault is unknown"
    if (
        isinstance(part, Machine)
        and part.auto is not None
        and present.contact(part.auto)[0] is False
    ):
        yield "not in auto"
    if isinstance(part, DosingPump) and present.contact(part.tank_low)[0]:
        yield "day tank low"
    if isinstance(part, SludgeStore) and present.contact(part.high)[0]:
        yield "nearly full"
    if isinstance(part, Mains) and present.contact(part.present)[0] is False:
        yield "no voltage"
    if isinstance(part, Well) and part.floats.high is not None:
        made, _, _ = present.contact(part.floats.high.point)
        if made:
            yield "high float made"


def _readings(present: Present, part: Equipment) -> Iterator[Figure]:
    """Figures that a panel itself tells of a part."""
    wanted: dict[str, str | None] = {}
    if isinstance(part, Meter):
        wanted["reads"] = part.point
    elif isinstance(part, Machine):
        wanted["current"] = part.current
    elif isinstance(part, Well):
        wanted["measured level"] = part.level
    for label, point in wanted.items():
        if point is None:
            continue
        record, lost = present.point(point)
        if record is not None:
            yield figure_of(record, present.catalogue, label, lost)


def _well(present: Present, name: str, part: Well) -> WellView:
    floats = []
    for role, switch in part.floats.by_role():
        made, since, lost = present.contact(switch.point)
        floats.append(FloatView(role.replace("_", "-"), switch.makes_at_m, made, since, lost))
    level = present.newest.get((RecordKind.DERIVED, f"{name}.level"))
    band = present.newest.get((RecordKind.DERIVED, f"{name}.level_band"))
    away = any(present.lost(panel) for panel in present.panels_of(name))
    if not away and level is not None and isinstance(level.value, float):
        low = level.value if level.low is None else level.low
        high = level.value if level.high is None else level.high
        return WellView(tuple(floats), part.overflow_m, level.value, max(0.0, low), high, True)
    if not away and band is not None and band.quality is not Quality.BAD:
        return WellView(tuple(floats), part.overflow_m, None, band.low, band.high, False)
    return WellView(tuple(floats), part.overflow_m, None, None, None, False)


def _panels(plant: Plant, part: Equipment, seen: frozenset[str]) -> Iterator[str]:
    if isinstance(part, Group):
        for member in part.members:
            if member not in seen and member in plant.equipment:
                yield from _panels(plant, plant.equipment[member], seen | {member})
        return
    yield from _named(part.model_dump(), plant)
    flow_from = getattr(part, "flow_from", None)
    if flow_from in plant.equipment and flow_from not in seen:
        yield from _panels(plant, plant.equipment[flow_from], seen | {flow_from})


def _named(values: object, plant: Plant) -> Iterator[str]:
    """Panels of the points that stand anywhere in a part's values."""
    if isinstance(values, str):
        panel, dot, point = values.partition(".")
        if dot and panel in plant.panels and point in plant.panels[panel].points:
            yield panel
    elif isinstance(values, Mapping):
        for each in values.values():
            yield from _named(each, plant)
    elif isinstance(values, list | tuple):
        for each in values:
            yield from _named(each, plant)
