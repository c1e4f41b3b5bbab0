"""``weirkeeper loopcheck`` against the simulated panels: what stands in each register, live.

The registers the simulator serves are laid out by code of its own, which shares nothing with the
collector; the test compares with its image.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from collector.errors import ExitCode
from simulator.plant import OsierBend
from simulator.server import serve
from tests.real_parts import free_port, until
from tests.unit.cli.typed import OSIER_BEND, PROGRAM, Said, plain_environment, too_wide

START_US = int(datetime(2026, 7, 4, 6, tzinfo=UTC).timestamp()) * 1_000_000
ALL = ("works", "meadow", "bowser")
PORTS = dict(zip(ALL, (15020, 15021, 15022), strict=True))  # in the plant file


@contextlib.asynccontextmanager
async def standing_plant(folder: Path, served: tuple[str, ...] = ALL) -> AsyncIterator[OsierBend]:
    """The simulated plant, standing still and served; ``folder`` gets a plant file for it."""
    plant = OsierBend(1, START_US)
    async with serve(plant, dict.fromkeys(served, 0), speed=0.0) as up:
        text = OSIER_BEND.read_text(encoding="utf-8")
        for name, port in PORTS.items():
            text = text.replace(f"port: {port}", f"port: {up.ports.get(name) or free_port()}")
        (folder / "plant.yaml").write_text(text, encoding="utf-8")
        yield plant


async def typed(folder: Path, *words: str) -> Said:
    """Run ``weirkeeper loopcheck`` as a program while the panels are served here."""
    process = await asyncio.create_subprocess_exec(
        *PROGRAM, "loopcheck", "--plant", "plant.yaml", *words, cwd=folder,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env=plain_environment(),
    )  # fmt: skip
    out, err = await asyncio.wait_for(process.communicate(), 60)
    return Said(process.returncode or 0, out.decode(), err.decode())


def image_words(plant: OsierBend, panel: str, line: dict[str, Any]) -> str:
    """What the simulator's image holds at a line's register, as the line would print it."""
    function = {"coil": 1, "discrete input": 2, "holding register": 3, "input register": 4}
    address = int(line["address"].partition(".")[0])
    count = max(1, len(line["raw"].split()))
    answer = plant.panels[panel].image.read(function[line["table"]], address, count)
    assert isinstance(answer, bytes)
    return str(answer[0] & 1) if function[line["table"]] <= 2 else answer.hex(" ", 2)


async def test_every_point_shows_its_register_in_both_notations_and_its_raw_words(
    tmp_path: Path,
) -> None:
    """Raw words are those the panel holds; the printed number counts from one in its table.

    Reference numbers: first digit 0 coil, 1 discrete input, 3 input register, 4 holding register,
    the rest the address plus one; common practice of printed manuals, no source.
    """
    async with standing_plant(tmp_path, ("works", "meadow")) as plant:
        said = await typed(tmp_path, "--json", "--panel", "works", "--panel", "meadow")
        assert said.code == ExitCode.DONE
        lines = said.data["points"]
        assert len(lines) == 62 + 18
        first_digit = {"coil": "0", "discrete input": "1", "input register": "3",
                       "holding register": "4"}  # fmt: skip
        for line in lines:
            assert line["raw"] == image_words(plant, line["panel"], line), line
            number, _, bit = line["printed"].partition(".")
            address, _, address_bit = line["address"].partition(".")
            assert number[0] == first_digit[line["table"]]
            assert int(number[1:]) == int(address) + 1
            assert bit == address_bit
        assert said.data["silent"] == {}


async def test_people_see_it_by_register_table_within_80_columns(tmp_path: Path) -> None:
    """With the cautions first, and names and numbers whole."""
    async with standing_plant(tmp_path, ("works", "meadow")):
        said = await typed(tmp_path, "--panel", "works", "--panel", "meadow")
    assert said.code == ExitCode.DONE
    assert too_wide(said.out) == []
    assert "…" not in said.out
    assert said.out.startswith("Lifting a float may start a pump")
    assert "meadow (unit 7): holding registers" in said.out
    row = next(line for line in said.out.splitlines() if line.startswith("blower_2_auto"))
    assert re.fullmatch(r"blower_2_auto +101\.15 +30102\.15  [0-9a-f]{4} +(made|open)", row)


async def test_a_panel_that_does_not_answer_is_one_line_and_code_5(tmp_path: Path) -> None:
    """The others are shown all the same."""
    async with standing_plant(tmp_path, ("meadow",)):
        said = await typed(tmp_path)
    assert said.code == ExitCode.UNREACHABLE
    told = [line for line in said.out.splitlines() if line.startswith("!")]
    refused = r"no connection to 127\.0\.0\.1:\d+: connection refused"
    assert len(told) == 2
    assert re.fullmatch(f"! works: {refused}", told[0])
    assert re.fullmatch(f"! bowser: {refused}", told[1])
    assert "meadow (unit 7): holding registers" in said.out
    assert "works (unit 1)" not in said.out


async def test_watching_tells_the_contact_that_moved_and_no_other(tmp_path: Path) -> None:
    """A lifted float is one line, though nine contacts share its register; so is a lost panel."""
    async with standing_plant(tmp_path, ("meadow",)) as plant:
        panel = plant.panels["meadow"]
        process = await asyncio.create_subprocess_exec(
            *PROGRAM, "loopcheck", "--plant", "plant.yaml", "--panel", "meadow", "--watch",
            cwd=tmp_path, stdout=asyncio.subprocess.PIPE, env=plain_environment(),
        )  # fmt: skip
        assert process.stdout is not None
        told: list[str] = []

        async def listen() -> None:
            assert process.stdout is not None
            while line := await process.stdout.readline():
                told.append(line.decode().rstrip())

        listening = asyncio.create_task(listen())
        try:
            await until(lambda: "watching for changes; Ctrl-C ends" in told, "the first table")
            before = len(told)
            panel.set_contact("start_1", made=True)
            await until(lambda: len(told) > before, "the float")
            panel.link_dead = True
            await until(lambda: len(told) > before + 1, "the lost panel")
            panel.set_contact("start_1", made=False)
            panel.link_dead = False
            await until(lambda: len(told) > before + 3, "its return")
            process.send_signal(signal.SIGINT)
            assert await asyncio.wait_for(process.wait(), 20) == ExitCode.DONE
        finally:
            if process.returncode is None:
                process.kill()
            await listening
    moved, lost, back, fell = told[before:]
    assert re.fullmatch(r"\d\d:\d\d:\d\d  meadow\.start_1  [0-9a-f]{4}  made", moved)
    assert re.match(r"\d\d:\d\d:\d\d  ! meadow: ", lost)
    assert re.fullmatch(r"\d\d:\d\d:\d\d  meadow answers", back)
    assert re.fullmatch(r"\d\d:\d\d:\d\d  meadow\.start_1  [0-9a-f]{4}  open", fell)


async def test_watching_for_a_program_is_a_json_object_a_line(tmp_path: Path) -> None:
    """First what there is, then what changes; it ends by itself."""
    async with standing_plant(tmp_path, ("meadow",)):
        said = await typed(tmp_path, "--watch", "--for", "0.5", "--json", "--point", "meadow.*_run")
    assert said.code == ExitCode.DONE
    objects = [json.loads(line) for line in said.out.splitlines()]
    assert [found["point"] for found in objects] == ["pump_1_run", "pump_2_run"]
    assert all(found["meaning"] in ("made", "open") for found in objects)
