"""What the collector counts of itself for ``/metrics``, in its own registry.

Names, units and types are those of the OpenMetrics specification (version 1.0.0): a unit ends the
name, a counter's sample ends in ``_total``. Counters begin at 0 with the process.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from collector import __version__
from collector.clock import MICROSECONDS
from collector.core.records import Record
from collector.core.scans import PanelScan
from collector.page.watched import Watched

CONTENT_TYPE = CONTENT_TYPE_LATEST
PRIORITIES = ("high", "medium", "low")
REPLY_BUCKETS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
COMMIT_BUCKETS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
MEMORY = Path("/proc/self/statm")
Family = CounterMetricFamily | GaugeMetricFamily | InfoMetricFamily


class Tally:
    """Counts scans and commits as they come; all else is looked up when asked for."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._scans = Counter(
            "weirkeeper_scans", "Scans ended: whole, in part answered, or without any answer.",
            ("panel", "result"), registry=self.registry,
        )  # fmt: skip
        self._replies = Histogram(
            "weirkeeper_reply_seconds", "Time from a read's request to its checked reply.",
            ("panel",), unit="seconds", buckets=REPLY_BUCKETS_S, registry=self.registry,
        )  # fmt: skip
        self._commits = Counter(
            "weirkeeper_commits", "Commits of the journal that held records.",
            registry=self.registry,
        )  # fmt: skip
        self._delay = Histogram(
            "weirkeeper_commit_delay_seconds",
            "Time from the knowledge of a commit's newest record to the notice that it is on disk.",
            unit="seconds", buckets=COMMIT_BUCKETS_S, registry=self.registry,
        )  # fmt: skip
        self.attempt_us: dict[str, int] = {}

    def take_scan(self, scan: PanelScan) -> None:
        """Count a scan."""
        good = [answer for answer in scan.answers if answer.payload is not None]
        result = "whole" if len(good) == len(scan.answers) else "part" if good else "none"
        self._scans.labels(scan.panel, result).inc()
        replies = self._replies.labels(scan.panel)
        for answer in good:
            replies.observe((answer.received_us - answer.sent_us) / MICROSECONDS)
        self.attempt_us[scan.panel] = scan.at_us

    def committed(self, records: Sequence[Record], now_us: int) -> None:
        """Count a commit."""
        self._commits.inc()
        if records:
            self._delay.observe(max(0, now_us - records[-1].at_us) / MICROSECONDS)


class Figures(Protocol):
    """What is looked up when somebody asks, beside the daemon itself."""

    @property
    def started_utc_us(self) -> int:
        """When the collector started, UTC."""
        ...

    @property
    def listeners(self) -> int:
        """How many look on."""
        ...


class _Now(Collector):
    """The figures of one moment."""

    def __init__(
        self, watched: Watched, figures: Figures, standing: Mapping[str, int], size_bytes: int
    ) -> None:
        self._watched = watched
        self._figures = figures
        self._standing = standing
        self._size_bytes = size_bytes

    def collect(self) -> Iterable[Family]:
        """All families, in a fixed order."""
        yield InfoMetricFamily(
            "weirkeeper_build", "The collector's version.", {"version": __version__}
        )
        yield _gauge("start_time", "When the collector started, UTC.", "seconds",
                     self._figures.started_utc_us / MICROSECONDS)  # fmt: skip
        yield _gauge("memory", "Resident memory of the collector.", "bytes", resident_bytes())
        yield from self._of_panels()
        journal = self._watched.journal
        yield _gauge("journal_sequence", "Number of the newest committed record.", "",
                     journal.head)  # fmt: skip
        yield _gauge("journal_size", "Bytes of the journal on disk.", "bytes", self._size_bytes)
        yield _gauge("journal_queue", "Records that wait for a commit.", "records",
                     journal.backlog)  # fmt: skip
        yield _gauge("journal_trouble", "1 while the journal needs attention.", "",
                     int(journal.trouble is not None))  # fmt: skip
        behind = GaugeMetricFamily(
            "weirkeeper_outlet_behind", "Records an outlet's far side has not confirmed.",
            labels=("outlet",), unit="records",
        )  # fmt: skip
        for outlet in self._watched.outlets:
            status = outlet.status()
            behind.add_metric((status.outlet,), status.behind)
        yield behind
        standing = GaugeMetricFamily(
            "weirkeeper_alarms_standing", "Alarms of the plant that somebody is to act on.",
            labels=("priority",),
        )  # fmt: skip
        for priority in PRIORITIES:
            standing.add_metric((priority,), self._standing.get(priority, 0))
        yield standing
        yield _gauge("page_listeners", "Who looks on at the live page.", "",
                     self._figures.listeners)  # fmt: skip

    def _of_panels(self) -> Iterable[Family]:
        overruns = CounterMetricFamily(
            "weirkeeper_scan_overruns", "Scan instants skipped because a scan lasted too long.",
            labels=("panel",),
        )  # fmt: skip
        repeated = CounterMetricFamily(
            "weirkeeper_reads_repeated", "Reads repeated within a scan.", labels=("panel",)
        )
        failed = CounterMetricFamily(
            "weirkeeper_reads_failed", "Reads that brought no value.", labels=("panel", "reason")
        )
        for bus in self._watched.buses:
            for panel, counters in bus.counters.items():
                overruns.add_metric((panel,), counters.overruns)
                repeated.add_metric((panel,), counters.retries)
                for reason, count in counters.failures.items():
                    failed.add_metric((panel, reason), count)
        yield from (overruns, repeated, failed)
        answering = GaugeMetricFamily(
            "weirkeeper_panel_answering", "1 while a panel answers.", labels=("panel",)
        )
        sign = GaugeMetricFamily(
            "weirkeeper_panel_last_sign_age", "Age of a panel's last good answer while it answers.",
            labels=("panel",), unit="seconds",
        )  # fmt: skip
        known = self._watched.known_until_us()
        now_us = self._watched.clock.now_us()
        for panel in self._watched.plant_file.plant.panels:
            answering.add_metric((panel,), int(panel in known))
            if panel in known:
                sign.add_metric((panel,), (now_us - known[panel]) / MICROSECONDS)
        yield from (answering, sign)


def metrics_text(
    tally: Tally,
    watched: Watched,
    figures: Figures,
    standing: Mapping[str, int],
    size_bytes: int,
) -> bytes:
    """All metrics as OpenMetrics text.

    Args:
        tally: what was counted.
        watched: the daemon.
        figures: of the page itself.
        standing: alarms by priority.
        size_bytes: of the journal.
    """
    now = CollectorRegistry(auto_describe=False)
    now.register(_Now(watched, figures, standing, size_bytes))
    end = b"# EOF\n"
    return _text(tally.registry).removesuffix(end) + _text(now)


def _text(registry: CollectorRegistry) -> bytes:
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


def resident_bytes() -> int:
    """Resident memory of this process. Source: proc_pid_statm(5), second field, in pages."""
    return int(MEMORY.read_text("ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


def _gauge(name: str, means: str, unit: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"weirkeeper_{name}", means, value=value, unit=unit)
