"""Makes the HTML of the page from its view; the template library escapes all that comes from files
or people.

The page has sections with ids that stay; what is sent to those who look on is the inside of those
that have changed. So nothing that changes by itself, such as an age, stands in a section: it is
told by its begin, and the page's own script counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from collector.page.drawing import well_drawing
from collector.reports.plant_view import PlantView

STALE_AFTER_S = 10
"""No message for so long, and the page says that it is not live; messages come every 3 s."""

CAUTIONS = (
    "This page watches. It is no safety system, and the panel's own horn and lamp stay in force. "
    "It never proves isolation or a safe atmosphere: isolate, lock out and verify before touching "
    "a machine; test the air before entering a well, tank or sump. Derived figures are estimates. "
    "Discharge and compliance decisions rest with the licensed operator and the local authority; "
    "local codes take precedence."
)


class PlantPages:
    """Renders views of one plant."""

    def __init__(self) -> None:
        self.environment = Environment(
            loader=PackageLoader("collector.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.globals.update(draw=well_drawing, cautions=CAUTIONS)
        self._sections = self.environment.get_template("sections.html").module
        self._page = self.environment.get_template("plant.html")

    def sections(self, view: PlantView) -> dict[str, str]:
        """The inside of each section by its id, in the order of the page."""
        when = Dates(view)
        made = self._sections
        found = {
            "verdict": made.verdict(view),  # type: ignore[attr-defined]
            "attention": made.attention(view, when),  # type: ignore[attr-defined]
        }
        for stage in view.stages:
            found[f"stage-{stage.key}"] = made.stage(stage, when)  # type: ignore[attr-defined]
        found["service"] = made.service(view)  # type: ignore[attr-defined]
        found["links"] = made.links(view, when)  # type: ignore[attr-defined]
        return {name: str(html) for name, html in found.items()}

    def whole(self, view: PlantView, ages: Mapping[str, int | None] | None = None) -> str:
        """The page.

        Args:
            view: the plant.
            ages: for each panel the date of its last good answer, where that is known better than
                by the view; UTC in microseconds.
        """
        last = {link.panel: link.last_good_utc_us for link in view.links} | dict(ages or {})
        sections = {name: Markup(html) for name, html in self.sections(view).items()}  # noqa: S704
        return self._page.render(
            view=view, sections=sections, when=Dates(view), stale_after_s=STALE_AFTER_S,
            panels=last,
        )  # fmt: skip


class Dates:
    """Writes instants in the plant's zone: short on the day of the view, else with the date."""

    def __init__(self, view: PlantView) -> None:
        self._zone = ZoneInfo(view.time_zone)
        self._day = self.at(view.as_of_utc_us).date()

    def at(self, utc_us: int) -> datetime:
        """The instant in the plant's zone."""
        return datetime.fromtimestamp(utc_us / 1e6, UTC).astimezone(self._zone)

    def short(self, utc_us: int | None) -> str:
        """``14:05``, or ``2026-07-03 14:05`` on another day."""
        if utc_us is None:
            return "unknown"
        at = self.at(utc_us)
        return f"{at:%H:%M}" if at.date() == self._day else f"{at:%Y-%m-%d %H:%M}"

    def full(self, utc_us: int) -> str:
        """``2026-07-03 14:05:09`` with the name of the zone's time."""
        return f"{self.at(utc_us):%Y-%m-%d %H:%M:%S %Z}"

    def machine(self, utc_us: int) -> str:
        """As RFC 3339, for ``datetime`` attributes."""
        return self.at(utc_us).isoformat(timespec="seconds")
