"""``weirkeeper loopcheck``: every point of a plant, live, for commissioning.

For someone who stands at the panel while someone else lifts a float: the register in both
notations, the raw words as they came, what they mean and how far to believe it. Nothing is
journaled.
"""

from __future__ import annotations

import argparse
import asyncio
import fnmatch
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command
from collector.cli.options import add_plant, positive
from collector.cli.tables import local_time, table
from collector.clock import MICROSECONDS, SystemClock
from collector.core.decode import PointDecoder, compile_panel
from collector.core.records import Record, RecordKind
from collector.core.scans import Read
from collector.errors import ExitCode, LinkError
from collector.links.contract import Link
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.plant.catalogue import Catalogue
from collector.plant.model import Plant
from collector.plant_file import read_plant_file

CAUTION = (
    "Lifting a float may start a pump or blower, here or elsewhere. Isolate, lock out and verify\n"
    "before touching a machine; wells are confined spaces: test the air before and during entry.\n"
    "A screen never proves isolation or a safe atmosphere. Local codes take precedence."
)


@dataclass(frozen=True, slots=True)
class PointLine:
    """One point as it is now.

    Args:
        register: table, address and reference number.
        raw: the words as they came, or "" where nothing came.
        meaning: the value with its unit, or the reason why there is none.
    """

    point: str
    register: str
    raw: str
    meaning: str
    quality: str


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_plant(parser)
    parser.add_argument("--panel", action="append", metavar="NAME", help="only this panel")
    parser.add_argument(
        "--point", action="append", metavar="PATTERN", help="only these points, e.g. 'sump.*'"
    )
    parser.add_argument(
        "--watch", action="store_true", help="go on, and print every change as it comes"
    )
    parser.add_argument(
        "--for", dest="for_s", type=positive, metavar="SECONDS", help="end --watch by itself"
    )


def execute(options: argparse.Namespace) -> Answer | None:
    """Read every point once, or follow them."""
    plant = read_plant_file(Path(options.plant)).plant
    for name in options.panel or ():
        if name not in plant.panels:
            known = ", ".join(plant.panels)
            return Answer(f"there is no panel '{name}'; there are {known}", None, ExitCode.USAGE)
    panels = [name for name in plant.panels if not options.panel or name in options.panel]
    check = LoopCheck(plant, panels, options.point or ["*"])
    return asyncio.run(check.follow(options.for_s) if options.watch else check.once())


class LoopCheck:
    """Reads the chosen points of a plant.

    Args:
        plant: the plant file.
        panels: names of the panels to read.
        patterns: shell patterns of ``panel.point``; a point that fits one is shown.
    """

    def __init__(self, plant: Plant, panels: Sequence[str], patterns: Sequence[str]) -> None:
        self._plant = plant
        self._panels = panels
        self._patterns = patterns
        self._catalogue = Catalogue(plant)
        self._links: dict[str, Link] = {}
        self._clock = SystemClock()

    async def once(self) -> Answer:
        """Every point once; exit code 5 where a panel did not answer."""
        try:
            lines, silent = await self._scan()
        finally:
            await self._close()
        rows = [[line.point, line.register, line.raw, f"{line.meaning}{_doubt(line)}"]
                for line in lines]  # fmt: skip
        text = [CAUTION, "", *table(("point", "register", "raw", "meaning"), rows)]
        text += [f"! {name}: {reason}" for name, reason in silent.items()]
        return Answer(
            "\n".join(text),
            {"points": [asdict(line) for line in lines], "silent": silent},
            ExitCode.UNREACHABLE if silent else ExitCode.DONE,
        )

    async def follow(self, for_s: float | None) -> None:
        """Print every change until interrupted, or for some seconds."""
        zone = ZoneInfo(self._plant.plant.time_zone)
        print(f"{CAUTION}\n\nwatching; Ctrl-C ends", flush=True)
        period_us = round(
            min(self._plant.panels[name].scan_period_s for name in self._panels) * MICROSECONDS
        )
        next_us = self._clock.now_us()
        end_us = None if for_s is None else next_us + round(for_s * MICROSECONDS)
        before: dict[str, PointLine] = {}
        try:
            while end_us is None or next_us <= end_us:
                lines, _ = await self._scan()
                at = local_time(self._clock.wall_us(), zone)
                for line in lines:
                    if before and before.get(line.point) != line:
                        print(f"{at}  {line.point}  {line.raw}  {line.meaning}{_doubt(line)}",
                              flush=True)  # fmt: skip
                    before[line.point] = line
                next_us = max(next_us + period_us, self._clock.now_us())
                await self._clock.sleep_until(next_us)
        finally:
            await self._close()

    async def _scan(self) -> tuple[list[PointLine], dict[str, str]]:
        lines: list[PointLine] = []
        silent: dict[str, str] = {}
        for name in self._panels:
            panel = self._plant.panels[name]
            plan = plan_panel(panel)
            link = self._links.setdefault(panel.link, open_link(self._plant.links[panel.link]))
            order = {f"{name}.{point}": place for place, point in enumerate(panel.points)}
            found: list[PointLine] = []
            for block in compile_panel(name, panel, plan):
                wanted = [p for p in block.points if self._wants(p.name)]
                if not wanted:
                    continue
                payload, reason = await self._read(link, block.read, panel.reply_timeout_s)
                if reason:
                    silent[name] = reason
                found += [self._line(point, block.read, payload, reason) for point in wanted]
            lines += sorted(found, key=lambda line: order[line.point])
        return lines, silent

    async def _read(self, link: Link, read: Read, timeout_s: float) -> tuple[bytes | None, str]:
        try:
            return await link.read(read, timeout_s), ""
        except LinkError as fault:
            return None, str(fault)

    def _wants(self, point: str) -> bool:
        return any(fnmatch.fnmatchcase(point, pattern) for pattern in self._patterns)

    def _line(
        self, point: PointDecoder, read: Read, payload: bytes | None, reason: str
    ) -> PointLine:
        register = point.register
        where = f"{register.table} {register.address} = {register.reference}"
        if payload is None:
            return PointLine(point.name, where, "", reason, "bad")
        decoded = point.decode(payload)
        first = register.address - read.start
        if read.function <= 2:
            raw = str(payload[first >> 3] >> (first & 7) & 1)
        else:
            words = payload[2 * first : 2 * (first + register.length)]
            raw = words.hex(" ", 2)
        if decoded.value is None:
            return PointLine(point.name, where, raw, decoded.reason, decoded.quality.word)
        shown = self._catalogue.shown(
            Record(RecordKind.POINT, point.name, 0, 0, 0, decoded.value, decoded.quality)
        )
        if isinstance(shown.value, bool):
            meaning = "made" if shown.value else "open"
        elif shown.word is not None:
            meaning = shown.word
        else:
            meaning = f"{shown.value:g} {shown.unit.label}".strip()
        return PointLine(point.name, where, raw, meaning, decoded.quality.word)

    async def _close(self) -> None:
        for link in self._links.values():
            await link.close()


def _doubt(line: PointLine) -> str:
    return "" if line.quality == "good" else f" ({line.quality})"


COMMAND = Command(
    name="loopcheck",
    summary="show every point live, with its register and raw words (commissioning)",
    example="weirkeeper loopcheck --plant config/one-sump/plant.yaml --point 'sump.*' --watch",
    add_options=add_options,
    execute=execute,
    about=CAUTION + "\n\nExit code 5: a panel did not answer.",
)
