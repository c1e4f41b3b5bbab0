"""A real browser and a real daemon before it: Debian's Chromium, driven over its own protocol.

The accessibility engine is axe-core, as the registry's package brings it.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import axe_playwright_python  # type: ignore[import-untyped]
from playwright.async_api import Browser, ConsoleMessage, Page, async_playwright

from collector.plant_file import read_plant_file
from simulator.plant import OsierBend
from simulator.server import serve
from tests.faults.daemon_parts import SETTINGS, DaemonProcess
from tests.real_parts import free_port, program
from tests.unit.cli.typed import OSIER_BEND

AXE = Path(axe_playwright_python.__file__).parent / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
START_US = int(datetime(2026, 7, 4, 6, tzinfo=UTC).timestamp()) * 1_000_000
PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 900}


@dataclass
class Watched:
    """The simulated park in real time, a daemon that watches it, and its page."""

    plant: OsierBend
    collector: DaemonProcess
    port: int

    def address(self, path: str = "/") -> str:
        return f"http://127.0.0.1:{self.port}{path}"


@contextlib.asynccontextmanager
async def watched(folder: Path) -> AsyncIterator[Watched]:
    """The whole park, watched by a process of its own."""
    plant = OsierBend(1, START_US)
    text = OSIER_BEND.read_text(encoding="utf-8")
    port = free_port()
    async with serve(plant, dict.fromkeys(plant.panels, 0)) as running:
        links = read_plant_file(OSIER_BEND).plant
        for name, here in running.ports.items():
            link = links.links[links.panels[name].link]
            text = re.sub(rf"port: {getattr(link, 'port', 0)}\b", f"port: {here}", text)
        collector = DaemonProcess(folder, 0, f"{SETTINGS}page: {{port: {port}}}\n")
        collector.plant_file.write_text(text, encoding="utf-8")
        try:
            await collector.start()
            await collector.said("page is served")
            yield Watched(plant, collector, port)
        finally:
            with contextlib.suppress(ProcessLookupError):
                await collector.kill()


@contextlib.asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    """Headless, without its sandbox, which needs rights that tests do not have."""
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(
            executable_path=program("chromium", "chromium"), args=["--no-sandbox"]
        )
        try:
            yield browser
        finally:
            await browser.close()


async def wrong(page: Page) -> list[str]:
    """What axe-core finds of serious or critical weight, as sentences."""
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found: dict[str, Any] = await page.evaluate(
        "rules => axe.run(document, {runOnly: {type: 'tag', values: rules}})", RULES
    )
    return [
        f"{each['id']}: {each['help']}: {node['html'][:120]}"
        for each in found["violations"]
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]


@contextlib.contextmanager
def complaints(page: Page) -> Iterator[list[str]]:
    """What the browser's console complains of meanwhile: errors, refusals of the page's policy."""
    said: list[str] = []

    def hear(message: ConsoleMessage) -> None:
        if message.type == "error":
            said.append(message.text)

    page.on("console", hear)
    page.on("pageerror", lambda error: said.append(str(error)))
    yield said
