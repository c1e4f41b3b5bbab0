"""Drives a pipeline through simulated register images in virtual time.

The same readers and the same engine as live, fed with the same payloads on the same scan grid.
Scans that could bring nothing new are not made one by one: between two changes of an image only the
last scan before the change and the first after it are fed, which leaves every bracket as it would
have been. A month passes in seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from collector.core.pipeline import Pipeline
from collector.core.records import Record
from collector.core.scans import BlockAnswer, PanelScan, Read

ROUND_TRIP_US = 4_000


class Image(Protocol):
    """The registers of a simulated panel."""

    def read(self, function: int, start: int, count: int) -> bytes | int:
        """Payload as on the wire, or an exception code."""
        ...


class SimulatedPanel(Protocol):
    """A simulated panel."""

    @property
    def image(self) -> Image: ...
    @property
    def version(self) -> int: ...
    def reachable(self) -> bool: ...


class SimulatedPlant(Protocol):
    """A simulated plant that stands at one instant and can be moved on."""

    @property
    def panels(self) -> Mapping[str, SimulatedPanel]: ...
    def advance_to(self, at_us: int) -> None: ...
    def advance_until_change(self, limit_us: int) -> int: ...


class _Scanner:
    """One panel's scan grid and what its last scan brought."""

    def __init__(self, name: str, panel: SimulatedPanel, plan: Sequence[Read], period_us: int,
                 start_us: int) -> None:  # fmt: skip
        self.name = name
        self.period_us = period_us
        self.scanned_us = start_us - period_us
        self._panel = panel
        self._plan = plan
        self._start_us = start_us
        self._version: int | None = None
        self._last: list[bytes | None] = []
        self._reasons: list[str] = []

    @property
    def stale(self) -> bool:
        """Whether the image moved since the last scan."""
        return self._panel.version != self._version

    @property
    def failing(self) -> bool:
        """Whether the last scan brought no answer for some block."""
        return None in self._last

    @property
    def has_scanned(self) -> bool:
        """Whether there was a scan at all."""
        return bool(self._last)

    def instant_from(self, at_us: int) -> int:
        """The first scan instant not before ``at_us`` and after the last scan."""
        steps = -(-(at_us - self._start_us) // self.period_us)
        return max(self._start_us + steps * self.period_us, self.scanned_us + self.period_us)

    def scan(self, at_us: int) -> PanelScan:
        """Read the image as it is now, dated ``at_us``."""
        self._version = self._panel.version
        self._last, self._reasons = [], []
        for read in self._plan:
            answer: bytes | int | None = None
            if self._panel.reachable():
                answer = self._panel.image.read(read.function, read.start, read.count)
            if isinstance(answer, bytes):
                self._last.append(answer)
                self._reasons.append("")
            else:
                self._last.append(None)
                self._reasons.append("no reply" if answer is None else f"exception {answer:02X}")
        return self._repeat(at_us)

    def again(self, at_us: int) -> PanelScan:
        """The last scan once more: nothing has moved since."""
        return self._repeat(at_us)

    def _repeat(self, at_us: int) -> PanelScan:
        self.scanned_us = at_us
        answers = [
            BlockAnswer(payload, reason, at_us, at_us + ROUND_TRIP_US)
            for payload, reason in zip(self._last, self._reasons, strict=True)
        ]
        return PanelScan(self.name, at_us, answers)


def run_virtually(
    pipeline: Pipeline,
    plans: Mapping[str, Sequence[Read]],
    simulated: SimulatedPlant,
    start_us: int,
    end_us: int,
    take: Callable[[list[Record]], None],
) -> None:
    """Watch a simulated plant from ``start_us`` to ``end_us``.

    Args:
        pipeline: fresh or resumed; takes scans from ``start_us`` on.
        plans: the reads of each panel.
        simulated: stands at or before ``start_us``.
        start_us, end_us: plant time, which is the simulated plant's own.
        take: receives every batch of records.
    """
    panels = pipeline.plant.panels
    scanners = [
        _Scanner(name, simulated.panels[name], plans[name],
                 round(panels[name].scan_period_s * 1e6), start_us)
        for name in panels
    ]  # fmt: skip
    simulated.advance_to(start_us)
    pending = {scanner.name: start_us for scanner in scanners}
    now_us = start_us
    while True:
        report_us = pipeline.engine.next_deadline_us()
        due_us = min([report_us, end_us, *pending.values()])
        reached_us = simulated.advance_until_change(due_us)
        now_us = reached_us
        if reached_us >= due_us:
            telling = reached_us >= report_us
            for scanner in scanners:
                # The scans of an instant come before what is told at it.
                moved = telling and scanner.stale and scanner.instant_from(reached_us) == reached_us
                if moved or pending.get(scanner.name) == reached_us:
                    _scan(pipeline, scanner, reached_us, take)
                    pending.pop(scanner.name, None)
            if telling:
                _report(pipeline, scanners, reached_us, take)
        if now_us >= end_us:
            break
        for scanner in scanners:
            if scanner.stale or scanner.name not in pending:
                _plan_next(pipeline, scanner, now_us, pending)
    for scanner in scanners:
        last_us = scanner.instant_from(now_us) - scanner.period_us
        if last_us > scanner.scanned_us:
            _give(take, pipeline.take_scan(scanner.again(last_us)))


def _plan_next(pipeline: Pipeline, scanner: _Scanner, now_us: int, pending: dict[str, int]) -> None:
    """Put the panel's next scan that may bring something on the list."""
    reader = pipeline.readers[scanner.name]
    if scanner.stale:
        wanted_us = scanner.instant_from(now_us)
        pending[scanner.name] = min(pending.get(scanner.name, wanted_us), wanted_us)
        return
    if reader.unsettled:
        pending[scanner.name] = scanner.instant_from(now_us + 1)
        return
    news_us = reader.next_news_us()
    if news_us is not None and not scanner.failing:
        pending[scanner.name] = scanner.instant_from(max(news_us, now_us + 1))


def _scan(
    pipeline: Pipeline, scanner: _Scanner, at_us: int, take: Callable[[list[Record]], None]
) -> None:
    before_us = at_us - scanner.period_us
    if scanner.scanned_us < before_us and scanner.has_scanned:
        # The scan just before, which brought nothing, so that the bracket is one period wide.
        _give(take, pipeline.take_scan(scanner.again(before_us)))
    _give(take, pipeline.take_scan(scanner.scan(at_us)))


def _report(
    pipeline: Pipeline, scanners: Sequence[_Scanner], at_us: int,
    take: Callable[[list[Record]], None],
) -> None:  # fmt: skip
    for scanner in scanners:
        last_us = scanner.instant_from(at_us + 1) - scanner.period_us
        if last_us > scanner.scanned_us and not scanner.stale and not scanner.failing:
            _give(take, pipeline.take_scan(scanner.again(last_us)))
    _give(take, pipeline.report(at_us))


def _give(take: Callable[[list[Record]], None], records: list[Record]) -> None:
    if records:
        take(records)
