"""``weirkeeper loopcheck``: every point of a plant, live, for commissioning.

For someone who stands at the panel while someone else lifts a float: the register in both
notations, the raw words as they came, what they mean and how far to believe it. Nothing is
journaled.
"""

from __future__ import annotations

import argparse
import asyncio
import fnmatch
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import groupby
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command, near
from collector.cli.options import add_plant, positive
from collector.cli.tables import cut, local_time, table
from collector.clock import MICROSECONDS, SystemClock
from collector.core.catalogue import Catalogue
from collector.core.decode import PointDecoder, compile_panel
from collector.core.records import Record, RecordKind
from collector.core.scans import Read
from collector.errors import ExitCode, LinkError
from collector.links.contract import Link
from collector.links.modbus import open_link
from collector.links.planning import plan_panel
from collector.plant.model import Plant
from collector.plant_file import read_plant_file

CAUTION = """Lifting a float may start a pump or blower, here or elsewhere. Isolate, lock out
and verify before touching a machine. Wells are confined spaces: test the air
before and during entry. A screen never proves isolation or a safe atmosphere.
Local codes take precedence."""

ABOUT = f"""{CAUTION}

"address" counts from zero, as the protocol does, "printed" from one, as manuals
do; where they seem to differ by one, this is why. A bit of a register follows a
full stop.

exit code 5: a panel did not answer
"""

HEADINGS = ("point", "address", "printed", "raw", "meaning")


@dataclass(frozen=True, slots=True)
class PointLine:
    """One point as it is now.

    Args:
        panel, point: its names.
        table: of the register.
        address, printed: its number from zero and from one, with the bit if there is one.
        raw: the words as they came, or "" where nothing came.
        meaning: the value with its unit, or the reason why there is none.
        quality: good, uncertain or bad.
    """

    panel: str
    point: str
    table: str
    address: str
    printed: str
    raw: str
    meaning: str
    quality: str

    @property
    def told(self) -> str:
        """Its meaning, with the quality where that is not good."""
        return self.meaning if self.quality == "good" else f"{self.meaning} ({self.quality})"


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_plant(parser)
    parser.add_argument("--panel", action="append", metavar="NAME", help="only this panel")
    parser.add_argument(
        "--point",
        action="append",
        metavar="PATTERN",
        help="only these points of panel.point, such as 'meadow.*'",
    )
    parser.add_argument(
        "--watch", action="store_true", help="go on, and print every change as it comes"
    )
    parser.add_argument(
        "--for", dest="for_s", type=positive, metavar="SECONDS", help="end --watch by itself"
    )


def execute(options: argparse.Namespace) -> Answer | None:
    """Read every point once, or follow them."""
    if options.for_s is not None and not options.watch:
        return Answer("--for only goes with --watch", None, ExitCode.USAGE)
    plant = read_plant_file(Path(options.plant)).plant
    for name in options.panel or ():
        if name not in plant.panels:
            return Answer(
                f"there is no panel '{name}'{near(name, plant.panels)}", None, ExitCode.USAGE
            )
    panels = [name for name in plant.panels if not options.panel or name in options.panel]
    check = LoopCheck(plant, panels, options.point or ["*"])
    if not check.has_points:
        points = [f"{panel}.{point}" for panel in panels for point in plant.panels[panel].points]
        pattern = options.point[0]
        return Answer(f"no point fits '{pattern}'{near(pattern, points)}", None, ExitCode.USAGE)
    if options.watch:
        return asyncio.run(check.follow(options.for_s, as_json=options.json))
    return asyncio.run(check.once())


class LoopCheck:
    """Reads the chosen points of a plant.

    Args:
        plant: the plant file.
        panels: names of the panels to read.
        patterns: shell patterns of ``panel.point``; a point that fits one is shown.
    """

    def __init__(self, plant: Plant, panels: Sequence[str], patterns: Sequence[str]) -> None:
        self._plant = plant
        self._catalogue = Catalogue(plant)
        self._links: dict[str, Link] = {}
        self._clock = SystemClock()
        self._wanted: dict[str, list[tuple[Read, list[PointDecoder]]]] = {}
        for name in panels:
            panel = plant.panels[name]
            for block in compile_panel(name, panel, plan_panel(panel, plant.links[panel.link])):
                points = [
                    point
                    for point in block.points
                    if any(fnmatch.fnmatchcase(point.name, pattern) for pattern in patterns)
                ]
                if points:
                    self._wanted.setdefault(name, []).append((block.read, points))

    @property
    def has_points(self) -> bool:
        """Whether any point fits."""
        return bool(self._wanted)

    async def once(self) -> Answer:
        """Every point once; exit code 5 where a panel did not answer."""
        try:
            lines, silent = await self._scan()
        finally:
            await self._close()
        return Answer(
            "\n".join([CAUTION, *self._tables(lines, silent)]),
            {"points": [asdict(line) for line in lines], "silent": silent},
            ExitCode.UNREACHABLE if silent else ExitCode.DONE,
        )

    async def follow(self, for_s: float | None, *, as_json: bool) -> None:
        """Print what there is, then every change, until interrupted or for some seconds."""
        period_us = round(
            min(self._plant.panels[name].scan_period_s for name in self._wanted) * MICROSECONDS
        )
        next_us = self._clock.now_us()
        end_us = None if for_s is None else next_us + round(for_s * MICROSECONDS)
        told: dict[tuple[str, str], str] = {}
        silent_before: dict[str, str] = {}
        try:
            while end_us is None or next_us <= end_us:
                lines, silent = await self._scan()
                answered = [line for line in lines if line.panel not in silent]
                changed = [line for line in answered
                           if told.get((line.panel, line.point)) != line.told]  # fmt: skip
                if as_json:
                    self._print_json(changed)
                elif not told and not silent_before:
                    print("\n".join([CAUTION, *self._tables(lines, silent)]))
                    print("\nwatching for changes; Ctrl-C ends", flush=True)
                else:
                    self._print_changes(changed, silent_before, silent)
                told.update({(line.panel, line.point): line.told for line in answered})
                silent_before = silent
                next_us = max(next_us + period_us, self._clock.now_us())
                await self._clock.sleep_until(next_us)
        finally:
            await self._close()

    def _print_json(self, lines: Sequence[PointLine]) -> None:
        """One object a line, as long as it goes on."""
        at_us = self._clock.wall_us()
        for line in lines:
            print(json.dumps({"utc_us": at_us, **asdict(line)}), flush=True)

    def _print_changes(
        self, changed: Sequence[PointLine], before: Mapping[str, str], silent: Mapping[str, str]
    ) -> None:
        """A line for each point that changed, and one for a panel that went or came."""
        wall_us = self._clock.wall_us()
        zone = ZoneInfo(self._plant.plant.time_zone)
        at = local_time(wall_us, zone, wall_us)
        for name in self._wanted:
            if name in silent and name not in before:
                print(cut(f"{at}  ! {name}: {silent[name]}"))
            elif name in before and name not in silent:
                print(f"{at}  {name} answers")
        for line in changed:
            print(cut(f"{at}  {line.panel}.{line.point}  {line.raw}  {line.told}"), flush=True)

    def _tables(self, lines: Sequence[PointLine], silent: Mapping[str, str]) -> Iterator[str]:
        """A table for each panel and register table; a silent panel is one line."""
        for (panel, register_table), group in groupby(lines, lambda line: (line.panel, line.table)):
            if panel in silent:
                continue
            unit = self._plant.panels[panel].unit_identifier
            yield ""
            yield f"{panel} (unit {unit}): {register_table}s"
            yield from table(
                HEADINGS,
                [[line.point, line.address, line.printed, line.raw, line.told] for line in group],
                frozenset({1, 2}),
            )
        if silent:
            yield ""
        for name, reason in silent.items():
            yield cut(f"! {name}: {reason}")

    async def _scan(self) -> tuple[list[PointLine], dict[str, str]]:
        """All points, and for each panel of which nothing could be read, why not."""
        lines: list[PointLine] = []
        silent: dict[str, str] = {}
        for name, blocks in self._wanted.items():
            panel = self._plant.panels[name]
            link = self._links.setdefault(panel.link, open_link(self._plant.links[panel.link]))
            reasons = []
            for read, points in blocks:
                payload: bytes | None = None
                reason = ""
                try:
                    payload = await link.read(read, panel.reply_timeout_s)
                except LinkError as fault:
                    reason = str(fault)
                    reasons.append(reason)
                lines += [self._line(name, point, read, payload, reason) for point in points]
            if len(reasons) == len(blocks):
                silent[name] = reasons[0]
        return lines, silent

    def _line(
        self, panel: str, point: PointDecoder, read: Read, payload: bytes | None, reason: str
    ) -> PointLine:
        register = point.register
        name = point.name.partition(".")[2]
        stated = self._plant.panels[panel].points[name]
        bit = "" if stated.bit is None else f".{stated.bit}"

        def line(raw: str, meaning: str, quality: str) -> PointLine:
            return PointLine(
                panel, name, register.table.replace("-", " "), f"{register.address}{bit}",
                f"{register.reference}{bit}", raw, meaning, quality,
            )  # fmt: skip

        if payload is None:
            return line("", reason, "bad")
        first = register.address - read.start
        if read.function <= 2:
            raw = str(payload[first >> 3] >> (first & 7) & 1)
        else:
            raw = payload[2 * first : 2 * (first + register.length)].hex(" ", 2)
        decoded = point.decode(payload)
        if decoded.value is None:
            return line(raw, decoded.reason, decoded.quality.word)
        shown = self._catalogue.shown(
            Record(RecordKind.POINT, point.name, 0, 0, 0, decoded.value, decoded.quality)
        )
        return line(raw, shown.text, decoded.quality.word)

    async def _close(self) -> None:
        for link in self._links.values():
            await link.close()


COMMAND = Command(
    name="loopcheck",
    summary="show every point live with its register (commissioning)",
    example="weirkeeper loopcheck --plant config/one-sump/plant.yaml --point 'meadow.*'",
    add_options=add_options,
    execute=execute,
    about=ABOUT,
)
