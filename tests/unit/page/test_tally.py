"""The metrics, read back by the reference parser of the client library.

Names, units and types: OpenMetrics specification 1.0.0, sections "Counter", "Unit" and "Text
format" (a counter's sample ends in ``_total``, a unit is the last part of a name, ``# EOF`` ends).
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from collector.core.records import Record, RecordKind
from collector.core.scans import BlockAnswer, PanelScan
from collector.outlets.contract import OutletStatus
from collector.page.tally import Tally, metrics_text, resident_bytes

MS = 1_000
SECOND = 1_000_000


def scan(panel: str, *replies_ms: int | None) -> PanelScan:
    """A scan whose reads took so long; None for one that was not answered."""
    answers = [
        BlockAnswer(None, "no reply", 0, 300 * MS)
        if took is None
        else BlockAnswer(b"\0\0", "", 0, took * MS)
        for took in replies_ms
    ]
    return PanelScan(panel, 0, answers)


def record(at_us: int) -> Record:
    """A record that became known at a plant time."""
    return Record(RecordKind.POINT, "works.start_1", at_us, at_us, at_us, True)


@dataclass
class Figures:
    """Of the page."""

    started_utc_us: int = 1_783_000_000 * SECOND
    listeners: int = 3


@dataclass
class DaemonFigures:
    """Figures of a daemon, as a test wants them."""

    known: dict[str, int] = field(default_factory=lambda: {"works": 8 * SECOND})

    def known_until_us(self) -> dict[str, int]:
        """Panels that answer."""
        return self.known

    clock = SimpleNamespace(now_us=lambda: 10 * SECOND)
    plant_file = SimpleNamespace(
        plant=SimpleNamespace(panels={"works": None, 'an "odd\\one"\n': None})
    )
    journal = SimpleNamespace(head=193_768, backlog=7, trouble=None)
    buses = (
        SimpleNamespace(
            counters={"works": SimpleNamespace(overruns=2, retries=5, failures={"no reply": 4})}
        ),
    )
    outlets = (
        SimpleNamespace(status=lambda: OutletStatus("mqtt", "delivering", 0, "", 10, 12, 2, 0, 0)),
    )


def families(tally: Tally) -> dict[str, Metric]:
    """The exposition, parsed."""
    watched = cast("Any", DaemonFigures())
    text = metrics_text(tally, watched, Figures(), {"high": 1}, 4_096).decode()
    parsed = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
    return {family.name: family for family in parsed}


def value(found: dict[str, Metric], name: str, **labels: str) -> float:
    """The one sample of a name and labels."""
    samples = [s for family in found.values() for s in family.samples]
    fitting = [s.value for s in samples if s.name == name and s.labels == labels]
    assert len(fitting) == 1, f"{name} {labels}: {fitting}"
    return float(fitting[0])


def test_what_is_counted_and_looked_up_comes_back_from_the_reference_parser() -> None:
    """Every figure under its name, with its labels."""
    tally = Tally()
    for each in (scan("works", 4, 40), scan("works", 4, None), scan("works", None, None)):
        tally.take_scan(each)
    tally.committed([record(0), record(9 * SECOND)], 9 * SECOND + 30 * MS)
    found = families(tally)
    for result in ("whole", "part", "none"):
        assert value(found, "weirkeeper_scans_total", panel="works", result=result) == 1
    assert value(found, "weirkeeper_reply_seconds_count", panel="works") == 3
    assert value(found, "weirkeeper_reply_seconds_sum", panel="works") == pytest.approx(0.048)
    assert value(found, "weirkeeper_commits_total") == 1
    assert value(found, "weirkeeper_commit_delay_seconds_sum") == pytest.approx(0.03)
    assert value(found, "weirkeeper_scan_overruns_total", panel="works") == 2
    assert value(found, "weirkeeper_reads_repeated_total", panel="works") == 5
    assert value(found, "weirkeeper_reads_failed_total", panel="works", reason="no reply") == 4
    assert value(found, "weirkeeper_journal_sequence") == 193_768
    assert value(found, "weirkeeper_journal_queue_records") == 7
    assert value(found, "weirkeeper_journal_size_bytes") == 4_096
    assert value(found, "weirkeeper_outlet_behind_records", outlet="mqtt") == 2
    assert value(found, "weirkeeper_alarms_standing", priority="high") == 1
    assert value(found, "weirkeeper_alarms_standing", priority="low") == 0
    assert value(found, "weirkeeper_page_listeners") == 3
    assert value(found, "weirkeeper_start_time_seconds") == 1_783_000_000


def test_of_a_panel_that_is_silent_there_is_no_age() -> None:
    """It does not answer, and that is what is told; no invented figure stands for it."""
    found = families(Tally())
    assert value(found, "weirkeeper_panel_answering", panel="works") == 1
    assert value(found, "weirkeeper_panel_answering", panel='an "odd\\one"\n') == 0
    ages = found["weirkeeper_panel_last_sign_age_seconds"].samples
    assert [(s.labels["panel"], s.value) for s in ages] == [("works", 2.0)]


def test_every_unit_ends_its_name_and_every_metric_is_ours_and_explained() -> None:
    """As the specification wants it, so that any scraper understands them."""
    tally = Tally()
    tally.take_scan(scan("works", 1))
    found = families(tally)
    for name, family in found.items():
        assert name.startswith("weirkeeper_")
        assert family.documentation.endswith(".")
        assert not family.unit or name.endswith(f"_{family.unit}")
    for name in ("reply_seconds", "memory_bytes", "journal_size_bytes", "commit_delay_seconds"):
        assert found[f"weirkeeper_{name}"].unit == name.rpartition("_")[2]


def test_memory_is_what_the_kernel_says() -> None:
    """VmRSS of proc_pid_status(5), in kibibytes, is the same figure."""
    lines = Path("/proc/self/status").read_text("ascii").splitlines()
    kibibytes = next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))
    assert resident_bytes() % os.sysconf("SC_PAGE_SIZE") == 0
    assert resident_bytes() == pytest.approx(kibibytes * 1024, rel=0.2)
