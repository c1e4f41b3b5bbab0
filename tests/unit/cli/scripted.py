"""A journal of a plant that follows a script, so that what is listed of it can be worked out.

One panel, scanned every 10 s, at a works in London time: a sump without floats worth speaking of,
its pump, and a filter. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from collector.core.pipeline import Pipeline
from collector.core.records import Record, RecordKind
from collector.journal.items import Alive
from collector.journal.writer import Journal
from collector.links.planning import plan_panel
from collector.plant_file import PlantFile, read_plant_file
from collector.virtual import run_virtually

SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US
PLANT_TEXT = """\
plant: {name: paper_works, title: Works on paper, time_zone: Europe/London}
links:
  lan: {kind: tcp, host: 127.0.0.1}
panels:
  works:
    link: lan
    scan_period_s: 10.0
    points:
      pump_run: {table: discrete-input, address: 0}
      cleaning: {table: discrete-input, address: 1}
      float: {table: discrete-input, address: 2}
equipment:
  sump:
    kind: well
    title: Sump
    plan_area_m2: 2.0
    floats:
      start_1: {point: works.float, makes_at_m: 0.8, breaks_at_m: 0.3}
  pump: {kind: pump, title: Pump, well: sump, run: works.pump_run}
  filter: {kind: filter, title: Filter, cleaning: works.cleaning}
"""


def utc(text: str) -> int:
    """An instant in microseconds since 1970."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND_US


class ScriptedPanel:
    """Discrete inputs that change when the script says so."""

    def __init__(self, silences_us: Sequence[tuple[int, int]]) -> None:
        self.bits = 0
        self.version = 0
        self.now_us = 0
        self._silences_us = silences_us

    @property
    def image(self) -> ScriptedPanel:
        """Itself."""
        return self

    def read(self, function: int, start: int, count: int) -> bytes | int:
        """Payload as on the wire (Modbus Application Protocol V1.1b3, section 6.2)."""
        assert (function, count) == (2, 3)
        assert start == 0
        return bytes([self.bits])

    def reachable(self) -> bool:
        """Whether it answers now."""
        return not any(begin <= self.now_us < end for begin, end in self._silences_us)


class ScriptedPlant:
    """The panel, and what is to happen to it."""

    def __init__(
        self, script: Sequence[tuple[int, int, bool]], silences_us: Sequence[tuple[int, int]]
    ) -> None:
        self.panel = ScriptedPanel(silences_us)
        self.panels: Mapping[str, ScriptedPanel] = {"works": self.panel}
        edges = [(at_us, -1, False) for silence in silences_us for at_us in silence]
        self._script = sorted([*script, *edges])

    def advance_to(self, at_us: int) -> None:
        """Let time pass."""
        while self.advance_until_change(at_us) < at_us:
            pass

    def advance_until_change(self, limit_us: int) -> int:
        """Let time pass until something changes or it is ``limit_us``."""
        if not self._script or self._script[0][0] > limit_us:
            self.panel.now_us = max(limit_us, self.panel.now_us)
            return limit_us
        at_us, address, made = self._script.pop(0)
        self.panel.now_us = at_us
        if address >= 0:
            bit = 1 << address
            self.panel.bits = self.panel.bits | bit if made else self.panel.bits & ~bit
        self.panel.version += 1
        return at_us


def write_journal(
    folder: Path, script: Sequence[tuple[int, int, bool]], begin_us: int, end_us: int,
    silences_us: Sequence[tuple[int, int]] = (), text: str = PLANT_TEXT,
) -> Path:  # fmt: skip
    """Watch the script and keep the journal.

    Args:
        folder: gets ``plant.yaml`` and ``weirkeeper.journal``.
        script: plant time, address and state of every change.
        begin_us, end_us: how long to watch.
        silences_us: when the panel does not answer.
        text: the plant file.

    Returns:
        the journal.
    """
    plant_path, path = folder / "plant.yaml", folder / "weirkeeper.journal"
    plant_path.write_text(text, encoding="utf-8")
    plant_file = read_plant_file(plant_path)
    plans = {name: plan_panel(panel) for name, panel in plant_file.plant.panels.items()}
    pipeline = Pipeline(plant_file.plant, plans, begin_us)
    with Journal.open(path, wall_us=lambda: begin_us, commit_period_s=0.0) as journal:
        keep_plant(journal, plant_file, begin_us)

        def take(records: list[Record]) -> None:
            assert journal.submit(records)

        scripted = ScriptedPlant(script, silences_us)
        run_virtually(pipeline, plans, scripted, begin_us, end_us, take)
        alive = Alive(end_us, end_us, "", pipeline.known_until_us())
        journal.submit([], state=pipeline.save(), alive=alive)
    return path


def keep_plant(journal: Journal, plant_file: PlantFile, at_us: int) -> None:
    """Put a plant file in force."""
    journal.remember_configuration("plant", plant_file.text, plant_file.hash)
    journal.submit([Record(RecordKind.CONFIGURATION, "plant", at_us, at_us, at_us,
                           plant_file.hash)])  # fmt: skip


def hourly_runs(begin_us: int, end_us: int) -> list[tuple[int, int, bool]]:
    """The pump runs from 10 to 20 min past every hour; the filter cleans at 06:00 UTC for 3 min."""
    script = []
    for hour_us in range(begin_us, end_us, HOUR_US):
        script += [(hour_us + 600 * SECOND_US, 0, True), (hour_us + 1200 * SECOND_US, 0, False)]
        if hour_us % (24 * HOUR_US) == 6 * HOUR_US:
            script += [(hour_us, 1, True), (hour_us + 180 * SECOND_US, 1, False)]
    return script
