"""``kill -9`` at any moment: nothing committed is lost, the downtime is a gap to the microsecond.

The pump runs all the time, so whatever is not counted as run must be counted as unknown. Plant time
is UTC as long as the wall clock is not stepped, so that the test can hold its own clock against it.
"""

from __future__ import annotations

import asyncio
import random
import time
from pathlib import Path

import pytest

from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import JournalReader
from tests.faults.daemon_kills import kill_daemons
from tests.faults.daemon_parts import DaemonProcess, Meadow, are_contiguous, daemon

KILLS = 5


def wall_us() -> int:
    """UTC, microseconds since 1970."""
    return time.time_ns() // 1_000


async def keep_moving(meadow: Meadow) -> None:
    """Move a float at uneven intervals, so that a kill finds records on their way."""
    pace = random.Random(7)
    made = True
    while True:
        meadow.set("start_1", made=made)
        made = not made
        await asyncio.sleep(pace.uniform(0.02, 0.2))


def of_kind(records: list[Record], kind: RecordKind) -> list[Record]:
    """Records of one kind."""
    return [record for record in records if record.kind is kind]


async def watch_and_kill(collector: DaemonProcess, returns: int, watch_s: float) -> list[Record]:
    """Watch for a while from when the panel answers, then kill; what was committed before it."""
    await collector.start()
    await collector.until_records(
        lambda records: len(records) == returns, "the panel", RecordKind.PANEL_RETURNED
    )
    await asyncio.sleep(watch_s)
    before = collector.records()
    await collector.kill()
    return before


async def test_killed_again_and_again_it_goes_on_exactly(tmp_path: Path) -> None:
    """Every number is there once; run time and gaps together are the time, without a remainder."""
    pace = random.Random(3)
    meadow = Meadow()
    meadow.set("pump_1_run", made=True)
    async with meadow.served(), daemon(tmp_path, meadow.port) as collector:
        moving = asyncio.create_task(keep_moving(meadow))
        killed_us: list[int] = []
        spawned_us: list[int] = []
        known_until_us: list[int] = []
        try:
            for number in range(KILLS):
                spawned_us.append(wall_us())
                before = await watch_and_kill(collector, number + 1, pace.uniform(0.3, 1.5))
                killed_us.append(wall_us())
                after = collector.records()
                assert after[: len(before)] == before
                assert are_contiguous(after)
                with JournalReader(collector.journal) as reader:
                    alive = reader.alive()
                assert alive is not None
                known_until_us.append(alive.panels["meadow"])
            spawned_us.append(wall_us())
            await collector.start()
            await collector.until_records(
                lambda records: len(records) == KILLS + 1, "the end", RecordKind.PANEL_RETURNED
            )
            assert await collector.stop() == ExitCode.DONE
        finally:
            moving.cancel()
        records = collector.records()

    assert are_contiguous(records)
    lost = of_kind(records, RecordKind.PANEL_LOST)
    back = of_kind(records, RecordKind.PANEL_RETURNED)
    assert (len(lost), len(back)) == (KILLS, KILLS + 1)
    assert {record.reason for record in lost} == {"collector stopped"}
    # Each gap begins where the journal says that the panel was last known, and covers the downtime.
    assert [record.after_us for record in lost] == known_until_us
    for gone, returned, killed, spawned in zip(
        lost, back[1:], killed_us, spawned_us[1:], strict=True
    ):
        assert gone.after_us <= killed
        assert returned.at_us >= spawned

    gaps_us = sum(b.at_us - g.after_us for g, b in zip(lost, back[1:], strict=True))
    told = [record for record in records if record.at_us <= back[-1].at_us]
    hours = [r for r in told if r.subject == "pump_1.run_hours"]
    unknown = [r for r in told if r.subject == "pump_1.run_hours_unknown"]
    counted_s, unknown_s = hours[-1].value, unknown[-1].value
    assert isinstance(counted_s, float)
    assert isinstance(unknown_s, float)
    assert counted_s == pytest.approx((back[-1].at_us - back[0].at_us - gaps_us) / 1e6, abs=1e-5)
    waited_us = back[0].at_us - of_kind(records, RecordKind.COLLECTOR)[0].at_us
    assert gaps_us / 1e6 - 1e-5 <= unknown_s <= (gaps_us + waited_us) / 1e6 + 0.1
    # The truth, which is that it ran all the time, lies within the bounds.
    assert hours[-1].low is not None
    assert hours[-1].high is not None
    assert hours[-1].low <= (back[-1].at_us - back[0].at_us) / 1e6 <= hours[-1].high
    assert [r.subject for r in records if r.subject.startswith("pump_1.s")].count(
        "pump_1.started"
    ) == 0


async def test_killed_under_load_all_that_was_delivered_is_in_the_journal(tmp_path: Path) -> None:
    """With a real broker and a subscriber: what he heard was committed and is as it was said, what
    is committed comes to him, nothing is there under two numbers; five hundred kills and more by
    ``python -m tests.bench.survival``."""
    async for tally in kill_daemons(tmp_path, KILLS, seed=5):
        assert not tally.tried or tally.well, tally.said
    assert tally.tried == KILLS + 1
