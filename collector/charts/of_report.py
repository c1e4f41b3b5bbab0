"""The charts that stand in the record of a period."""

from __future__ import annotations

from collections.abc import Iterator

from collector.charts.drawing import svg_of
from collector.charts.kinds import PLANT, chart
from collector.charts.shapes import Span
from collector.journal.reader import JournalReader
from collector.plant.equipment import DosingPump, Filter, Well
from collector.plant.model import Plant
from collector.reports.period_report.gather import Pictures
from collector.reports.period_report.period import Period

OF_KIND: tuple[tuple[type, str, str], ...] = (
    (Well, "water", "volumes"),
    (Filter, "process", "volume"),
    (DosingPump, "process", "stock"),
)
"""Kind of equipment, section of the record, key of the chart."""


def pictures_of(reader: JournalReader, plant: Plant) -> Pictures:
    """Draws the charts of a period; those with nothing to show are left out."""

    def draw(period: Period) -> Iterator[tuple[str, str, str]]:
        span = Span(period.from_utc_us, period.to_utc_us, period.zone)
        wanted = [(PLANT, "alarms", "alarms")]
        wanted += [
            (name, section, key)
            for kind, section, key in OF_KIND
            for name, part in plant.equipment.items()
            if isinstance(part, kind)
        ]
        for name, section, key in wanted:
            found = chart(reader, plant, name, key, span)
            if found is not None and not found.empty:
                part = plant.equipment.get(name)
                title = found.title if part is None else f"{part.title}: {found.title.lower()}"
                yield section, title, svg_of(found)

    return draw
