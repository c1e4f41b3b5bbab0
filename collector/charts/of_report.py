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
from collector.reports.view_parts import Present
from collector.reports.view_stages import wells_downstream

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
            for name in _in_order(plant)
            if isinstance(plant.equipment[name], kind)
        ]
        for name, section, key in wanted:
            found = chart(reader, plant, name, key, span)
            if found is not None and not found.empty:
                part = plant.equipment.get(name)
                title = found.title if part is None else f"{part.title}: {found.title.lower()}"
                yield section, title, svg_of(found)

    return draw


def _in_order(plant: Plant) -> Iterator[str]:
    """Wells as the water takes them, then the rest; without what is only there at times.

    Of that too little is known for a picture: its bounds would be all there is to see.
    """
    present = Present(plant, {})
    wells = wells_downstream(plant)
    for name in (*wells, *(name for name in plant.equipment if name not in wells)):
        panels = present.panels_of(name)
        if not panels or not all(plant.panels[panel].visits for panel in panels):
            yield name
