"""The page of a real daemon under requests as no browser makes them."""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.contract.test_page_served import site
from tests.fuzz.requests import ANSWERED, request_cases


async def test_no_request_harms_the_page_or_is_answered_with_a_file(tmp_path: Path) -> None:
    """Every answer is one that RFC 9110 knows; never a 500, never a hang; polling goes on."""
    async with site(tmp_path) as here:
        told = await request_cases(here.browser.port, Random(7), 600)
        assert told[b"200"] > 10, told
        assert told[b"500"] == 0
        assert set(told) <= {*ANSWERED, b"closed", b"hung up"}, told
        assert (await here.browser.ask("/")).status == 200
        status, _ = await here.vitals()
        assert status == 200
        assert not here.collector.holds("exception")
        for path in ("/static/../app.py", "/static/%2e%2e/%2e%2e/settings.yaml"):
            reply = await here.browser.ask(path)
            assert reply.status in (400, 404), path
