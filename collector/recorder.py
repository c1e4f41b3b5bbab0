"""Where live time meets the pipeline: scans and time go in, records go to the journal.

Rules:

* A record that has come out of the pipeline is never dropped. When the journal can take no more,
  the batch in hand is kept, watching pauses, and the pause goes on record as a gap when there is
  room.
* Every commit carries the sign "still watching", so that after a power cut the gap begins there.
* The engine's state is kept now and then, always together with the records it includes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from collector.clock import MICROSECONDS, Clock
from collector.core.pipeline import Pipeline
from collector.core.records import JOURNAL_FULL, ActionTaken, PointChanged, Record
from collector.core.scans import PanelScan
from collector.core.timeline import clock_step_us
from collector.journal.items import Alive

STATE_PERIOD_US = 600 * MICROSECONDS
STATE_RECORDS = 5_000


class Sink(Protocol):
    """The journal's writer, as far as the recorder uses it."""

    def submit(
        self, records: list[Record], *, state: str | None = None, alive: Alive | None = None
    ) -> bool:
        """Queue a batch; False (and nothing taken) when there is no room for it."""
        ...


class Recorder:
    """Feeds one pipeline and commits what comes out.

    Args:
        pipeline: the plant's pipeline.
        journal: where records go.
        clock: plant and wall time.
        boot_id: identifies this run of the machine's kernel.
        alive_period_s: how often "still watching" is committed when nothing else is.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        journal: Sink,
        clock: Clock,
        boot_id: str,
        alive_period_s: float = 15.0,
    ) -> None:
        self.pipeline = pipeline
        self.paused = False
        self._journal = journal
        self._clock = clock
        self._boot_id = boot_id
        self._alive_period_us = round(alive_period_s * MICROSECONDS)
        self._waiting: list[Record] = []
        self._alive_us = 0
        self._state_us = clock.now_us()
        self._since_state = 0

    def take_scan(self, scan: PanelScan) -> None:
        """Take one scan of a panel; ignored while paused, which is a gap by then."""
        if self.paused:
            return
        records = self.pipeline.take_scan(scan)
        if records:
            self.commit(records)

    def take_points(self, changes: Sequence[PointChanged]) -> None:
        """Take changes of our own points."""
        if changes:
            self.commit(self.pipeline.take_points(changes))

    def refusal(self, action: ActionTaken) -> str | None:
        """Why an action would have no effect, as a sentence; None if it has one."""
        return self.pipeline.refusal(action)

    def take_action(self, action: ActionTaken) -> bool:
        """Put what a person did on record; False if it is on record already."""
        records = self.pipeline.take_action(action)
        if records:
            self.commit(records)
        return bool(records)

    def commit(self, records: list[Record]) -> None:
        """Hand records to the journal, or pause if it has no room."""
        now_us = self._clock.now_us()
        self._waiting += records
        if self.paused:
            return
        self._since_state += len(records)
        if not self._journal.submit(self._waiting, alive=self._alive(now_us)):
            self.paused = True
            self._waiting += self.pipeline.lose_all(JOURNAL_FULL, now_us)
            return
        self._waiting = []

    def pass_time(self) -> None:
        """Do what is due: about once a second."""
        now_us = self._clock.now_us()
        if self.paused:
            if not self._journal.submit(self._waiting, alive=self._alive(now_us)):
                return
            self._waiting, self.paused = [], False
        step_us = clock_step_us(now_us, self._clock.wall_us(), self.pipeline.offset_us)
        if step_us:
            offset_us = self.pipeline.offset_us + step_us
            self.commit(self.pipeline.step_clock(now_us, step_us, offset_us))
        if now_us >= self.pipeline.next_deadline_us():
            records = self.pipeline.tick(now_us)
            if records:
                self.commit(records)
        if now_us - self._state_us >= STATE_PERIOD_US or self._since_state >= STATE_RECORDS:
            self.keep_state()
        elif now_us - self._alive_us >= self._alive_period_us:
            self._journal.submit([], alive=self._alive(now_us))

    def keep_state(self) -> None:
        """Commit the engine's state, from which a restart continues."""
        now_us = self._clock.now_us()
        if not self.paused and self._journal.submit(
            [], state=self.pipeline.save(), alive=self._alive(now_us)
        ):
            self._state_us, self._since_state = now_us, 0

    def _alive(self, now_us: int) -> Alive:
        self._alive_us = now_us
        return Alive(
            now_us,
            self._clock.wall_us(),  # as it is read: the length of a stop is measured from it
            self._boot_id,
            self.pipeline.known_until_us(),
        )
