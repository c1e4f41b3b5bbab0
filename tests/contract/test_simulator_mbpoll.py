"""Debian's mbpoll reads the simulator's servers and finds what the images hold."""

from __future__ import annotations

import asyncio
import re
import struct

import pytest

from simulator.image import DISCRETE_INPUT, Span
from simulator.maps import register_maps
from simulator.plant import OsierBend
from simulator.schedule import HOUR_US, SECOND_US
from simulator.server import Running, serve
from tests.real_parts import program

START_US = 1_752_303_600 * SECOND_US  # 2025-07-12T07:00:00Z
DATA_TYPE = {1: "0", 2: "1", 3: "4:hex", 4: "3:hex"}
VALUE = re.compile(r"^\[(\d+)\]:\s+(\S+)", re.MULTILINE)
SPANS = [(name, span) for name, panel in register_maps().items() for span in panel.spans]


async def mbpoll(up: Running, panel: str, function: int, start: int, count: int) -> tuple[int, str]:
    """One poll: exit code and everything said."""
    unit = up.plant.panels[panel].image.map.unit_identifier
    polling = await asyncio.create_subprocess_exec(
        program("mbpoll", "mbpoll"),
        "-m", "tcp", "-p", str(up.ports[panel]), "-a", str(unit), "-0", "-r", str(start),
        "-c", str(count), "-t", DATA_TYPE[function], "-1", "127.0.0.1",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    said, _ = await asyncio.wait_for(polling.communicate(), 20.0)
    assert polling.returncode is not None
    return polling.returncode, said.decode(errors="replace")


def plant_with_the_bowser_docked() -> OsierBend:
    """A plant that stands still at an instant when all three panels answer."""
    plant = OsierBend(3, START_US)
    while not plant.panels["bowser"].reachable():
        plant.advance_until_change(START_US + 9 * HOUR_US)
    plant.advance_to(plant.now_us + 240 * SECOND_US)
    return plant


@pytest.mark.parametrize(
    ("panel", "span"), SPANS, ids=[f"{name}-{s.function}-{s.start}" for name, s in SPANS]
)
async def test_mbpoll_agrees_register_for_register(panel: str, span: Span) -> None:
    """Every mapped span of every table reads through libmodbus as the image has it."""
    plant = plant_with_the_bowser_docked()
    async with serve(plant, {panel: 0}, speed=0.0) as up:
        count = span.end - span.start
        code, said = await mbpoll(up, panel, span.function, span.start, count)
        assert code == 0, said
        polled = {int(address): text for address, text in VALUE.findall(said)}
        payload = plant.panels[panel].image.read(span.function, span.start, count)
        assert isinstance(payload, bytes)
        if span.function <= DISCRETE_INPUT:
            expected = {span.start + k: payload[k // 8] >> k % 8 & 1 for k in range(count)}
            assert {address: int(text) for address, text in polled.items()} == expected
        else:
            words = struct.unpack(f">{count}H", payload)
            assert {address: int(text, 16) for address, text in polled.items()} == {
                span.start + k: word for k, word in enumerate(words)
            }


@pytest.mark.parametrize(
    ("panel", "function", "start", "count"),
    [
        ("works", 2, 48, 1),
        ("works", 4, 103, 1),
        ("works", 4, 100, 17),
        ("works", 3, 199, 1),
        ("works", 1, 0, 1),
        ("meadow", 2, 0, 1),
        ("meadow", 4, 6, 4),
        ("bowser", 3, 110, 1),
    ],
)
async def test_addresses_outside_the_map_are_refused(
    panel: str, function: int, start: int, count: int
) -> None:
    """A read that touches a hole, or a table the panel has not, gets exception 02, which libmodbus
    words "Illegal data address".
    """
    async with serve(plant_with_the_bowser_docked(), {panel: 0}, speed=0.0) as up:
        code, said = await mbpoll(up, panel, function, start, count)
    assert code != 0
    assert "Illegal data address" in said
