"""From the scans of one panel to its news: changes of its points, its loss and its return.

Rules (those of single points are in ``point_reader.py``):

* An unchanged block costs one comparison of bytes.
* Without an answer for the panel's ``silence_s`` the panel is lost, once, from its last good read
  on. A single block that fails while others answer is lost by its points, each once.
* While nothing has been read yet, it takes a scan that failed to call the panel lost: that nobody
  has asked is no finding about the panel.
* A panel that answers while its heartbeat stands still is frozen, which is lost by another name:
  known up to the read before the one that last showed it moving. A heartbeat that cannot be read
  does not stand still.
* On the way back only points that differ from what was known are reported. Points of a block that
  does not answer then are lost at once: nobody has seen them as they were.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.core.decode import Decoded
from collector.core.point_reader import Block, PointReader
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    FROZEN,
    JOURNAL_FULL,
    NOT_YET_READ,
    Input,
    PanelLost,
    PanelReturned,
)
from collector.core.scans import BlockAnswer, PanelScan, Read
from collector.plant.model import Panel

MICROSECONDS = 1_000_000
NO_REPLY = "no reply"
# Nobody is there: by ourselves, or by a gateway in the panel's stead (exception 0B, Modbus
# Application Protocol V1.1b3, section 7: the device is usually not present on the network).
UNREACHED = frozenset({"no connection", NO_REPLY, "exception 0B"})
# Not read since watching began, which is no finding about the panel yet.
WAITING = frozenset({NOT_YET_READ, COLLECTOR_STOPPED, JOURNAL_FULL})


class PanelReader:
    """Reads one panel's scans.

    Args:
        name, panel: from the plant file.
        plan: the reads whose answers the scans carry, in their order.
        start_us: plant time at which watching begins; nothing is known before.
        known: points known before a restart, so that only differences are reported; empty at first.
        known_until_us: plant time up to which those were still true.
    """

    def __init__(
        self,
        name: str,
        panel: Panel,
        plan: Sequence[Read],
        start_us: int,
        known: Mapping[str, Decoded] | None = None,
        known_until_us: int | None = None,
    ) -> None:
        self.name = name
        self.lost_reason: str | None = COLLECTOR_STOPPED if known else NOT_YET_READ
        self._visits = panel.visits
        until_us = start_us if known_until_us is None else known_until_us
        self._heartbeat = (
            None
            if panel.frozen is None or panel.frozen.heartbeat is None
            else f"{name}.{panel.frozen.heartbeat.rpartition('.')[2]}"
        )
        self._points = PointReader(name, panel, plan, known or {}, until_us, self._heartbeat)
        self._blocks = self._points.blocks
        self._heartbeat_at = next(
            (
                position
                for position, block in enumerate(self._blocks)
                if any(decoder.name == self._heartbeat for decoder in block.decoder.points)
            ),
            None,
        )
        self._silence_us = round(panel.silence_s * MICROSECONDS)
        self._last_good_us = until_us
        self._answered_us = start_us
        self._moved_us = start_us  # when it was last seen to live
        self._lived_us = until_us  # up to when its figures were surely its own
        self._frozen_us = None if panel.frozen is None else round(panel.frozen.after_s * 1_000_000)
        self._failure, self._failed_us = NO_REPLY, start_us  # of the last scan without an answer

    @property
    def last_good_us(self) -> int:
        """Plant time up to which every point not reported otherwise is known."""
        moving = [held.after_us for block in self._blocks for held in block.held.values()]
        return min([self._last_good_us, *moving])

    def take(self, scan: PanelScan) -> list[Input]:
        """Take one scan and say what it changes; nearly always nothing."""
        changed: list[tuple[Block, BlockAnswer]] | None = None
        failed = False
        first_good_us: int | None = None
        now_us = scan.at_us
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            now_us = answer.received_us
            if answer.payload is None:
                failed = block.failing = True
                continue
            if first_good_us is None or answer.sent_us < first_good_us:
                first_good_us = answer.sent_us
            if answer.payload == block.payload and not block.held and not block.fresh:
                block.last_good_us = answer.sent_us
                block.failing = False
            elif changed is None:
                changed = [(block, answer)]
            else:
                changed.append((block, answer))
        if first_good_us is None:
            self._failure, self._failed_us = scan.answers[-1].reason, now_us
            return self._check_silence(now_us, asked=True) or self._lose_aged(scan)
        if not failed and changed is None and self.lost_reason is None:
            self._last_good_us = self._answered_us = first_good_us
            if self._frozen_us is None and self._points.next_paced_us is None:
                return []
            return self._check_stillness(now_us) or self._points.check_pace(
                now_us, lost=self.lost_reason is not None
            )
        return self._take_news(scan, changed or [], first_good_us, now_us)

    def tick(self, now_us: int) -> list[Input]:
        """Notice what only the passing of time can tell: a lost panel, a reading due."""
        return self._check_silence(now_us, asked=False) or self._points.check_pace(
            now_us, lost=self.lost_reason is not None
        )

    @property
    def unsettled(self) -> bool:
        """Whether the very next scan may bring news even if it is like the last one."""
        if self.lost_reason is not None:
            return self.lost_reason in WAITING
        return any(block.held or (block.failing and not block.lost) for block in self._blocks)

    def next_news_us(self) -> int | None:
        """When scans that bring nothing new, but come in time, may yet have something to say."""
        found = [] if self._points.next_paced_us is None else [self._points.next_paced_us]
        if self._frozen_us is not None and self.lost_reason is None:
            found.append(self._moved_us + self._frozen_us)
        return min(found, default=None)

    def next_deadline_us(self) -> int | None:
        """When ``tick`` may have something to say, if no scan comes before."""
        deadlines = [self._answered_us + self._silence_us] if self.lost_reason is None else []
        if self._points.next_paced_us is not None:
            deadlines.append(self._points.next_paced_us)
        return min(deadlines, default=None)

    # --- scans that bring something -------------------------------------------------------------

    def _take_news(
        self,
        scan: PanelScan,
        changed: list[tuple[Block, BlockAnswer]],
        first_good_us: int,
        now_us: int,
    ) -> list[Input]:
        found: list[Input] = []
        self._answered_us = first_good_us
        lost_before = self.lost_reason
        moved = self._moves(scan)
        if moved:
            self._moved_us, self._lived_us = now_us, self.last_good_us
        if lost_before is not None and (moved or lost_before != FROZEN):
            # Conservative: the panel is back when the last block of this scan has come in.
            self.lost_reason = None
            self._moved_us, self._lived_us = now_us, first_good_us
        for block, answer in changed if self.lost_reason is None else ():
            by_us = answer.received_us if lost_before is None else now_us
            self._points.take_block(block, answer, by_us, found)
        if self.lost_reason is not None:
            return []
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            allowed_us = self._silence_us if lost_before is None else 0
            failed = answer.payload is None and not block.lost
            if failed and answer.received_us - block.last_good_us >= allowed_us:
                self._points.lose_block(block, answer, found)
        self._last_good_us = min(block.last_good_us for block in self._blocks if not block.lost)
        if lost_before is not None:
            # After the changes: what is not among them is as it was.
            found.append(PanelReturned(self.name, now_us))
        if self._heartbeat_at is None or scan.answers[self._heartbeat_at].payload is not None:
            found += self._check_stillness(now_us)
        return found

    def _moves(self, scan: PanelScan) -> bool:
        """Whether the scan shows that the panel lives: its heartbeat, or anything, moved.

        To be called before the scan is taken. A block seen for the first time, or again, counts as
        moved: it is not known to stand still.
        """
        for position, (block, answer) in enumerate(zip(self._blocks, scan.answers, strict=True)):
            if answer.payload is None or self._heartbeat_at not in (None, position):
                continue
            if block.payload is None or block.lost:
                return True
            if answer.payload == block.payload:
                continue
            touched = block.decoder.touched(block.payload, answer.payload)
            if self._heartbeat is None or any(point.name == self._heartbeat for point in touched):
                return True
        return False

    # --- what time alone tells ------------------------------------------------------------------

    def _check_silence(self, now_us: int, *, asked: bool) -> list[Input]:
        """Lose the panel if it has been silent too long; ``asked`` if a scan has just failed."""
        watched = self.lost_reason is None or (asked and self.lost_reason in WAITING)
        if not watched or now_us - self._answered_us < self._silence_us:
            return []
        reason = self._failure if self._failed_us > self._answered_us else NO_REPLY
        if self._visits and reason in UNREACHED:
            reason = AWAY
        return self._lose(reason, self.last_good_us, now_us)

    def _lose_aged(self, scan: PanelScan) -> list[Input]:
        """Lose blocks that had failed before a silence, and with it for too long."""
        found: list[Input] = []
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            age_us = answer.received_us - block.last_good_us
            if self.lost_reason is None and not block.lost and age_us >= self._silence_us:
                self._points.lose_block(block, answer, found)
        return found

    def _check_stillness(self, now_us: int) -> list[Input]:
        if self._frozen_us is None or now_us - self._moved_us < self._frozen_us:
            return []
        known_us = min(self._lived_us, self.last_good_us)
        for block in self._blocks:  # what it showed since proves nothing
            block.last_good_us = min(block.last_good_us, known_us)
        return self._lose(FROZEN, known_us, now_us)

    def lose(self, reason: str, now_us: int) -> list[Input]:
        """Stop knowing, for a reason of our own; the next scan brings the panel back."""
        return [] if self.lost_reason is not None else self._lose(reason, self.last_good_us, now_us)

    def _lose(self, reason: str, last_good_us: int, now_us: int) -> list[Input]:
        self.lost_reason = reason
        for block in self._blocks:
            block.last_good_us = block.known_until_us
            block.held.clear()
            block.fresh = True
        return [PanelLost(self.name, reason, last_good_us, now_us)]
