"""The page as people have it: loads, lives, says when it is not live, fits a phone, prints, is
accessible (WCAG 2.1 A and AA by axe-core).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import Page, expect
from pypdf import PdfReader

from tests.browser.in_chromium import DESK, PHONE, Watched, chromium, complaints, watched, wrong

PATHS = ("/", "/plant", "/equipment/collection", "/equipment/blowers", "/equipment/filter")
WAIT_MS = 15_000


async def overflow_px(page: Page) -> int:
    """By how much the page is wider than the window."""
    return int(await page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


async def test_the_page_lives_and_says_when_it_does_not(tmp_path: Path) -> None:
    """A fault put into the simulated plant is shown; when the daemon ends, the page says so."""
    async with watched(tmp_path) as here, chromium() as browser:
        page = await browser.new_page(viewport=DESK)  # type: ignore[arg-type]
        with complaints(page) as said:
            await page.goto(here.address())
            await expect(page.locator("#live")).to_contain_text("Live, as of", timeout=WAIT_MS)
            blower = page.locator("article.blower", has=page.get_by_text("Blower 1"))
            await expect(blower).not_to_contain_text("fault contact made")
            here.plant.inject("tripped", "blower_1", here.plant.now_us + 1)
            await expect(blower).to_contain_text("fault contact made", timeout=WAIT_MS)
            await expect(page.locator("#verdict")).to_contain_text(
                "Blower 1: fault contact made", timeout=WAIT_MS
            )
            assert said == []
        assert await wrong(page) == []
        await here.collector.stop(10)
        await expect(page.locator("#live")).to_contain_text("NOT LIVE", timeout=3 * WAIT_MS)
        assert "stale" in (await page.locator("body").get_attribute("class") or "")


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pictures")


async def test_every_page_fits_a_phone_and_a_desk_and_has_no_serious_fault(
    tmp_path: Path, pictures: Path
) -> None:
    """No sideways scrolling at 360 px; nothing serious for axe-core; the console is silent."""
    async with watched(tmp_path) as here, chromium() as browser:
        for path in PATHS:
            for size in (PHONE, DESK):
                page = await browser.new_page(viewport=size)  # type: ignore[arg-type]
                with complaints(page) as said:
                    await page.goto(here.address(path))
                    assert await overflow_px(page) <= 0, (path, size)
                    assert await wrong(page) == [], (path, size)
                    assert said == [], (path, size)
                name = f"{path.strip('/').replace('/', '_') or 'now'}_{size['width']}.png"
                await page.screenshot(path=pictures / name, full_page=True)
                await page.close()
        await charts_are_drawn(browser_page := await browser.new_page(), here)
        await browser_page.close()


async def charts_are_drawn(page: Page, here: Watched) -> None:
    """Each picture of the page arrives and has a size of its own."""
    await page.goto(here.address("/equipment/collection"))
    for image in await page.locator(".chart img").all():
        await image.scroll_into_view_if_needed()
        await page.wait_for_function(
            "image => image.complete && image.naturalWidth > 0",
            arg=await image.element_handle(), timeout=WAIT_MS,
        )  # fmt: skip


async def test_the_page_prints(tmp_path: Path) -> None:
    """On A4 and Letter, text and all, without what only a screen needs."""
    async with watched(tmp_path) as here, chromium() as browser:
        page = await browser.new_page()
        await page.goto(here.address())
        for form in ("A4", "Letter"):
            path = tmp_path / f"{form}.pdf"
            await page.pdf(path=path, format=form)
            text = " ".join(sheet.extract_text() for sheet in PdfReader(path).pages)
            assert "Collection tank" in text
            assert "no safety system" in text
            assert "The whole plant over time" not in text


async def test_without_script_the_page_says_that_it_is_not_live(tmp_path: Path) -> None:
    """Everything is there all the same, with the instant it is as of."""
    async with watched(tmp_path) as here, chromium() as browser:
        context = await browser.new_context(java_script_enabled=False)
        page = await context.new_page()
        await page.goto(here.address())
        await expect(page.locator("#live")).to_contain_text("Not live: as of")
        await expect(page.locator("#stage-collection svg")).to_have_count(1)
