"""The page as a part of the daemon: told of scans and commits, begun and ended with the outlets.

Nothing that goes wrong here reaches the daemon. An address that is taken, a certificate or a
password file that cannot be used: a line in the log, and another attempt every ``AGAIN_US``. A bug:
the same, with its traceback.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from typing import Any

import structlog

from collector.clock import MICROSECONDS
from collector.core.records import Record
from collector.core.scans import PanelScan
from collector.errors import OutletError
from collector.page.access import Access
from collector.page.app import Routes
from collector.page.closer_process import Answer, CloserProcess
from collector.page.doors import Doors, bound
from collector.page.gate import Gate
from collector.page.hosts import Hosts
from collector.page.kept import Kept
from collector.page.live import Hub
from collector.page.plant_renderer import PERIOD_US, PlantRenderer, Rendered
from collector.page.tally import Tally, metrics_text
from collector.page.tls import Certificate
from collector.page.vitals import vitals
from collector.page.watched import Watched
from collector.settings_sections import PageSettings

AGAIN_US = 3 * MICROSECONDS
LOOK_AT_FILES_US = 60 * MICROSECONDS

log = structlog.get_logger()


class Page:
    """What is shown of the daemon, with the plant and rules that are in force.

    Args:
        watched: the daemon.
        tally: what it has counted.
        started_utc_us: when it started, UTC.
    """

    def __init__(self, watched: Watched, tally: Tally, started_utc_us: int) -> None:
        self._watched = watched
        self._tally = tally
        self.started_utc_us = started_utc_us
        clock, rules = watched.clock, watched.rules
        path = watched.journal.path
        self._renderer = PlantRenderer(path, watched.plant_file.plant, rules.alarms, rules.service)
        self._closer = CloserProcess(path, clock)
        self.hub = Hub(Kept(self._renderer.rendered, clock, PERIOD_US), self._beat, clock)
        self._whole = Kept(self._make_whole, clock, PERIOD_US)
        self._metrics = Kept(self._make_metrics, clock, PERIOD_US)

    @property
    def listeners(self) -> int:
        """How many look on."""
        return self.hub.listeners

    async def run(self) -> None:
        """Keep those who look on up to date until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.hub.run())
                group.create_task(self._closer.run())
        finally:
            self.hub.close()
            self._renderer.close()

    async def whole(self) -> bytes | None:
        """The health page."""
        return await self._whole.get()

    async def metrics(self) -> bytes:
        """The metrics as OpenMetrics text."""
        return await self._metrics.get()

    def vitals(self) -> tuple[bool, Mapping[str, Any]]:
        """Whether the daemon is well, and how."""
        return vitals(self._watched, self._tally.attempt_us)

    async def closer(self, request: Mapping[str, Any]) -> Answer:
        """A page or chart that looks closer."""
        return await self._closer.ask(request)

    async def _make_whole(self) -> bytes | None:
        return await self._renderer.whole(self._last_signs())

    async def _make_metrics(self) -> bytes:
        standing, size_bytes = await self._renderer.standing()
        return metrics_text(self._tally, self._watched, self, standing, size_bytes)

    def _last_signs(self) -> dict[str, int | None]:
        """Dates of the last good answers of the panels that answer."""
        watched = self._watched
        return {name: watched.utc_us(at) for name, at in watched.known_until_us().items()}

    def _beat(self, rendered: Rendered | None) -> Mapping[str, Any]:
        watched = self._watched
        now_us = watched.utc_us(watched.clock.now_us())
        links = () if rendered is None else rendered.view.links
        panels = {link.panel: link.last_good_utc_us for link in links} | self._last_signs()
        as_of_us = now_us
        if watched.paused or watched.journal.blocked:  # seen, but not on record, so not shown
            as_of_us = 0 if rendered is None else rendered.view.as_of_utc_us
        return {
            "utc": now_us / MICROSECONDS,
            "as_of": as_of_us // MICROSECONDS,
            "panels": panels,
        }


class PagePart:
    """Serves the page of one daemon, over all changes of its files.

    Args:
        settings: where and for whom.
    """

    def __init__(self, settings: PageSettings) -> None:
        self._settings = settings
        self._started_us: int | None = None
        self._tally = Tally()
        self._access: Access | None = None
        self._page: Page | None = None
        self._serving: asyncio.Task[None] | None = None
        self._said = ""

    # --- what the daemon tells ------------------------------------------------------------------

    def take_scan(self, scan: PanelScan) -> None:
        """A scan has ended."""
        self._tally.take_scan(scan)

    def committed(self, records: Sequence[Record], now_us: int) -> None:
        """Records were committed."""
        self._tally.committed(records, now_us)
        if self._page is not None:
            self._page.hub.wake()

    def start(self, watched: Watched) -> None:
        """Begin to serve; nothing is waited for."""
        if self._started_us is None:
            self._started_us = watched.clock.now_us()
        if self._settings.password_file is not None and self._access is None:
            self._access = Access(self._settings.password_file, watched.clock.now_us)
        self._serving = asyncio.create_task(self._keep_serving(watched))

    async def stop(self) -> None:
        """End all connections and the listening."""
        if self._serving is not None:
            self._serving.cancel()
            await asyncio.gather(self._serving, return_exceptions=True)
            self._serving = None

    # --- serving --------------------------------------------------------------------------------

    async def _keep_serving(self, watched: Watched) -> None:
        while True:
            try:
                await self._serve(watched)
            except OutletError as error:
                self._say(str(error))
            except Exception:
                log.exception("the page has failed; it begins again")
            await watched.clock.sleep_until(watched.clock.now_us() + AGAIN_US)

    def _say(self, sentence: str) -> None:
        if sentence != self._said:  # once, not with every attempt
            log.error("the page cannot be served, it is tried again", because=sentence)
        self._said = sentence

    async def _serve(self, watched: Watched) -> None:
        settings = self._settings
        certificate = None
        if self._access is not None:
            self._access.check_file()
        if settings.certificate_file is not None and settings.key_file is not None:
            certificate = Certificate(settings.certificate_file, settings.key_file)
        try:
            listening = bound(settings.host, settings.port)
        except OSError as error:
            raise OutletError(
                f"cannot listen at {settings.host} port {settings.port}: {error.strerror}"
            ) from error
        with contextlib.closing(listening):
            page = Page(watched, self._tally, watched.utc_us(self._started_us or 0))
            hosts = Hosts((settings.host, *settings.names))
            gate = Gate(Routes(page).app(), hosts, self._access)
            context = None if certificate is None else certificate.context
            doors = Doors(gate, listening, context, watched.clock)
            self._page, self._said = page, ""
            scheme = "http" if certificate is None else "https"
            where = f"[{settings.host}]" if ":" in settings.host else settings.host
            log.info("page is served", at=f"{scheme}://{where}:{listening.getsockname()[1]}/")
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(page.run())
                    group.create_task(doors.serve())
                    group.create_task(_keep_renewing(certificate, watched))
            finally:
                self._page = None


async def _keep_renewing(certificate: Certificate | None, watched: Watched) -> None:
    while certificate is not None:
        await watched.clock.sleep_until(watched.clock.now_us() + LOOK_AT_FILES_US)
        certificate.renew()
