"""From the scans of one panel to changes of its points, and the loss and return of the panel.

Rules:

* An unchanged block costs one comparison of bytes. Only points whose registers moved are decoded.
* A change carries its bracket: from the request of the last read that still showed the old value to
  the reply that first showed the new one. The panel looked at its contacts somewhere in between.
* A contact counts as changed once it has held for its debounce; the bracket stays where it moved.
* Without an answer for the panel's ``silence_s`` the panel is lost, once, from its last good read
  on. A single block that fails while others answer is lost by its points, each once.
* A panel that answers while its heartbeat stands still is frozen, which is lost by another name.
* On the way back only points that differ from what was known are reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.core.decode import BlockDecoder, Decoded, PointDecoder, compile_panel
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    FROZEN,
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
UNREACHED = frozenset({"no connection", "no reply"})
# Not read since watching began, which is no finding about the panel yet.
WAITING = frozenset({NOT_YET_READ, COLLECTOR_STOPPED})


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
    lost: bool = False
    held: dict[str, _Held] = field(default_factory=dict)


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
        self._moved_us = start_us
        self._frozen_us = None if panel.frozen is None else round(panel.frozen.after_s * 1_000_000)
        self._heartbeat = (
            None
            if panel.frozen is None or panel.frozen.heartbeat is None
            else f"{name}.{panel.frozen.heartbeat.rpartition('.')[2]}"
        )
        self._failure = NOT_YET_READ
        # Readings that must be recorded at least so often, and when they last were.
        self._paced = [
            (block, decoder, decoder.longest_silence_us)
            for block in self._blocks
            for decoder in block.decoder.points
            if decoder.longest_silence_us is not None
        ]
        self._recorded_us: dict[str, int] = {}
        self._next_paced_us: int | None = None

    @property
    def last_good_us(self) -> int:
        """Plant time up to which every point not reported otherwise is known."""
        return self._last_good_us

    def take(self, scan: PanelScan) -> list[Input]:
        """Take one scan and say what it changes; nearly always nothing."""
        changed: list[tuple[_Block, BlockAnswer]] | None = None
        failed = False
        first_good_us = 0
        now_us = scan.at_us
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            now_us = answer.received_us
            if answer.payload is None:
                failed = True
                self._failure = answer.reason
                continue
            if first_good_us == 0 or answer.sent_us < first_good_us:
                first_good_us = answer.sent_us
            if answer.payload == block.payload and not block.held and not block.lost:
                block.last_good_us = answer.sent_us
            elif changed is None:
                changed = [(block, answer)]
            else:
                changed.append((block, answer))
        if not failed and changed is None and self.lost_reason is None:
            self._last_good_us = self._answered_us = first_good_us
            if self._frozen_us is None and self._next_paced_us is None:
                return []
            return self._check_stillness(now_us) or self._check_pace(now_us)
        return self._take_news(scan, changed or [], first_good_us, now_us)

    def tick(self, now_us: int) -> list[Input]:
        """Notice what only the passing of time can tell: a lost panel, a reading due."""
        return self._check_silence(now_us) or self._check_pace(now_us)

    def next_deadline_us(self) -> int | None:
        """When ``tick`` may have something to say, if no scan comes before."""
        deadlines = [self._answered_us + self._silence_us] if self._watched() else []
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
        if first_good_us == 0:
            return self._check_silence(now_us)
        self._answered_us = first_good_us
        lost_before = self.lost_reason
        moved = self._moves(changed)
        if moved:
            self._moved_us = now_us
        if lost_before is not None and not (lost_before == FROZEN and not moved):
            # Conservative: the panel is back when the last block of this scan has come in.
            self.lost_reason = None
            self._moved_us = now_us
        for block, answer in changed:
            by_us = answer.received_us if lost_before is None else now_us
            if self.lost_reason is None:
                self._take_block(block, answer, by_us, found)
        if lost_before is not None and self.lost_reason is None:
            # After the changes: what is not among them is as it was.
            found.append(PanelReturned(self.name, now_us))
        self._last_good_us = min(
            (block.last_good_us for block in self._blocks if not block.lost and block.payload),
            default=first_good_us,
        )
        for block, answer in zip(self._blocks, scan.answers, strict=True):
            if answer.payload is None:
                self._check_block(block, answer, found)
        if self.lost_reason is None:
            found += self._check_stillness(now_us)
        return found

    def _moves(self, changed: list[tuple[_Block, BlockAnswer]]) -> bool:
        """Whether the scan shows that the panel lives: its heartbeat, or anything, moved."""
        for block, answer in changed:
            if block.payload is None:
                return True
            if answer.payload is None or answer.payload == block.payload:
                continue
            if self._heartbeat is None:
                return True
            touched = block.decoder.touched(block.payload, answer.payload)
            if any(decoder.name == self._heartbeat for decoder in touched):
                return True
        return False

    def _take_block(
        self, block: _Block, answer: BlockAnswer, by_us: int, found: list[Input]
    ) -> None:
        payload = answer.payload
        assert payload is not None
        before, after_us = block.payload, block.last_good_us
        if before is None or block.lost:
            points = block.decoder.points
        elif before == payload:
            points = ()
        else:
            points = tuple(block.decoder.touched(before, payload))
        block.payload, block.lost = payload, False
        block.last_good_us = answer.sent_us
        if block.held:
            self._release_held(block, payload, by_us, found)
        for decoder in points:
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
        if (
            decoder.deadband > 0
            and known is not None
            and isinstance(known.value, float)
            and isinstance(now.value, float)
            and known.quality is now.quality
            and abs(now.value - known.value) < decoder.deadband
        ):
            return
        if known is None or known.quality is not Quality.GOOD:
            after_us = by_us
        self._reported[decoder.name] = now
        if decoder.longest_silence_us is not None:
            self._recorded_us[decoder.name] = by_us
            self._plan_pace()
        found.append(
            PointChanged(decoder.name, now.value, now.quality, now.reason, after_us, by_us)
        )

    # --- what time alone tells ------------------------------------------------------------------

    def _check_block(self, block: _Block, answer: BlockAnswer, found: list[Input]) -> None:
        """Lose a block's points if it has been failing too long while others answer."""
        if block.lost or answer.received_us - block.last_good_us < self._silence_us:
            return
        block.lost = True
        block.held.clear()
        for decoder in block.decoder.points:
            lost = Decoded(None, Quality.BAD, answer.reason)
            if self._reported.get(decoder.name) != lost:
                self._reported[decoder.name] = lost
                found.append(
                    PointChanged(
                        decoder.name,
                        None,
                        Quality.BAD,
                        answer.reason,
                        block.last_good_us,
                        answer.received_us,
                    )
                )

    def _check_silence(self, now_us: int) -> list[Input]:
        if not self._watched() or now_us - self._answered_us < self._silence_us:
            return []
        reason = AWAY if self._visits and self._failure in UNREACHED else self._failure
        return self._lose(reason, self._last_good_us, now_us)

    def _check_stillness(self, now_us: int) -> list[Input]:
        if self._frozen_us is None or now_us - self._moved_us < self._frozen_us:
            return []
        return self._lose(FROZEN, self._moved_us, now_us)

    def _watched(self) -> bool:
        return self.lost_reason is None or self.lost_reason in WAITING

    def lose(self, reason: str, now_us: int) -> list[Input]:
        """Stop knowing, for a reason of our own; the next scan brings the panel back."""
        return (
            [] if self.lost_reason is not None else self._lose(reason, self._last_good_us, now_us)
        )

    def _lose(self, reason: str, last_good_us: int, now_us: int) -> list[Input]:
        self.lost_reason = reason
        for block in self._blocks:
            block.held.clear()
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
