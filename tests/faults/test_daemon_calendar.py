"""Calendar work of the daemon as a real process: made up for at its start, and done once."""

from __future__ import annotations

import stat
from pathlib import Path

from collector.clock import SystemClock
from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import Journal, JournalReader
from collector.journal.backup import copies
from tests.faults.daemon_parts import SETTINGS, Meadow, daemon
from tests.real_parts import until

DAY_US = 86_400_000_000
BACKUP = "backup: {directory: copies, keep: 3}\n"


def done(records: list[Record], job: str) -> list[object]:
    """The keys of a job that are on record as done."""
    return [record.value for record in records if record.subject == f"collector.{job}_done"]


async def test_what_was_missed_is_made_up_for_at_a_start_and_not_again(tmp_path: Path) -> None:
    """A journal of three days ago: one copy of it, readable by itself; killed and started again,
    the daemon makes no second one."""
    began_us = SystemClock().wall_us() - 3 * DAY_US
    with Journal.open(tmp_path / "weirkeeper.journal", wall_us=lambda: began_us):
        pass
    meadow = Meadow()
    settings = SETTINGS + BACKUP
    async with meadow.served(), daemon(tmp_path, meadow.port, settings) as collector:
        await collector.start()
        await collector.said("calendar work done", job="backup")
        await collector.until_records(
            lambda records: bool(done(records, "backup")), "the copy", RecordKind.COLLECTOR
        )  # fmt: skip
        await collector.kill()
        (copy,) = copies(collector.journal, tmp_path / "copies")
        assert stat.S_IMODE(copy.stat().st_mode) == 0o600
        with JournalReader(copy) as reader:
            assert int(reader.journal_id, 16) == began_us
        seen = len(collector.log)
        await collector.start()
        await collector.said("watching", after=seen)
        made = not collector.contact("meadow.start_1")
        meadow.set("start_1", made=made)
        await until(lambda: collector.contact("meadow.start_1") is made, "the contact")
        assert await collector.stop() == ExitCode.DONE
        records = collector.records(RecordKind.COLLECTOR)
        assert len(done(records, "backup")) == 1
        assert copies(collector.journal, tmp_path / "copies") == [copy]
