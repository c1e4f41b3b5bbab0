"""A panel on paper: registers that a test sets, and scans of them at the instants it names.

Payloads are packed here from the wording of Modbus Application Protocol V1.1b3, sections 6.1 to
6.4, and not with the project's own code.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.core.decode import Decoded
from collector.core.panel_reader import PanelReader
from collector.core.records import Input
from collector.core.scans import BlockAnswer, PanelScan, Read
from collector.links.planning import plan_panel
from collector.plant.model import Panel, Plant

COIL, INPUT, HOLDING, REGISTER = 1, 2, 3, 4  # function codes that read them


def us(seconds: float) -> int:
    """Seconds as plant time."""
    return round(seconds * 1_000_000)


def a_panel(points: Mapping[str, Mapping[str, Any]], **more: Any) -> Panel:
    """A panel of a plant file with these points."""
    return Panel.model_validate(
        {"link": "lan", "points": {name: dict(point) for name, point in points.items()}, **more}
    )


def a_plant(
    panels: Mapping[str, Mapping[str, Any]],
    equipment: Mapping[str, Mapping[str, Any]] | None = None,
) -> Plant:
    """A plant with these panels (without ``link``) and this equipment (without ``title``)."""
    return Plant.model_validate(
        {
            "plant": {"name": "paper", "title": "On paper", "time_zone": "UTC"},
            "links": {"lan": {"kind": "tcp", "host": "127.0.0.1"}},
            "panels": {name: {"link": "lan", **panel} for name, panel in panels.items()},
            "equipment": {
                name: {"title": name, **part} for name, part in (equipment or {}).items()
            },
        }
    )


def pack_bits(bits: Sequence[int]) -> bytes:
    """Bits as a reply carries them: the first in the lowest bit of the first byte."""
    return bytes(
        sum(bit << place for place, bit in enumerate(bits[at : at + 8]))
        for at in range(0, len(bits), 8)
    )


def pack_words(words: Sequence[int]) -> bytes:
    """Registers as a reply carries them: two bytes each, high byte first."""
    return b"".join(bytes((word >> 8, word & 0xFF)) for word in words)


class Image:
    """The four tables of a panel; what was never put is 0."""

    def __init__(self) -> None:
        self._cells: dict[tuple[int, int], int] = {}

    def put(self, function: int, address: int, *figures: int) -> None:
        """Set bits or registers from ``address`` on."""
        for place, figure in enumerate(figures):
            self._cells[function, address + place] = figure

    def payload(self, read: Read) -> bytes:
        """What a checked reply to ``read`` carries."""
        figures = [
            self._cells.get((read.function, address), 0)
            for address in range(read.start, read.start + read.count)
        ]
        return pack_bits(figures) if read.function <= 2 else pack_words(figures)


class Bench:
    """One panel, called ``p``, its image and its reader.

    Each block of a scan takes 10 ms: block ``i`` of a scan at ``t`` is asked at ``t + i * 10 ms``
    and answers 10 ms later.
    """

    BLOCK_US = 10_000

    def __init__(
        self,
        points: Mapping[str, Mapping[str, Any]],
        start_s: float = 0.0,
        known: Mapping[str, Decoded] | None = None,
        known_until_s: float | None = None,
        **panel: Any,
    ) -> None:
        self.panel = a_panel(points, **panel)
        self.plan = plan_panel(self.panel)
        self.image = Image()
        self.reader = PanelReader(
            "p",
            self.panel,
            self.plan,
            us(start_s),
            known,
            None if known_until_s is None else us(known_until_s),
        )

    def scan(
        self, at_s: float, fail: str = "", blocks: Mapping[int, str] | None = None
    ) -> list[Input]:
        """Scan the image; ``fail`` fails all blocks for that reason, ``blocks`` single ones."""
        answers = []
        for place, read in enumerate(self.plan):
            sent_us = us(at_s) + place * self.BLOCK_US
            reason = fail or (blocks or {}).get(place, "")
            payload = None if reason else self.image.payload(read)
            answers.append(BlockAnswer(payload, reason, sent_us, sent_us + self.BLOCK_US))
        return self.reader.take(PanelScan("p", us(at_s), answers))

    def tick(self, at_s: float) -> list[Input]:
        """Let time pass without a scan."""
        return self.reader.tick(us(at_s))
