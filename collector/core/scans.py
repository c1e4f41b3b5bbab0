"""A scan of a panel as the links deliver it: the reads of its plan and what became of each.

A payload is the data of a checked reply as it came: packed bits, lowest address in the lowest bit
of the first byte; or registers, two bytes each, high byte first. It is not decoded on the way, so
that an unchanged block costs one comparison.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Read:
    """One read request.

    Args:
        unit: unit identifier.
        function: 1 coils, 2 discrete inputs, 3 holding registers, 4 input registers.
        start: zero-based address.
        count: bits or registers.
    """

    unit: int
    function: int
    start: int
    count: int

    @property
    def payload_length(self) -> int:
        """Bytes of data a right answer carries."""
        return (self.count + 7) // 8 if self.function <= 2 else 2 * self.count


@dataclass(slots=True)
class BlockAnswer:
    """What became of one read.

    Args:
        payload: data of a checked reply, or None.
        reason: why there is none ("no reply", "exception 02", "malformed reply", ...), else "".
        sent_us, received_us: plant time of the request and of the reply (or of giving up); the
            panel sampled its contacts between the two.
    """

    payload: bytes | None
    reason: str
    sent_us: int
    received_us: int


@dataclass(slots=True)
class PanelScan:
    """One scan of a panel: an answer for each block of its plan, in the plan's order."""

    panel: str
    at_us: int
    answers: list[BlockAnswer]
