"""The queue of one link: which panel is read when.

One task serves a link; its panels share it read by read. Of the panels that are due, the one whose
next scan comes first goes first. Scan instants lie on a grid in plant time that never drifts; an
instant that passes while its panel is still being read is counted and skipped.

A panel that keeps silent gives up its turn: its remaining blocks are not asked for, and it is tried
again with one read at growing intervals (`BACKOFF_CAP_US` at most), so that it costs the others one
reply timeout each time. When it answers, the scan goes on as a whole and the panel is back on its
grid.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random

from collector.clock import MICROSECONDS, Clock
from collector.core.scans import BlockAnswer, PanelScan, Read
from collector.errors import Bug
from collector.links.contract import Link
from collector.links.faults import ReadFault
from collector.plant.model import Panel

BACKOFF_CAP_US = 5 * MICROSECONDS
SPREAD_US = MICROSECONDS  # the first scans of a link are spread over this, or over the least period
LEAST_JITTER = 0.8  # of the interval; the cap stays the cap
DOUBLINGS = 16  # more would only make the number large


@dataclass(slots=True)
class PanelCounters:
    """What became of the reads of one panel since the start.

    Args:
        scans: scans ended, whole or not.
        overruns: scan instants skipped because they passed during a scan.
        reads: requests made, repeated ones included.
        retries: reads repeated within a scan.
        failures: reads that brought no value, by reason.
        round_trip_us: from request to checked reply, of the last good read; None before the first.
        last_fault: what was wrong at the last failure, in a sentence; empty before the first.
    """

    scans: int = 0
    overruns: int = 0
    reads: int = 0
    retries: int = 0
    failures: dict[str, int] = field(default_factory=dict)
    round_trip_us: int | None = None
    last_fault: str = ""


class _Turn:
    """Where one panel stands: its grid, and the scan under way."""

    __slots__ = (
        "answered", "answers", "attempts", "began_us", "counters", "deadline_us", "due_us",
        "failures_in_row", "grid_us", "name", "period_us", "plan", "retries", "timeout_s",
    )  # fmt: skip

    def __init__(self, name: str, panel: Panel, plan: Sequence[Read], first_us: int) -> None:
        self.name = name
        self.plan = tuple(plan)
        self.period_us = round(panel.scan_period_s * MICROSECONDS)
        self.timeout_s = panel.reply_timeout_s
        self.retries = panel.retries
        self.counters = PanelCounters()
        self.grid_us = first_us  # instant of the grid that the present or next scan belongs to
        self.due_us = first_us  # when its next read may begin
        self.deadline_us = first_us + self.period_us
        self.began_us = 0
        self.attempts = 0
        self.failures_in_row = 0  # scans in a row that ended in silence
        self.answered = False
        self.answers: list[BlockAnswer] = []


class Bus:
    """Reads the panels of one link for ever.

    Args:
        link: how to read them; closed when ``run`` ends.
        panels: the panels on the link with their plans (``planning.plan_panel``), by name.
        clock: plant time.
        on_scan: told of every scan, good or not; must not block.
        random: spreads the attempts on silent panels.

    Attributes:
        counters: for each panel.
        due_us: plant time at which the next read is, or was, to begin; where it lies far in the
            past, polling has stopped.
    """

    def __init__(
        self,
        link: Link,
        panels: Mapping[str, tuple[Panel, Sequence[Read]]],
        clock: Clock,
        on_scan: Callable[[PanelScan], None],
        random: Random,
    ) -> None:
        if not panels:
            raise Bug("a link without panels needs no queue")
        self._link = link
        self._clock = clock
        self._on_scan = on_scan
        self._random = random
        self._turns = _spread(panels, clock.now_us())
        self.counters: Mapping[str, PanelCounters] = {t.name: t.counters for t in self._turns}
        self.due_us = self._turns[0].due_us

    async def run(self) -> None:
        """Serve the queue until cancelled; then close the link."""
        clock = self._clock
        try:
            while True:
                now_us = clock.now_us()
                turn = self._next(now_us)
                self.due_us = turn.due_us
                if turn.due_us > now_us:
                    await clock.sleep_until(turn.due_us)
                else:
                    await self._read_block(turn, now_us)
        finally:
            await self._link.close()

    def _next(self, now_us: int) -> _Turn:
        """Of the panels due, the one with the earliest deadline; else the one due first."""
        best = self._turns[0]
        for turn in self._turns:
            if turn.due_us <= now_us:
                if best.due_us > now_us or turn.deadline_us < best.deadline_us:
                    best = turn
            elif turn.due_us < best.due_us:
                best = turn
        return best

    async def _read_block(self, turn: _Turn, now_us: int) -> None:
        """Make one read of a panel and take its scan one step on."""
        counters = turn.counters
        answers = turn.answers
        if not answers and not turn.attempts:
            turn.began_us = now_us
            turn.answered = False
        counters.reads += 1
        try:
            payload = await self._link.read(turn.plan[len(answers)], turn.timeout_s)
        except ReadFault as fault:
            received_us = self._clock.now_us()
            counters.failures[fault.reason] = counters.failures.get(fault.reason, 0) + 1
            counters.last_fault = str(fault)
            if fault.worth_retrying and turn.attempts < turn.retries and not turn.failures_in_row:
                turn.attempts += 1
                counters.retries += 1
                turn.deadline_us = received_us + turn.period_us  # let the other panels go first
                return
            turn.answered |= fault.is_answer
            # Of a silent panel nothing more is asked; each block needs its own answer all the same.
            unread = len(turn.plan) - len(answers) if fault.is_silence else 1
            answers += [BlockAnswer(None, fault.reason, now_us, received_us) for _ in range(unread)]
            if fault.is_silence:
                turn.answered = False
        else:
            received_us = self._clock.now_us()
            counters.round_trip_us = received_us - now_us
            answers.append(BlockAnswer(payload, "", now_us, received_us))
            turn.answered = True
        turn.attempts = 0
        if len(answers) == len(turn.plan):
            self._end_scan(turn, received_us)

    def _end_scan(self, turn: _Turn, now_us: int) -> None:
        """Hand the scan over and put the panel back on its grid, or off it while it is silent."""
        period_us = turn.period_us
        turn.counters.scans += 1
        answers, turn.answers = turn.answers, []
        passed = max(-1, (now_us - turn.grid_us) // period_us)  # -1: a try between two instants
        turn.grid_us += (passed + 1) * period_us
        if turn.answered:
            if not turn.failures_in_row:
                turn.counters.overruns += passed
            turn.failures_in_row = 0
            turn.due_us = turn.grid_us
        else:
            turn.failures_in_row += 1
            turn.due_us = now_us + self._backoff_us(turn)
        turn.deadline_us = turn.due_us + period_us
        self._on_scan(PanelScan(turn.name, turn.began_us, answers))

    def _backoff_us(self, turn: _Turn) -> int:
        """Time until a silent panel is tried again: its period, doubled each time up to the cap."""
        doubled_us = turn.period_us << min(turn.failures_in_row - 1, DOUBLINGS)
        longest_us = max(turn.period_us, min(BACKOFF_CAP_US, doubled_us))
        return round(longest_us * self._random.uniform(LEAST_JITTER, 1.0))


def _spread(panels: Mapping[str, tuple[Panel, Sequence[Read]]], now_us: int) -> list[_Turn]:
    """The panels of a link with their first scans spread, so that they do not all fall together."""
    least_s = min(panel.scan_period_s for panel, _ in panels.values())
    spread_us = min(SPREAD_US, round(least_s * MICROSECONDS))
    return [
        _Turn(name, panel, plan, now_us + place * spread_us // len(panels))
        for place, (name, (panel, plan)) in enumerate(panels.items())
    ]
