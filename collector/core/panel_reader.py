"""From the scans of one panel to changes of its points, and the loss and return of the panel.

Rules:

* An unchanged block costs one comparison of bytes. Only points whose registers moved are decoded.
* A change carries its bracket: from the request of the last read that still showed the old value to
  the reply that first showed the new one. The panel looked at its contacts somewhere in between.
* A contact counts as changed once it has held for its debounce; the bracket stays where it moved,
  and until then it is known only up to there. The first sight of it, at first or after a gap, needs
  no debounce: it is not known what it would have moved from.
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
from dataclasses import dataclass, field

from collector.core.decode import BlockDecoder, Decoded, PointDecoder, compile_panel
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    FROZEN,
    JOURNAL_FULL,
    NOT_YET_READ,
    Input,
    PanelLost,
    PanelReturned,
    PointChanged,
    Quality,
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


@dataclass(slots=True, eq=False)
class _Held:
    """A contact that has moved and is waiting out its debounce."""

    decoder: PointDecoder
    raw: int | float
    after_us: int
    by_us: int
    scans: int = 1


@dataclass(slots=True, eq=False)
class _Block:
    """What is remembered of one block between scans."""

    decoder: BlockDecoder
    payload: bytes | None = None
    last_good_us: int = 0
    lost: bool = False  # its points are; the panel is there
    fresh: bool = True  # not read since the beginning or a gap: all of it has to be looked at
    failing: bool = False
    held: dict[str, _Held] = field(default_factory=dict)

    @property
    def known_until_us(self) -> int:
        """Up to when all of its contacts are known: a held one only up to its move."""
        return min([self.last_good_us, *(held.after_us for held in self.held.values())])


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
        self._blocks = [
            _Block(decoder, last_good_us=until_us) for decoder in compile_panel(name, panel, plan)
        ]
        self._reported: dict[str, Decoded] = dict(known or {})
        self._silence_us = round(panel.silence_s * MICROSECONDS)
        self._last_good_us = until_us
        self._answered_us = start_us
        self._moved_us = start_us  # when it was last seen to live
        self._lived_us = until_us  # up to when its figures were surely its own
        self._frozen_us = None if panel.frozen is None else round(panel.frozen.after_s * 1_000_000)
        self._heartbeat = (
            None
            if panel.frozen is None or panel.frozen.heartbeat is None
            else f"{name}.{panel.frozen.heartbeat.rpartition('.')[2]}"
        )
        self._heartbeat_at = next(
            (
                position
                for position, block in enumerate(self._blocks)
                if any(decoder.name == self._heartbeat for decoder in block.decoder.points)
            ),
            None,
        )
        self._failure, self._failed_us = NO_REPLY, start_us  # of the last scan without an answer
        # Readings that must be recorded at least so often, and when they last were.
        self._paced = [
            (block, decoder, decoder.longest_silence_us)
            for block in self._blocks
            for decoder in block.decoder.points
            if decoder.longest_silence_us is not None
        ]
        self._recorded_us = {
            decoder.name: until_us
            for _, decoder, _ in self._paced
            if decoder.name in self._reported
        }
        self._next_paced_us: int | None = None
        self._plan_pace()

    @property
    def last_good_us(self) -> int:
        """Plant time up to which every point not reported otherwise is known."""
        moving = [held.after_us for block in self._blocks for held in block.held.values()]
        return min([self._last_good_us, *moving])

    def take(self, scan: PanelScan) -> list[Input]:
        """Take one scan and say what it changes; nearly always nothing."""
        changed: list[tuple[_Block, BlockAnswer]] | None = None
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
            return self._check_silence(now_us, asked=True)
        if not failed and changed is None and self.lost_reason is None:
            self._last_good_us = self._answered_us = first_good_us
            if self._frozen_us is None and self._next_paced_us is None:
                return []
            return self._check_stillness(now_us) or self._check_pace(now_us)
        return self._take_news(scan, changed or [], first_good_us, now_us)

    def tick(self, now_us: int) -> list[Input]:
        """Notice what only the passing of time can tell: a lost panel, a reading due."""
        return self._check_silence(now_us, asked=False) or self._check_pace(now_us)

    @property
    def unsettled(self) -> bool:
        """Whether the very next scan may bring news even if it is like the last one."""
        if self.lost_reason is not None:
            return self.lost_reason in WAITING
        return any(block.held or (block.failing and not block.lost) for block in self._blocks)

    def next_news_us(self) -> int | None:
        """When scans that bring nothing new, but come in time, may yet have something to say."""
        found = [] if self._next_paced_us is None else [self._next_paced_us]
        if self._frozen_us is not None and self.lost_reason is None:
            found.append(self._moved_us + self._frozen_us)
        return min(found, default=None)

    def next_deadline_us(self) -> int | None:
        """When ``tick`` may have something to say, if no scan comes before."""
        deadlines = [self._answered_us + self._silence_us] if self.lost_reason is None else []
        if self._next_paced_us is not None:
            deadlines.append(self._next_paced_us)
        return min(deadlines, default=None)

    # --- scans that bring something -------------------------------------------------------------

    def _take_news(
        self,
        scan: PanelScan,
        changed: list[tuple[_Block, BlockAnswer]],
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
            self._take_block(block, answer, by_us, found)
        if self.lost_reason is not None:
            return []
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            if answer.payload is None:
                allowed_us = self._silence_us if lost_before is None else 0
                self._check_block(block, answer, allowed_us, found)
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

    def _take_block(
        self, block: _Block, answer: BlockAnswer, by_us: int, found: list[Input]
    ) -> None:
        payload = answer.payload
        assert payload is not None
        before, after_us, fresh = block.payload, block.last_good_us, block.fresh
        if before is None or fresh:
            points = block.decoder.points
        elif before == payload:
            points = ()
        else:
            points = tuple(block.decoder.touched(before, payload))
        block.payload = payload
        block.lost = block.fresh = block.failing = False
        block.last_good_us = answer.sent_us
        if block.held:
            self._release_held(block, payload, by_us, found)
        for decoder in points:
            if fresh:
                self._report(decoder, decoder.decode(payload), after_us, by_us, found)
            else:
                self._take_point(block, decoder, payload, after_us, by_us, found)

    def _take_point(
        self,
        block: _Block,
        decoder: PointDecoder,
        payload: bytes,
        after_us: int,
        by_us: int,
        found: list[Input],
    ) -> None:
        raw = decoder.raw(payload)
        known = self._reported.get(decoder.name)
        debounced = decoder.debounce_scans > 1 or decoder.debounce_us > 0
        now = decoder.meaning(raw)
        if debounced and known is not None and known.quality is Quality.GOOD:
            if now == known:
                block.held.pop(decoder.name, None)
            elif decoder.name not in block.held:
                block.held[decoder.name] = _Held(decoder, raw, after_us, by_us)
            return
        self._report(decoder, now, after_us, by_us, found)

    def _release_held(self, block: _Block, payload: bytes, now_us: int, found: list[Input]) -> None:
        for name, held in list(block.held.items()):
            if held.decoder.raw(payload) != held.raw:
                del block.held[name]
                continue
            held.scans += 1
            if (
                held.scans >= held.decoder.debounce_scans
                and now_us - held.by_us >= held.decoder.debounce_us
            ):
                del block.held[name]
                now = held.decoder.meaning(held.raw)
                self._report(held.decoder, now, held.after_us, held.by_us, found)

    def _report(
        self, decoder: PointDecoder, now: Decoded, after_us: int, by_us: int, found: list[Input]
    ) -> None:
        known = self._reported.get(decoder.name)
        if known == now:
            return
        if decoder.name == self._heartbeat and known is not None and known.quality is now.quality:
            return  # it only has to move; its figures are no news
        if (
            decoder.deadband > 0
            and known is not None
            and isinstance(known.value, float)
            and isinstance(now.value, float)
            and known.quality is now.quality
            and abs(now.value - known.value) < decoder.deadband
        ):
            return
        if known is None or known.quality is Quality.BAD:
            after_us = by_us
        self._reported[decoder.name] = now
        if decoder.longest_silence_us is not None:
            self._recorded_us[decoder.name] = by_us
            self._plan_pace()
        found.append(
            PointChanged(decoder.name, now.value, now.quality, now.reason, after_us, by_us)
        )

    # --- what time alone tells ------------------------------------------------------------------

    def _check_block(
        self, block: _Block, answer: BlockAnswer, allowed_us: int, found: list[Input]
    ) -> None:
        """Lose a block's points if it has been failing too long while others answer."""
        if block.lost or answer.received_us - block.last_good_us < allowed_us:
            return
        block.lost = block.fresh = True
        lost = Decoded(None, Quality.BAD, answer.reason)
        for decoder in block.decoder.points:
            if self._reported.get(decoder.name) == lost:
                continue
            self._reported[decoder.name] = lost
            held = block.held.get(decoder.name)
            after_us = block.last_good_us if held is None else held.after_us
            found.append(
                PointChanged(
                    decoder.name, None, Quality.BAD, answer.reason, after_us, answer.received_us
                )
            )
        block.held.clear()

    def _check_silence(self, now_us: int, *, asked: bool) -> list[Input]:
        """Lose the panel if it has been silent too long; ``asked`` if a scan has just failed."""
        watched = self.lost_reason is None or (asked and self.lost_reason in WAITING)
        if not watched or now_us - self._answered_us < self._silence_us:
            return []
        reason = self._failure if self._failed_us > self._answered_us else NO_REPLY
        if self._visits and reason in UNREACHED:
            reason = AWAY
        return self._lose(reason, self.last_good_us, now_us)

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

    def _check_pace(self, now_us: int) -> list[Input]:
        """Record again the readings that have been silent for too long."""
        if self._next_paced_us is None or now_us < self._next_paced_us:
            return []
        found: list[Input] = []
        for block, decoder, longest_us in self._paced:
            recorded_us = self._recorded_us.get(decoder.name)
            if recorded_us is None or now_us - recorded_us < longest_us:
                continue
            self._recorded_us[decoder.name] = now_us
            if self.lost_reason is None and not block.lost and block.payload is not None:
                now = decoder.decode(block.payload)
                self._reported[decoder.name] = now
                found.append(
                    PointChanged(
                        decoder.name,
                        now.value,
                        now.quality,
                        now.reason,
                        block.last_good_us,
                        block.last_good_us,
                    )
                )
        self._plan_pace()
        return found

    def _plan_pace(self) -> None:
        self._next_paced_us = min(
            (
                self._recorded_us[decoder.name] + longest_us
                for _, decoder, longest_us in self._paced
                if decoder.name in self._recorded_us
            ),
            default=None,
        )
