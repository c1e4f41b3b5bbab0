"""The panels of Osier Bend as libmodbus serves them: the simulator's registers, standing still."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from collector.core.scans import Read
from collector.links.planning import plan_panel
from collector.plant.model import Plant
from collector.plant_file import read_plant_file
from simulator.plant import OsierBend
from tests.contract.libmodbus_peer import tcp_peer

EXAMPLE = Path("config/osier-bend/plant.yaml")
PORTS = {"works": "15020", "meadow": "15021", "bowser": "15022"}
START_US = 1_780_000_000_000_000
A_CONTACT = 2  # discrete input of the works: the second start float of the collection tank


def registers_of(plan: tuple[Read, ...], panel: str) -> dict[tuple[int, int], int]:
    """What the simulated panel answers to the reads of a plan, by function and address."""
    image = OsierBend(1, START_US).panels[panel].image
    found: dict[tuple[int, int], int] = {}
    for read in plan:
        data = image.read(read.function, read.start, read.count)
        assert isinstance(data, bytes)
        for place in range(read.count):
            found[read.function, read.start + place] = (
                data[place // 8] >> place % 8 & 1
                if read.function <= 2
                else int.from_bytes(data[2 * place : 2 * place + 2])
            )
    return found


@contextmanager
def standing_still(flip_every: int = 0) -> Iterator[Mapping[str, int]]:
    """All panels, each a libmodbus server on the loopback; yields their ports.

    Args:
        flip_every: `A_CONTACT` changes with every so many requests to the works; 0 for never.
    """
    plant = read_plant_file(EXAMPLE).plant
    with ExitStack() as up:
        yield {
            name: up.enter_context(
                tcp_peer(
                    registers_of(plan_panel(panel), name),
                    (A_CONTACT, flip_every) if flip_every and name == "works" else None,
                )
            )
            for name, panel in plant.panels.items()
        }


def plant_file(ports: Mapping[str, int], scan_period_s: float) -> str:
    """The example's text with other ports and one scan period for all panels."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for panel, written in PORTS.items():
        text = text.replace(written, str(ports[panel]))
    # A reply that may take longer than the panel may keep silent is refused.
    text = text.replace("reply_timeout_s: 1.0", "reply_timeout_s: 0.3")
    for period in ("1.0", "2.0"):
        text = text.replace(f"scan_period_s: {period}", f"scan_period_s: {scan_period_s:g}")
    return text


def plans(plant: Plant) -> dict[str, tuple[Read, ...]]:
    """The reads of each panel."""
    return {name: plan_panel(panel) for name, panel in plant.panels.items()}
