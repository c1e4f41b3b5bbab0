"""From the blocks of one panel to changes of its points.

Rules:

* Only points whose registers moved are decoded.
* A change carries its bracket: from the request of the last read that still showed the old value to
  the reply that first showed the new one. The panel looked at its contacts somewhere in between.
* A contact counts as changed once it has held for its debounce; the bracket stays where it moved,
  and until then it is known only up to there. The first sight of it, at first or after a gap, needs
  no debounce: it is not known what it would have moved from.
* A reading that stays within its deadband is recorded again after its longest silence.
* Only what differs from what was reported is reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.core.decode import BlockDecoder, Decoded, PointDecoder, compile_panel
from collector.core.records import Input, PointChanged, Quality
from collector.core.scans import BlockAnswer, Read
from collector.plant.model import Panel


@dataclass(slots=True, eq=False)
class Held:
    """A contact that has moved and is waiting out its debounce."""

    decoder: PointDecoder
    raw: int | float
    after_us: int
    by_us: int
    scans: int = 1


@dataclass(slots=True, eq=False)
class Block:
    """What is remembered of one block between scans."""

    decoder: BlockDecoder
    payload: bytes | None = None
    last_good_us: int = 0
    lost: bool = False  # its points are; the panel is there
    fresh: bool = True  # not read since the beginning or a gap: all of it has to be looked at
    failing: bool = False
    held: dict[str, Held] = field(default_factory=dict)

    @property
    def known_until_us(self) -> int:
        """Up to when all of its contacts are known: a held one only up to its move."""
        return min([self.last_good_us, *(held.after_us for held in self.held.values())])


class PointReader:
    """The points of one panel, as they were last reported.

    Args:
        name, panel: from the plant file.
        plan: the reads whose answers will come, in their order.
        known: points known before a restart.
        until_us: plant time up to which those were true, or at which watching begins.
        heartbeat: the point that only has to move, or None.

    Attributes:
        blocks: in the order of the plan.
        next_paced_us: when a reading is to be recorded again; None if none is.
    """

    def __init__(
        self, name: str, panel: Panel, plan: Sequence[Read], known: Mapping[str, Decoded],
        until_us: int, heartbeat: str | None,
    ) -> None:  # fmt: skip
        self.blocks = [
            Block(decoder, last_good_us=until_us) for decoder in compile_panel(name, panel, plan)
        ]
        self._reported: dict[str, Decoded] = dict(known)
        self._heartbeat = heartbeat
        # Readings that must be recorded at least so often, and when they last were.
        self._paced = [
            (block, decoder, decoder.longest_silence_us)
            for block in self.blocks
            for decoder in block.decoder.points
            if decoder.longest_silence_us is not None
        ]
        self._recorded_us = {
            decoder.name: until_us
            for _, decoder, _ in self._paced
            if decoder.name in self._reported
        }
        self.next_paced_us: int | None = None
        self._plan_pace()

    def take_block(self, block: Block, answer: BlockAnswer, by_us: int, found: list[Input]) -> None:
        """Take a block that was read; what it changes is added to ``found``."""
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
        block: Block,
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
                block.held[decoder.name] = Held(decoder, raw, after_us, by_us)
            return
        self._report(decoder, now, after_us, by_us, found)

    def _release_held(self, block: Block, payload: bytes, now_us: int, found: list[Input]) -> None:
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

    def lose_block(self, block: Block, answer: BlockAnswer, found: list[Input]) -> None:
        """A block has not been read for too long while others answer: its points are lost."""
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

    def check_pace(self, now_us: int, *, lost: bool) -> list[Input]:
        """Record again, unless the panel is lost, readings that have been silent for too long."""
        if self.next_paced_us is None or now_us < self.next_paced_us:
            return []
        found: list[Input] = []
        for block, decoder, longest_us in self._paced:
            recorded_us = self._recorded_us.get(decoder.name)
            if recorded_us is None or now_us - recorded_us < longest_us:
                continue
            self._recorded_us[decoder.name] = now_us
            if not lost and not block.lost and block.payload is not None:
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
        self.next_paced_us = min(
            (
                self._recorded_us[decoder.name] + longest_us
                for _, decoder, longest_us in self._paced
                if decoder.name in self._recorded_us
            ),
            default=None,
        )
