"""Where live time meets the pipeline: nothing is dropped, clock steps are told, durations hold.

A contact's run time is known here by construction: the test itself makes and breaks it. Calendar
instants are checked with Python's ``datetime``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.core.pipeline import Pipeline
from collector.core.records import JOURNAL_FULL, Record, RecordKind
from collector.core.scans import BlockAnswer, PanelScan
from collector.journal import Journal, JournalReader
from collector.journal.items import Alive
from collector.links.planning import plan_panel
from collector.recorder import STATE_PERIOD_US, STATE_RECORDS, Recorder, Sink
from tests.unit.core.scans_for_tests import INPUT, Image, a_plant

S = 1_000_000
START_US = 1_795_600_000 * S
LATENCY_US = 10_000
PLANT = a_plant(
    {"p": {"points": {"run": {"table": "discrete-input", "address": 0}}}},
    {"mixer": {"kind": "mixer", "run": "p.run"}},
)
PLANS = {"p": plan_panel(PLANT.panels["p"])}


class HandClock:
    """Plant time and wall time as the test sets them."""

    def __init__(self) -> None:
        self.at_us = START_US
        self.wall_ahead_us = 0

    def now_us(self) -> int:
        return self.at_us

    def wall_us(self) -> int:
        return self.at_us + self.wall_ahead_us

    async def sleep_until(self, at_us: int) -> None:
        raise AssertionError("nothing waits here")


@dataclass
class PaperJournal:
    """Takes what it is given while it has room, and remembers it."""

    room: bool = True
    refusals: int = 0
    records: list[Record] = field(default_factory=list)
    states: list[str] = field(default_factory=list)
    signs: list[Alive] = field(default_factory=list)

    def submit(
        self, records: list[Record], *, state: str | None = None, alive: Alive | None = None
    ) -> bool:
        """As the journal's writer does."""
        if not self.room:
            self.refusals += 1
            return False
        self.records += records
        self.states += [] if state is None else [state]
        self.signs += [] if alive is None else [alive]
        return True


class Watch:
    """A recorder, its clock, and a panel whose one contact runs a mixer; scanned once a second."""

    def __init__(self, journal: Sink, alive_period_s: float = 15.0) -> None:
        self.clock = HandClock()
        self.image = Image()
        self.recorder = Recorder(
            Pipeline(PLANT, PLANS, START_US), journal, self.clock, "boot", alive_period_s
        )

    def scan(self) -> None:
        """One scan, now."""
        now_us = self.clock.at_us
        answers = [
            BlockAnswer(self.image.payload(read), "", now_us, now_us + LATENCY_US)
            for read in PLANS["p"]
        ]
        self.clock.at_us += LATENCY_US
        self.recorder.take_scan(PanelScan("p", now_us, answers))

    def go_on(self, seconds: int, *, scanning: bool = True) -> None:
        """Let seconds pass, each with its scan and its housekeeping."""
        for _ in range(seconds):
            next_us = self.clock.at_us - self.clock.at_us % S + S
            if scanning:
                self.scan()
            self.recorder.pass_time()
            self.clock.at_us = next_us

    def is_paused(self) -> bool:
        """Whether the recorder has paused the watch."""
        return self.recorder.paused

    def run_mixer(self, *, running: bool) -> None:
        """The contact moves now."""
        self.image.put(INPUT, 0, int(running))


def of_kind(records: list[Record], kind: RecordKind) -> list[Record]:
    """Records of one kind."""
    return [record for record in records if record.kind is kind]


def newest(records: list[Record], subject: str) -> Record:
    """The last record of a subject."""
    return [record for record in records if record.subject == subject][-1]


# --- what is committed ----------------------------------------------------------------------------


def test_a_quiet_scan_commits_nothing() -> None:
    """Only the first scan has something to say."""
    journal = PaperJournal()
    watch = Watch(journal)
    watch.scan()
    first = len(journal.records)
    for _ in range(10):
        watch.scan()
    assert first > 0
    assert len(journal.records) == first


def test_a_sign_of_life_is_committed_once_a_period_and_with_every_record() -> None:
    """After a power cut the gap begins at the last sign, so it says what was known until when."""
    journal = PaperJournal()
    watch = Watch(journal, alive_period_s=15.0)
    watch.go_on(61)
    assert [(sign.at_us - journal.signs[0].at_us) // S for sign in journal.signs] == [
        0, 15, 30, 45, 60,
    ]  # fmt: skip
    before = len(journal.signs)
    watch.run_mixer(running=True)
    watch.go_on(1)
    sign = journal.signs[-1]
    assert len(journal.signs) == before + 1
    assert sign.panels["p"] == START_US + 61 * S  # asked then, answered later
    assert sign.boot_id == "boot"


def test_the_state_is_kept_every_ten_minutes_and_after_many_records() -> None:
    """A restart replays a bounded number of records."""
    journal = PaperJournal()
    watch = Watch(journal)
    watch.go_on(STATE_PERIOD_US // S - 1)
    assert journal.states == []
    watch.go_on(3)
    assert len(journal.states) == 1
    record = Record(RecordKind.EVENT, "mixer.tested", START_US, START_US, START_US)
    watch.recorder.commit([record] * STATE_RECORDS)
    watch.recorder.pass_time()
    assert len(journal.states) == 2


def test_a_silent_panel_is_lost_without_a_scan() -> None:
    """Silence is an input too: time alone brings the loss, once."""
    journal = PaperJournal()
    watch = Watch(journal)
    watch.go_on(5)
    watch.go_on(30, scanning=False)
    (lost,) = of_kind(journal.records, RecordKind.PANEL_LOST)
    assert lost.after_us == START_US + 4 * S


# --- a journal that can take no more --------------------------------------------------------------


def test_a_full_journal_pauses_the_watch_and_the_pause_is_a_gap() -> None:
    """What came out before the pause is kept and goes first; what happens meanwhile is unknown.

    The mixer starts at 10 s. The journal is full from 20 s to 50 s, and the mixer stops at 20 s and
    starts again at 40 s: neither is seen, and the 30 s count as unknown.
    """
    journal = PaperJournal()
    watch = Watch(journal)
    watch.go_on(10)
    watch.run_mixer(running=True)
    watch.go_on(10)
    before = len(journal.records)
    journal.room = False
    watch.run_mixer(running=False)
    watch.go_on(20)
    watch.run_mixer(running=True)
    watch.go_on(10)
    assert watch.is_paused()
    assert journal.refusals > 1
    assert len(journal.records) == before

    journal.room = True
    watch.go_on(10)
    assert not watch.is_paused()
    later = journal.records[before:]
    words = [(record.kind.word, record.subject, record.value) for record in later]
    assert words[0] == ("point", "p.run", False)  # the batch that was in hand
    (lost,) = of_kind(later, RecordKind.PANEL_LOST)
    (back,) = of_kind(later, RecordKind.PANEL_RETURNED)
    assert lost.reason == JOURNAL_FULL
    assert lost.after_us == START_US + 20 * S
    assert back.at_us == START_US + 51 * S + LATENCY_US
    instants = [record.at_us for record in journal.records]
    assert instants == sorted(instants)

    watch.run_mixer(running=False)
    watch.go_on(2)
    hours = newest(journal.records, "mixer.run_hours")
    unknown = newest(journal.records, "mixer.run_hours_unknown")
    gap_s = (back.at_us - lost.after_us) / 1e6
    assert unknown.value == pytest.approx(gap_s, abs=LATENCY_US / 1e6)  # and before the first reply
    assert isinstance(hours.value, float)
    # 10 s before the pause and 10 s from its end to the last stop, each to half a scan.
    assert hours.value == pytest.approx(19.0, abs=1.1)
    assert hours.low is not None
    assert hours.high is not None
    assert hours.low <= 10 + 10 + 10 <= hours.high  # true: 10 s, 10 s unseen, 10 s


def test_no_state_and_no_record_goes_past_a_batch_that_waits() -> None:
    """Records on the disk are in the order in which they came out."""
    journal = PaperJournal()
    watch = Watch(journal)
    watch.go_on(2)
    journal.room = False
    watch.run_mixer(running=True)
    watch.go_on(1)
    journal.room = True
    states, records = len(journal.states), len(journal.records)
    watch.recorder.keep_state()
    note = Record(RecordKind.COLLECTOR, "collector.stopped", watch.clock.at_us, 0, 0)
    watch.recorder.commit([note])
    assert (len(journal.states), len(journal.records)) == (states, records)
    watch.recorder.pass_time()
    assert journal.records[records].subject == "p.run"
    assert journal.records[-1] == note


# --- a wall clock that is stepped -----------------------------------------------------------------

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
STEPS = {
    "an hour ahead": timedelta(hours=1),
    "an hour back": timedelta(hours=-1),
    "50 years ahead": timedelta(days=18_262),
    "50 years back": timedelta(days=-18_262),
}


@pytest.mark.parametrize("step", STEPS.values(), ids=list(STEPS))
def test_a_step_of_the_wall_clock_moves_stamps_and_no_duration(
    step: timedelta, tmp_path: Path
) -> None:
    """One record says so; run time is as without it; stamps before and after are as people saw.

    Through a real journal. The mixer runs from 10 s to 40 s and the clock is stepped at 20 s.
    """
    step_us = step // timedelta(microseconds=1)
    path = tmp_path / "journal"
    with Journal.open(path, wall_us=lambda: START_US, commit_period_s=0.0) as journal:
        watch = Watch(journal)
        watch.go_on(10)
        watch.run_mixer(running=True)
        watch.go_on(10)
        watch.clock.wall_ahead_us = step_us
        watch.go_on(20)
        watch.run_mixer(running=False)
        watch.go_on(10)
        journal.flush()
    with JournalReader(path) as reader:
        records = reader.records_after(0, 1000)
    (told,) = of_kind(records, RecordKind.CLOCK)
    assert told.low == step_us
    assert told.value == step_us  # wall time minus plant time from now on
    assert START_US + 20 * S <= told.at_us <= START_US + 21 * S
    for record in records:
        ahead_us = step_us if record.sequence >= told.sequence else 0
        assert record.utc_us == record.at_us + ahead_us, record
    stopped = newest(records, "mixer.stopped")
    assert stopped.value == pytest.approx(30.0, abs=0.02)
    hours = newest(records, "mixer.run_hours")
    assert hours.value == pytest.approx(30.0, abs=0.02)
    assert hours.low is not None
    assert hours.high is not None
    assert (
        hours.high - hours.low < 2 * 1.03
    )  # two brackets of 1.01 s, and no unknown time to speak of
    seen = EPOCH + timedelta(microseconds=stopped.utc_us)
    truly = EPOCH + timedelta(microseconds=START_US) + timedelta(seconds=40.01) + step
    assert abs(seen - truly) < timedelta(seconds=0.1)


def test_a_clock_stepped_there_and_back_is_told_twice() -> None:
    """Each step by its own length, and afterwards the stamps are as at the start."""
    journal = PaperJournal()
    watch = Watch(journal)
    for ahead_us in (0, 3600 * S, 0):
        watch.clock.wall_ahead_us = ahead_us
        watch.go_on(5)
    told = of_kind(journal.records, RecordKind.CLOCK)
    assert [record.low for record in told] == [3600.0 * S, -3600.0 * S]
    watch.run_mixer(running=True)
    watch.go_on(1)
    assert journal.records[-1].utc_us == journal.records[-1].at_us


def test_a_clock_that_creeps_is_told_once_it_is_off_by_half_a_second() -> None:
    """Small differences add up; they are not forgotten because each one is small."""
    journal = PaperJournal()
    watch = Watch(journal)
    for _ in range(12):
        watch.clock.wall_ahead_us += 50_000
        watch.go_on(1)
    (told,) = of_kind(journal.records, RecordKind.CLOCK)
    assert told.low == 500_000


def test_a_step_while_the_journal_is_full_is_told_when_there_is_room() -> None:
    """It does not get lost in the pause."""
    journal = PaperJournal()
    watch = Watch(journal)
    watch.go_on(2)
    journal.room = False
    watch.run_mixer(running=True)
    watch.go_on(2)
    watch.clock.wall_ahead_us = -3600 * S
    watch.go_on(2)
    journal.room = True
    watch.go_on(2)
    (told,) = of_kind(journal.records, RecordKind.CLOCK)
    assert told.low == -3600.0 * S
