"""The queue of a link on a virtual clock: grid, order, retries, silent panels."""

from __future__ import annotations

import asyncio
import itertools
from collections import Counter
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from random import Random

import pytest

from collector.core.scans import PanelScan, Read
from collector.errors import Bug
from collector.links.faults import (
    ConnectionLost,
    ExceptionReply,
    MalformedReply,
    NoConnection,
    NoReply,
    ReadFault,
)
from collector.links.poller import BACKOFF_CAP_US, Bus
from collector.plant.model import Panel, Point
from tests.unit.links.virtual_clock import START_US, VirtualClock

TIMEOUT_S = 0.5
ROUND_TRIP_S = 0.01

Behaviour = Callable[[Read], ReadFault | float | None]
"""What a unit does: None answers after the usual time, a figure after that many s, or a fault."""


class ScriptedLink:
    """A link whose units behave as scripted, on the virtual clock."""

    def __init__(self, clock: VirtualClock, units: Mapping[int, Behaviour]) -> None:
        self.units = dict(units)
        self.asked: list[tuple[int, Read]] = []
        self.closed = 0
        self._clock = clock
        self._busy = False

    async def read(self, request: Read, timeout_s: float) -> bytes:
        """Answer as scripted; silence takes the timeout."""
        assert not self._busy, "two reads at once"
        self._busy = True
        try:
            self.asked.append((self._clock.now_us() - START_US, request))
            does = self.units[request.unit](request)
            if isinstance(does, NoReply):
                takes_s = timeout_s
            else:
                takes_s = does if isinstance(does, float) else ROUND_TRIP_S
            await self._clock.sleep_until(self._clock.now_us() + round(1e6 * takes_s))
            if isinstance(does, ReadFault):
                raise does
            return bytes([request.unit]) * request.payload_length
        finally:
            self._busy = False

    async def close(self) -> None:
        """Count it."""
        self.closed += 1

    def times_s(self, unit: int) -> list[float]:
        """When a unit was asked, s from the start."""
        return [at_us / 1e6 for at_us, read in self.asked if read.unit == unit]


def answers(_: Read) -> None:
    """A unit in good health."""


def silent(_: Read) -> NoReply:
    """A dead one."""
    return NoReply()


class Polling:
    """A bus under test with what it reported."""

    def __init__(
        self,
        units: Mapping[int, Behaviour],
        *,
        periods_s: Mapping[int, float] | None = None,
        blocks: int = 1,
        retries: int = 1,
    ) -> None:
        self.clock = VirtualClock()
        self.link = ScriptedLink(self.clock, units)
        self.scans: list[PanelScan] = []
        panels = {}
        for unit in units:
            panel = Panel(
                link="bus",
                unit_identifier=unit,
                scan_period_s=(periods_s or {}).get(unit, 1.0),
                reply_timeout_s=TIMEOUT_S,
                retries=retries,
                points={"a": Point(table="coil", address=0)},
            )
            plan = [Read(unit, 3, 100 * block, 10) for block in range(blocks)]
            panels[f"unit_{unit}"] = (panel, plan)
        self.bus = Bus(self.link, panels, self.clock, self.scans.append, Random(7))

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Run the bus meanwhile."""
        task = asyncio.create_task(self.bus.run())
        yield
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    async def run_s(self, seconds: float) -> None:
        """Run it that long."""
        async with self.running():
            await self.clock.pass_s(seconds)

    def scans_of(self, unit: int) -> list[PanelScan]:
        """The scans of one panel."""
        return [scan for scan in self.scans if scan.panel == f"unit_{unit}"]

    def reasons(self, unit: int) -> list[list[str]]:
        """What each answer of each scan carries as its reason."""
        return [[answer.reason for answer in scan.answers] for scan in self.scans_of(unit)]


async def test_scan_instants_do_not_drift_however_long_a_read_takes() -> None:
    """Scan k begins at first + k periods exactly, whatever the round trips were."""
    jitter = Random(1)
    polling = Polling({1: lambda _: jitter.uniform(0.001, 0.9)})
    await polling.run_s(1000)
    assert [scan.at_us - START_US for scan in polling.scans] == [
        1_000_000 * k for k in range(len(polling.scans))
    ]
    assert len(polling.scans) == 1000
    assert polling.bus.counters["unit_1"].overruns == 0


async def test_an_answer_carries_the_instants_of_its_own_request_and_reply() -> None:
    """Each block has its own bracket within the scan."""
    polling = Polling({1: lambda read: 0.1 if read.start else 0.2}, blocks=2)
    await polling.run_s(0.9)
    (scan,) = polling.scans
    times_us = [(a.sent_us - START_US, a.received_us - START_US) for a in scan.answers]
    assert times_us == [(0, 200_000), (200_000, 300_000)]
    assert polling.bus.counters["unit_1"].round_trip_us == 100_000


async def test_instants_that_pass_during_a_scan_are_counted_and_skipped() -> None:
    """Scans of 2.5 periods: every third instant is scanned, two are counted, none pile up."""
    polling = Polling({1: lambda _: 2.5}, retries=0)
    await polling.run_s(30)
    assert [scan.at_us - START_US for scan in polling.scans] == [3_000_000 * k for k in range(10)]
    assert polling.bus.counters["unit_1"].overruns == 20


async def test_first_scans_are_spread_over_a_second() -> None:
    """Four panels of one link begin a quarter of a second apart and stay so."""
    polling = Polling(dict.fromkeys((1, 2, 3, 4), answers))
    await polling.run_s(1.9)
    assert [polling.link.times_s(unit) for unit in (1, 2, 3, 4)] == [
        [0.0, 1.0], [0.25, 1.25], [0.5, 1.5], [0.75, 1.75]
    ]  # fmt: skip


async def test_of_the_panels_due_the_one_with_the_earliest_deadline_is_read_first() -> None:
    """While a long scan runs, the quick panel gets its turn between two blocks."""
    polling = Polling(
        {1: lambda _: 0.3, 2: answers}, periods_s={1: 10.0, 2: 0.5}, blocks=4, retries=0
    )
    await polling.run_s(9)
    assert polling.bus.counters["unit_2"].overruns == 0
    assert all(reasons == [""] * 4 for reasons in polling.reasons(2))


async def test_a_read_without_a_reply_is_repeated_as_often_as_the_panel_says() -> None:
    """Two retries: the third attempt answers, and the scan is whole."""
    left = [2]

    def third_time(_: Read) -> ReadFault | None:
        left[0] -= 1
        return NoReply() if left[0] >= 0 else None

    polling = Polling({1: third_time}, retries=2, periods_s={1: 5.0})
    await polling.run_s(3)
    assert polling.reasons(1) == [[""]]
    counters = polling.bus.counters["unit_1"]
    assert (counters.retries, counters.reads, counters.failures) == (2, 3, {"no reply": 2})


@pytest.mark.parametrize(
    ("fault", "reads"),
    [
        (ExceptionReply(2), 1),
        (NoConnection("refused"), 1),
        (ConnectionLost("closed"), 2),
        (MalformedReply("short"), 2),
        (NoReply(), 2),
    ],
)
async def test_only_what_may_go_better_is_repeated(fault: ReadFault, reads: int) -> None:
    """A refusal will be the same a moment later; a lost or damaged reply may not."""
    polling = Polling({1: lambda _: fault}, periods_s={1: 10.0})
    await polling.run_s(5)
    assert polling.bus.counters["unit_1"].reads == reads
    assert polling.bus.counters["unit_1"].last_fault == str(fault)


async def test_an_exception_to_one_block_leaves_the_other_blocks_and_the_grid_alone() -> None:
    """The panel answers, so it is asked on."""
    polling = Polling({1: lambda read: ExceptionReply(2) if read.start == 100 else None}, blocks=3)
    await polling.run_s(5)
    assert polling.reasons(1) == [["", "exception 02", ""]] * 5


async def test_a_malformed_reply_to_one_block_leaves_the_other_blocks_alone() -> None:
    """Something answers; only the bad block is without a value."""
    polling = Polling({1: lambda read: MalformedReply("x") if read.start else None}, blocks=2)
    await polling.run_s(3)
    assert polling.reasons(1) == [["", "malformed reply"]] * 3


async def test_a_silent_panel_is_not_asked_for_its_other_blocks() -> None:
    """The blocks behind the first silent one carry the same reason, unasked."""
    polling = Polling(
        {1: lambda read: NoReply() if read.start == 100 else None}, blocks=4, retries=0
    )
    await polling.run_s(1)
    assert polling.reasons(1) == [["", "no reply", "no reply", "no reply"]]
    assert [read.start for _, read in polling.link.asked] == [0, 100]


async def test_a_silent_panel_is_tried_at_growing_intervals_up_to_five_seconds() -> None:
    """From one period to 5 s, each a little early by chance, and never without a retry's delay."""
    polling = Polling({1: silent})
    await polling.run_s(120)
    tries = polling.link.times_s(1)[1:]  # the first scan makes two attempts
    gaps = [round(b - a - TIMEOUT_S, 6) for a, b in itertools.pairwise(tries)]
    assert all(0.8 * x <= gap <= x for gap, x in zip(gaps, (1.0, 2.0, 4.0), strict=False))
    assert all(4.0 <= gap <= BACKOFF_CAP_US / 1e6 for gap in gaps[3:])
    assert len(set(gaps)) == len(gaps)


async def test_a_rarely_scanned_panel_is_not_tried_more_often_when_silent() -> None:
    """A panel read each minute is tried each minute: its radio or battery is not ours to drain."""
    polling = Polling({1: silent}, periods_s={1: 60.0}, retries=0)
    await polling.run_s(600)
    assert 10 <= len(polling.link.asked) <= 13


async def test_a_gateway_that_reports_a_silent_panel_is_not_asked_for_its_other_blocks() -> None:
    """Exceptions 0A and 0B speak of the panel behind (Application Protocol V1.1b3, section 7)."""
    for code in (0x0A, 0x0B):
        polling = Polling({1: lambda _: ExceptionReply(code)}, blocks=3)  # noqa: B023
        await polling.run_s(60)
        assert set(map(tuple, polling.reasons(1))) == {(f"exception {code:02X}",) * 3}
        assert len(polling.link.asked) < 20


async def test_a_panel_that_returns_is_scanned_whole_at_once_and_is_back_on_its_grid() -> None:
    """The try that is answered goes on as a full scan; the next comes at a grid instant."""
    polling = Polling({1: silent}, blocks=3)
    async with polling.running():
        await polling.clock.pass_s(30)
        polling.link.units[1] = answers
        returned_us = polling.clock.now_us()
        await polling.clock.pass_s(10)
    good = [scan for scan in polling.scans if all(a.payload for a in scan.answers)]
    assert good[0].at_us - returned_us <= BACKOFF_CAP_US
    assert {(scan.at_us - START_US) % 1_000_000 for scan in good[1:]} == {0}
    assert good[1].at_us - good[0].at_us < 1_000_000
    assert polling.bus.counters["unit_1"].overruns == 0


async def test_a_panel_that_falls_silent_in_the_middle_keeps_the_answers_before() -> None:
    """What was read before it fell silent is true; the rest is not known."""
    calls = Counter[int]()

    def dies(read: Read) -> ReadFault | None:
        calls[read.unit] += 1
        return NoReply() if calls[read.unit] > 4 else None

    polling = Polling({1: dies}, blocks=3, retries=0)
    await polling.run_s(2)
    assert polling.reasons(1) == [["", "", ""], ["", "no reply", "no reply"]]


async def test_one_dead_panel_costs_the_others_at_most_one_timeout_each_interval() -> None:
    """Three live panels beside a dead one: no scan is skipped, none is later than one timeout."""
    polling = Polling({1: silent, 2: answers, 3: answers, 4: answers}, blocks=2, retries=3)
    await polling.run_s(300)
    for unit in (2, 3, 4):
        scans = polling.scans_of(unit)
        assert len(scans) == 300
        phase_us = (unit - 1) * 250_000
        late_us = [scan.at_us - START_US - phase_us - k * 1_000_000 for k, scan in enumerate(scans)]
        assert max(late_us) <= TIMEOUT_S * 1e6 + 4 * ROUND_TRIP_S * 1e6
        delayed = sum(late > 4 * ROUND_TRIP_S * 1e6 for late in late_us)
        assert delayed <= len(polling.link.times_s(1))
        assert polling.bus.counters[f"unit_{unit}"].overruns == 0
    assert len(polling.link.times_s(1)) <= 4 + 300 / 4


async def test_panels_on_other_links_do_not_notice_a_dead_one_at_all() -> None:
    """Each link has its own task: the live panel's instants are exact to the microsecond."""
    clock = VirtualClock()
    scans: list[PanelScan] = []
    tasks = []
    for unit, behaviour in ((1, silent), (2, answers)):
        panel = Panel(
            link="x",
            unit_identifier=unit,
            reply_timeout_s=10.0,
            points={"a": Point(table="coil", address=0)},
        )
        link = ScriptedLink(clock, {unit: behaviour})
        panels = {f"unit_{unit}": (panel, [Read(unit, 1, 0, 1)])}
        bus = Bus(link, panels, clock, scans.append, Random(3))
        tasks.append(asyncio.create_task(bus.run()))
    await clock.pass_s(100)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    live = [scan.at_us - START_US for scan in scans if scan.panel == "unit_2"]
    assert live == [1_000_000 * k for k in range(100)]


async def test_a_stop_closes_the_link_and_a_bug_is_not_swallowed() -> None:
    """Cancelled or failed, the line is given up; only faults of reading are part of the job."""
    polling = Polling({1: answers})
    await polling.run_s(1)
    assert polling.link.closed == 1

    def breaks(_: Read) -> ReadFault | None:
        raise Bug("refused to send")

    broken = Polling({1: breaks})
    with pytest.raises(Bug):
        await broken.bus.run()
    assert broken.link.closed == 1


async def test_the_bus_tells_when_it_means_to_act_next() -> None:
    """In health never long ago, so that a watchdog can tell a hang from a long period."""
    polling = Polling({1: answers}, periods_s={1: 60.0})
    async with polling.running():
        await polling.clock.pass_s(30)
        assert polling.bus.due_us == START_US + 60_000_000
