"""Scans in, journal records out: the readers of all panels and the engine, as one pure object.

Everything that is journaled of a plant comes out of here in the order it has to be committed: what
was seen first, then what follows from it. A quiet scan comes back as an empty list and has cost a
comparison of bytes for each block.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

from collector.core.alarms.actions import action_of, action_text
from collector.core.alarms.wire import alarm_of, alarm_text, state_text
from collector.core.desks import NO_RULES, Rules
from collector.core.engine import REPORT_PERIOD_US, Engine
from collector.core.panel_reader import PanelReader
from collector.core.records import (
    COLLECTOR_STOPPED,
    ActionTaken,
    AlarmMoved,
    ClockStepped,
    Derived,
    Finding,
    HeadWanted,
    Input,
    Output,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
    Record,
    RecordKind,
    ServiceMoved,
    Tick,
    Total,
)
from collector.core.scans import PanelScan, Read
from collector.plant.model import Plant

INPUT_KINDS = (
    RecordKind.POINT,
    RecordKind.PANEL_LOST,
    RecordKind.PANEL_RETURNED,
    RecordKind.CLOCK,
    RecordKind.ACTION,
)
TOLD_KINDS = (RecordKind.ALARM, RecordKind.HEAD)
REPLAYED_KINDS = (*INPUT_KINDS, *TOLD_KINDS)
UNKNOWN_STOP = "stopped for an unknown time"
# The journal finds a time by halving: what is told much later than it came true, as after a stop,
# is dated when it was told, and its bracket says since when it holds.
LATEST_TOLD_US = 60_000_000


class Pipeline:
    """One plant's way from raw scans to records.

    Args:
        plant: the plant file in force.
        plans: for each panel the reads whose answers its scans will carry.
        start_us: plant time at which this process begins to watch.
        offset_us: wall time minus plant time.
        report_period_us: how often figures that move while nothing changes are told.
        rules: of alarms and service, bound to the plant.
    """

    def __init__(
        self,
        plant: Plant,
        plans: Mapping[str, Sequence[Read]],
        start_us: int,
        offset_us: int = 0,
        report_period_us: int = REPORT_PERIOD_US,
        rules: Rules = NO_RULES,
    ) -> None:
        self.plant = plant
        self.offset_us = offset_us
        self.engine = Engine(plant, start_us, report_period_us, offset_us, rules)
        self._plans = plans
        self.readers = {
            name: PanelReader(name, panel, plans[name], start_us)
            for name, panel in plant.panels.items()
        }

    # --- after a stop ---------------------------------------------------------------------------

    def resume(
        self,
        saved: str,
        since: Iterable[Record],
        known_until_us: Mapping[str, int],
        stopped_us: int,
        now_us: int,
    ) -> tuple[list[Record], list[str]]:
        """Continue where an earlier process left off; the stop between becomes a gap.

        Args:
            saved: the newest state on record.
            since: the records of ``REPLAYED_KINDS`` after it.
            known_until_us: for each panel that answered, the plant time up to which its points
                were known.
            stopped_us: plant time of the last sign of the earlier process.
            now_us: plant time of this instant.

        Returns:
            the records that say so, and the names of components that had to start afresh.
        """
        unusable = self.engine.restore(saved)
        kept = list(since)
        inputs = (input_of(record) for record in kept if record.kind in INPUT_KINDS)
        self.engine.replay(inputs, stopped_us, now_us)
        self.engine.follow(_told(record) for record in kept if record.kind in TOLD_KINDS)
        records: list[Record] = []
        for name, panel in self.plant.panels.items():
            known = {
                point: decoded
                for point, decoded in self.engine.points.items()
                if point.partition(".")[0] == name
            }
            until_us = min(known_until_us.get(name, stopped_us), now_us)
            if known:
                self.readers[name] = PanelReader(
                    name, panel, self._plans[name], now_us, known, until_us
                )
            if known or self.engine.has_watched(name):
                records += self._take([PanelLost(name, COLLECTOR_STOPPED, until_us, now_us)])
        if self.engine.offset_us != self.offset_us:
            # The step is on record already (``step_clock``), but the state was of before it.
            step_us = self.offset_us - self.engine.offset_us
            found = self.engine.step(ClockStepped(now_us, step_us, self.offset_us, False))
            records += [self._output_record(output, now_us) for output in found]
        settled = self.engine.settle(now_us)
        records += [self._output_record(output, now_us) for output in settled]
        return records, unusable

    def save(self) -> str:
        """State from which ``resume`` continues, as JSON text."""
        return self.engine.save()

    def known_until_us(self) -> dict[str, int]:
        """For each panel that answers, the plant time up to which its points are known."""
        return {
            name: reader.last_good_us
            for name, reader in self.readers.items()
            if reader.lost_reason is None
        }

    # --- while watching -------------------------------------------------------------------------

    def take_scan(self, scan: PanelScan) -> list[Record]:
        """Take one scan of a panel."""
        found = self.readers[scan.panel].take(scan)
        return self._take(found) if found else []

    def tick(self, now_us: int) -> list[Record]:
        """Let time pass; wanted at ``next_deadline_us``."""
        records: list[Record] = []
        for reader in self.readers.values():
            records += self._take(reader.tick(now_us))
        return records + self.report(now_us)

    def report(self, now_us: int) -> list[Record]:
        """Tell the figures that move while nothing changes, if that is due."""
        if now_us < self.engine.next_deadline_us():
            return []
        return self._take([Tick(now_us, self.known_until_us())])

    def next_deadline_us(self) -> int:
        """Plant time at which ``tick`` is wanted if nothing comes before."""
        waiting = [reader.next_deadline_us() for reader in self.readers.values()]
        return min([self.engine.next_deadline_us(), *(at for at in waiting if at is not None)])

    def lose_all(self, reason: str, now_us: int) -> list[Record]:
        """Stop knowing anything, for a reason of our own; each panel's next scan ends it."""
        records: list[Record] = []
        for reader in self.readers.values():
            records += self._take(reader.lose(reason, now_us))
        return records

    def step_clock(
        self, now_us: int, step_us: int, offset_us: int, length_known: bool = True
    ) -> list[Record]:
        """The wall clock was stepped: stamps follow it, durations do not."""
        self.offset_us = offset_us
        return self._take([ClockStepped(now_us, step_us, offset_us, length_known)])

    def take_points(self, changes: Sequence[PointChanged]) -> list[Record]:
        """Take changes of the collector's own points, which no scan brings."""
        return self._take(changes)

    def refusal(self, action: ActionTaken) -> str | None:
        """Why an action would have no effect now; None if it would."""
        return self.engine.desks.alarms.refusal(action)

    def take_action(self, action: ActionTaken) -> list[Record]:
        """Take what a person did; one that was taken already comes back empty."""
        if self.engine.desks.alarms.knows(str(action.details.get("id", ""))):
            return []
        return self._take([action])

    def _take(self, found: Sequence[Input]) -> list[Record]:
        records: list[Record] = []
        for news in found:
            if not isinstance(news, Tick):
                records.append(self._input_record(news))
            records += [
                self._output_record(output, news.by_us) for output in self.engine.step(news)
            ]
        return records

    # --- records --------------------------------------------------------------------------------

    def _input_record(
        self, news: PointChanged | PanelLost | PanelReturned | ClockStepped | ActionTaken
    ) -> Record:
        utc_us = news.by_us + self.offset_us
        if isinstance(news, PointChanged):
            return Record(RecordKind.POINT, news.point, news.by_us, utc_us, news.after_us,
                          news.value, news.quality, news.reason)  # fmt: skip
        if isinstance(news, PanelLost):
            return Record(RecordKind.PANEL_LOST, news.panel, news.by_us, utc_us,
                          news.last_good_us, None, Quality.BAD, news.reason)  # fmt: skip
        if isinstance(news, PanelReturned):
            return Record(RecordKind.PANEL_RETURNED, news.panel, news.by_us, utc_us, news.by_us)
        if isinstance(news, ActionTaken):
            return Record(RecordKind.ACTION, news.about, news.by_us, utc_us, news.by_us,
                          action_text(news))  # fmt: skip
        return Record(RecordKind.CLOCK, "clock", news.by_us, utc_us, news.by_us, news.offset_us,
                      reason="" if news.length_known else UNKNOWN_STOP,
                      low=float(news.step_us))  # fmt: skip

    def _output_record(self, output: Output, told_us: int) -> Record:
        if isinstance(output, Total):
            return Record(RecordKind.TOTAL, output.subject, told_us, told_us + self.offset_us,
                          output.from_us, output.value, output.quality, output.reason,
                          output.low, output.high)  # fmt: skip
        if isinstance(output, Finding):
            return Record(RecordKind.FINDING, output.subject, output.by_us,
                          output.by_us + self.offset_us, output.after_us,
                          output.text if output.standing else None, output.quality)  # fmt: skip
        known_us = output.at_us if isinstance(output, Derived) else output.by_us
        if known_us < told_us - LATEST_TOLD_US:
            known_us = told_us
        utc_us = known_us + self.offset_us
        if isinstance(output, Derived):
            return Record(RecordKind.DERIVED, output.subject, known_us, utc_us, output.at_us,
                          output.value, output.quality, output.reason,
                          output.low, output.high)  # fmt: skip
        if isinstance(output, AlarmMoved):
            return Record(RecordKind.ALARM, output.subject, known_us, utc_us, output.after_us,
                          alarm_text(output), output.quality)  # fmt: skip
        if isinstance(output, HeadWanted):
            return Record(RecordKind.HEAD, "head", known_us, utc_us, known_us,
                          json.dumps({"day": output.day}))  # fmt: skip
        if isinstance(output, ServiceMoved):
            return Record(RecordKind.SERVICE, output.subject, known_us, utc_us, known_us,
                          state_text(output.state, output.details), output.quality)  # fmt: skip
        return Record(RecordKind.EVENT, output.subject, known_us, utc_us, output.after_us,
                      output.value, output.quality, output.reason)  # fmt: skip


def input_of(record: Record) -> Input:
    """The input that a record of one of ``INPUT_KINDS`` keeps."""
    if record.kind is RecordKind.POINT:
        return PointChanged(
            record.subject, record.value, record.quality, record.reason,
            record.after_us, record.at_us,
        )  # fmt: skip
    if record.kind is RecordKind.PANEL_LOST:
        return PanelLost(record.subject, record.reason, record.after_us, record.at_us)
    if record.kind is RecordKind.PANEL_RETURNED:
        return PanelReturned(record.subject, record.at_us)
    if record.kind is RecordKind.CLOCK:
        offset_us = record.value if isinstance(record.value, int) else 0
        return ClockStepped(
            record.at_us, int(record.low or 0), offset_us, record.reason != UNKNOWN_STOP
        )
    if record.kind is RecordKind.ACTION:
        return action_of(record.subject, record.at_us, str(record.value))
    raise ValueError(f"a {record.kind.word} record is no input")


def _told(record: Record) -> AlarmMoved | HeadWanted:
    """What was told of alarms and days, as a record keeps it."""
    if record.kind is RecordKind.ALARM:
        return alarm_of(record)
    return HeadWanted(str(json.loads(str(record.value))["day"]), record.at_us)
