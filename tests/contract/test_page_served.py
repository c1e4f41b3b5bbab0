"""The page of a real daemon that watches a simulated panel, asked over real sockets.

Metrics are read by the reference parser of the client library; certificates are made by the library
``cryptography``; TLS on this side is Python's own.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import json
import re
import ssl
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import argon2
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from collector.errors import ExitCode
from collector.page.live import MOST_LISTENERS
from tests.certificates import Authority
from tests.faults.daemon_parts import SETTINGS, DaemonProcess, Meadow, daemon
from tests.page_client import Browser
from tests.real_parts import free_port

PASSWORD = "reeds by the water"
PERIOD_S = 0.1


class Site:
    """A panel, a daemon that watches it, and one who looks at its page."""

    def __init__(
        self,
        meadow: Meadow,
        panel: contextlib.AsyncExitStack,
        collector: DaemonProcess,
        browser: Browser,
    ) -> None:
        self.meadow = meadow
        self.panel = panel
        self.collector = collector
        self.browser = browser

    async def metric(self, name: str, **labels: str) -> float:
        """One figure, as the reference parser reads it."""
        text = (await self.browser.ask("/metrics")).text
        families = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
        found = [
            sample.value
            for family in families
            for sample in family.samples
            if sample.name == name and sample.labels == labels
        ]
        assert len(found) == 1, f"{name} {labels}: {found}"
        return float(found[0])

    async def vitals(self) -> tuple[int, dict[str, Any]]:
        """Status and content of ``/healthz``."""
        reply = await self.browser.ask("/healthz")
        return reply.status, json.loads(reply.text)

    async def until_answering(self, wanted: bool) -> None:
        """Wait until the panel answers, or no longer does, as the page tells."""
        for _ in range(400):
            if (await self.vitals())[1]["panels"]["meadow"]["answering"] is wanted:
                return
            await asyncio.sleep(0.05)
        pytest.fail(f"the panel did not come to be answering={wanted}")


@contextlib.asynccontextmanager
async def site(folder: Path, more: str = "") -> AsyncIterator[Site]:
    """A site whose daemon watches and whose page is served."""
    port, meadow = free_port(), Meadow()
    settings = f"{SETTINGS}page:\n  port: {port}\n{more}"
    async with contextlib.AsyncExitStack() as panel:
        await panel.enter_async_context(meadow.served())
        async with daemon(folder, meadow.port, settings) as collector:
            await collector.start()
            await collector.said("page is served")
            await collector.said("panel answers")
            yield Site(meadow, panel, collector, Browser(port))


async def test_the_page_shows_the_plant_and_tells_of_a_contact_as_it_moves(tmp_path: Path) -> None:
    """The whole way: panel, poll, commit, page; and then the daemon ends in time all the same."""
    async with site(tmp_path) as here:
        page = await here.browser.ask("/")
        assert (page.status, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert "Lower Meadow lift sump" in page.text
        for link in ("/static/page.css", "/static/page.js"):
            assert link in page.text
            assert (await here.browser.ask(link)).status == 200
        async with here.browser.looking_on() as events:
            name, sections = await anext(events)
            assert name == "sections"
            assert all(f'id="{key}"' in page.text for key in sections)
            now = here.collector.contact("meadow.pump_1_run")
            here.meadow.set("pump_1_run", made=not now)
            async for name, told in events:
                if name == "sections":
                    assert any("pump_1" in html for html in told.values())
                    break
            async for name, told in events:
                if name == "beat":
                    assert set(told) == {"utc", "as_of", "panels"}
                    assert 0 <= told["utc"] - told["panels"]["meadow"] / 1e6 < 5
                    break
            assert await here.collector.stop() == ExitCode.DONE


async def test_who_looks_closer_gets_pages_and_charts_from_a_process_of_their_own(
    tmp_path: Path,
) -> None:
    """Every chart a page shows is there, may bring its style and nothing else, and costs no scan;
    what there is not, or is no date, is said in a sentence. The process ends with the daemon."""
    async with site(tmp_path) as here:
        for path in ("/plant", "/equipment/sump", "/equipment/pump_1?from=2026-07-01"):
            page = await here.browser.ask(path)
            assert (page.status, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
            for address in re.findall(r'src="(/chart/[^"]+)"', page.text):
                chart = await here.browser.ask(html.unescape(address))
                assert (chart.status, chart.headers["content-type"]) == (200, "image/svg+xml")
                assert "<svg" in chart.text
                assert "sandbox" in chart.headers["content-security-policy"]
                assert "script" not in chart.headers["content-security-policy"]
        for path, status in {
            "/equipment/smup": 404,
            "/chart/sump/nothing.svg": 404,
            "/plant?from=soon": 400,
        }.items():
            refused = await here.browser.ask(path)
            assert (refused.status, refused.text.count("\n")) == (status, 1), path
        assert here.collector.process is not None
        (child,) = children_of(here.collector.process.pid)
        assert await here.collector.stop() == ExitCode.DONE
        assert not is_there(child)


def is_there(process: int) -> bool:
    """Whether a process runs."""
    return Path(f"/proc/{process}").exists()


def children_of(process: int) -> list[int]:
    """Processes that a process has started. Source: proc_pid_task(5), ``children``."""
    return [
        int(one) for one in Path(f"/proc/{process}/task/{process}/children").read_text().split()
    ]


async def test_an_unchanged_file_is_not_sent_again(tmp_path: Path) -> None:
    """RFC 9110, section 13.1.2: the tag comes back, 304 says that it still holds."""
    async with site(tmp_path) as here:
        first = await here.browser.ask("/static/page.css")
        again = await here.browser.ask("/static/page.css", if_none_match=first.headers["etag"])
        assert (again.status, again.body) == (304, b"")
        assert (await here.browser.ask("/favicon.ico")).status == 204


async def test_metrics_follow_what_happens(tmp_path: Path) -> None:
    """Scans and records grow; a silent panel shows; the daemon is well all the same."""
    async with site(tmp_path) as here:
        whole = {"panel": "meadow", "result": "whole"}
        scans = await here.metric("weirkeeper_scans_total", **whole)
        head = len(here.collector.records())
        await asyncio.sleep(0.6)
        assert await here.metric("weirkeeper_scans_total", **whole) > scans
        assert await here.metric("weirkeeper_journal_sequence") >= head
        assert await here.metric("weirkeeper_memory_bytes") > 10e6
        head_reply = await here.browser.ask("/metrics", "HEAD")
        assert head_reply.headers["content-type"].startswith("application/openmetrics-text; ver")
        assert head_reply.body == b""


async def test_a_silent_panel_is_told_and_the_daemon_is_well(tmp_path: Path) -> None:
    """Starting the daemon again would not mend the panel, and would put a gap on record."""
    async with site(tmp_path) as here:
        await here.until_answering(True)
        await here.panel.aclose()
        await here.until_answering(False)
        status, told = await here.vitals()
        assert (status, told["well"]) == (200, True)
        assert told["panels"]["meadow"]["last_sign_age_s"] is None
        assert told["panels"]["meadow"]["last_attempt_age_s"] < 10


async def test_nothing_can_be_changed_and_nobody_else_s_name_is_answered(tmp_path: Path) -> None:
    """405 with what is allowed; 421 for a name that could be a trick; 404 for what there is not."""
    async with site(tmp_path) as here:
        for method in ("POST", "PUT", "DELETE", "OPTIONS"):
            reply = await here.browser.ask("/", method)
            assert (reply.status, reply.headers["allow"]) == (405, "GET, HEAD")
        assert (await here.browser.ask("/", host="evil.example.com")).status == 421
        for path in (
            "/nothing",
            "/static/../settings.yaml",
            "/static/%2e%2e/app.py",
            "/equipment/",
        ):
            assert (await here.browser.ask(path)).status == 404, path


async def test_a_password_and_tls_let_in_who_has_both(tmp_path: Path) -> None:
    """And nobody else; neither password nor hash comes to stand in log or journal."""
    hashed = argon2.PasswordHasher().hash(PASSWORD)
    (tmp_path / "page.password").write_text(hashed)
    authority = Authority.make(tmp_path, "authority")
    certificate_file, key_file = authority.sign("127.0.0.1")
    more = (
        f"  password_file: page.password\n"
        f"  certificate_file: {certificate_file}\n  key_file: {key_file}\n"
    )
    async with site(tmp_path, more) as here:
        browser = here.browser
        with pytest.raises((ConnectionError, IndexError, AssertionError)):
            assert (await browser.ask("/")).status == 200
        browser.tls = ssl.create_default_context(cafile=authority.file)
        for path in ("/", "/live", "/metrics", "/healthz", "/static/page.css", "/nothing"):
            reply = await browser.ask(path)
            assert (reply.status, reply.headers["www-authenticate"][:5]) == (401, "Basic"), path
        browser.password = "another one, wrong"
        assert [(await browser.ask("/")).status for _ in range(7)] == [401] * 7
        browser.password = PASSWORD
        assert (await browser.ask("/")).status == 200
        async with browser.looking_on() as events:
            assert (await anext(events))[0] == "sections"
        await here.collector.stop()
        assert PASSWORD not in here.collector.raw_log
        assert hashed not in here.collector.raw_log
        assert here.collector.holds(PASSWORD) == []


async def test_listeners_are_bounded_and_their_places_get_free(tmp_path: Path) -> None:
    """One more is told when to try again; who leaves makes room."""
    async with site(tmp_path) as here, contextlib.AsyncExitStack() as leaving:
        for _ in range(MOST_LISTENERS):
            events = await leaving.enter_async_context(here.browser.looking_on())
            assert (await anext(events))[0] == "sections"
        assert await here.metric("weirkeeper_page_listeners") == MOST_LISTENERS
        refused = await here.browser.ask("/live")
        assert (refused.status, refused.headers["retry-after"]) == (503, "30")
        await leaving.aclose()
        for _ in range(200):
            if await here.metric("weirkeeper_page_listeners") == 0:
                break
            await asyncio.sleep(0.05)
        async with here.browser.looking_on() as events:
            assert (await anext(events))[0] == "sections"


async def test_polling_keeps_its_period_while_many_ask(tmp_path: Path) -> None:
    """Four that ask without a pause, for pages, metrics and files, for some two seconds: scans
    go on at their period and no instant is skipped beyond what a busy test machine costs."""
    async with site(tmp_path) as here:
        whole = {"panel": "meadow", "result": "whole"}
        before = await here.metric("weirkeeper_scans_total", **whole)
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        statuses: list[int] = []

        async def asking(path: str) -> None:
            while loop.time() - began_s < 2.0:
                statuses.append((await here.browser.ask(path)).status)

        await asyncio.gather(*map(asking, ("/", "/metrics", "/healthz", "/static/page.css")))
        await asyncio.sleep(0.6)
        scans = await here.metric("weirkeeper_scans_total", **whole) - before
        took_s = loop.time() - began_s
        assert set(statuses) == {200}
        assert len(statuses) > 100
        assert scans >= 0.8 * took_s / PERIOD_S


async def test_an_address_that_is_taken_is_tried_again_and_polling_goes_on(tmp_path: Path) -> None:
    """No page is no reason to watch less; the log says so once."""
    port, meadow = free_port(), Meadow()
    taken = await asyncio.start_server(lambda _, __: None, "127.0.0.1", port)
    settings = f"{SETTINGS}page: {{port: {port}}}\n"
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start()
        said = await collector.said("the page cannot be served, it is tried again")
        assert said["because"] == f"cannot listen at 127.0.0.1 port {port}: Address already in use"
        await collector.said("panel answers")
        taken.close()
        await taken.wait_closed()
        await collector.said("page is served")
        assert (await Browser(port).ask("/healthz")).status == 200
        assert await collector.stop() == ExitCode.DONE


async def test_a_changed_plant_file_is_shown_after_it_is_in_force(tmp_path: Path) -> None:
    """The page comes back with the new one, those who look on are let go to come again."""
    async with site(tmp_path) as here:
        file = here.collector.plant_file
        async with here.browser.looking_on() as events:
            await anext(events)
            file.write_text(file.read_text().replace("title: Pump 1", "title: Pump one"))
            assert here.collector.process is not None
            here.collector.process.send_signal(1)  # SIGHUP
            await here.collector.said("files changed")
            with contextlib.suppress(ConnectionResetError):
                async for _ in events:
                    pass
        pages: list[str] = []
        for _ in range(200):
            with contextlib.suppress(OSError):
                pages.append((await here.browser.ask("/")).text)
                if "Pump one" in pages[-1]:
                    break
            await asyncio.sleep(0.05)
        assert "Pump one" in pages[-1]
