"""A plant as the engineer's page shows it: what needs somebody first, then the way of the water.

Everything comes from the newest records of the journal, which ``Latest`` keeps up to date at the
cost of what is new; nothing here asks a panel or reads a clock. What is told is as old as the last
sign of its panel, and the view says how old that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.core.alarms.rule import AlarmRule
from collector.core.records import Record, RecordKind
from collector.core.service.rule import ServiceRule
from collector.journal.holder import held_by
from collector.journal.items import Alive
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_standing import Standing, standing_alarms
from collector.reports.findings import FindingLine, standing_findings
from collector.reports.service import TaskLine, line_of
from collector.reports.view_parts import PartView, Present, part_view
from collector.reports.view_stages import Stage, stages_of

PAGE = 2_000
DUE = frozenset({"due", "overdue"})
SOON = frozenset({"due", "overdue", "due soon"})
MOST_TASKS = 12


@dataclass(frozen=True, slots=True)
class LinkView:
    """One panel: whether it answers, since when, its last good answer, share of time answered."""

    panel: str
    title: str
    state: str
    reason: str
    since_utc_us: int | None
    last_good_utc_us: int | None
    scan_period_s: float
    visits: bool
    availability_percent: float | None


@dataclass(frozen=True, slots=True)
class StageView:
    """One step of the water's way with its equipment."""

    key: str
    title: str
    main: str | None
    parts: tuple[PartView, ...]


@dataclass(frozen=True, slots=True)
class PlantView:
    """A plant as it is.

    Args:
        as_of_utc_us: the collector's last sign; nothing here is younger.
        holder: the process that writes the journal; None where none does.
        number: newest record it is made of.
        needs: what needs somebody, one sentence each, the gravest first; empty when all is well.
        alarms: standing alarms that somebody is to act on, the gravest first.
        set_aside: alarms that are shelved, suppressed or out of service.
        findings: what is wrong, in words with evidence.
        service: tasks that are due or soon due; ``tasks`` says how many there are in all.
        behind: for each outlet, records its far side has not confirmed.
    """

    name: str
    title: str
    time_zone: str
    as_of_utc_us: int
    holder: str | None
    number: int
    journal_bytes: int
    needs: tuple[str, ...]
    alarms: tuple[Standing, ...]
    set_aside: tuple[Standing, ...]
    findings: tuple[FindingLine, ...]
    stages: tuple[StageView, ...]
    service: tuple[TaskLine, ...]
    tasks: int
    links: tuple[LinkView, ...]
    behind: Mapping[str, int]
    titles: Mapping[str, str]

    @property
    def well(self) -> bool:
        """Whether nothing needs anybody."""
        return not self.needs


class Latest:
    """The newest record of each subject of a journal, brought up to date by what is new.

    Args:
        reader: of the journal.
        plant: the plant file in force.
        alarm_rules, service_rules: those in force, bound to it.
    """

    def __init__(
        self,
        reader: JournalReader,
        plant: Plant,
        alarm_rules: Iterable[AlarmRule] = (),
        service_rules: Iterable[ServiceRule] = (),
    ) -> None:
        self.reader = reader
        self.plant = plant
        self.alarm_rules = tuple(alarm_rules)
        self.service_rules = {rule.subject: rule for rule in service_rules}
        self.stages: tuple[Stage, ...] = stages_of(plant)
        self.number = reader.head()
        self.newest: dict[tuple[RecordKind, str], Record] = reader.latest()
        self._standing: Sequence[Standing] | None = None
        self._findings: Sequence[FindingLine] | None = None

    def follow(self) -> bool:
        """Take what was committed since; whether there was anything."""
        began = self.number
        while page := self.reader.records_after(self.number, PAGE):
            for record in page:
                self.newest[record.kind, record.subject] = record
                if record.kind is RecordKind.ALARM:
                    self._standing = None
                elif record.kind is RecordKind.FINDING or record.kind is RecordKind.CLOCK:
                    self._findings = None
            self.number = page[-1].sequence
        return self.number != began

    def standing(self) -> Sequence[Standing]:
        """Alarms that are not normal; read again only when one has moved."""
        if self._standing is None:
            self._standing = standing_alarms(self.reader, self.alarm_rules)
        return self._standing

    def findings(self) -> Sequence[FindingLine]:
        """What is wrong in words; read again only when something of it has changed."""
        if self._findings is None:
            self._findings = standing_findings(self.reader)
        return self._findings


def view_plant(latest: Latest) -> PlantView | None:
    """The view as of the journal's newest record; None where nothing was ever watched."""
    reader, plant = latest.reader, latest.plant
    alive = reader.alive()
    if alive is None:
        return None
    present = Present(plant, latest.newest)
    standing = latest.standing()
    stages = tuple(
        StageView(stage.key, stage.title, stage.main,
                  tuple(part_view(present, name) for name in stage.members))
        for stage in latest.stages
    )  # fmt: skip
    tasks = sorted(
        (line_of(record) for (kind, _), record in latest.newest.items()
         if kind is RecordKind.SERVICE),
        key=lambda line: line.rank,
    )  # fmt: skip
    links = tuple(_link(name, present, alive) for name in plant.panels)
    holder = held_by(Path(reader.path))
    alarms = tuple(one for one in standing if not one.set_aside)
    return PlantView(
        name=plant.plant.name, title=plant.plant.title, time_zone=plant.plant.time_zone,
        as_of_utc_us=alive.utc_us, holder=holder, number=latest.number,
        journal_bytes=reader.size_bytes(),
        needs=tuple(_needs(holder, alarms, stages, links, tasks)), alarms=alarms,
        set_aside=tuple(one for one in standing if one.set_aside),
        findings=tuple(latest.findings()), stages=stages,
        service=tuple(line for line in tasks if line.state in SOON)[:MOST_TASKS],
        tasks=len(tasks), links=links,
        behind={each.outlet: max(0, latest.number - each.delivered) for each in reader.cursors()},
        titles={name: part.title for name, part in plant.equipment.items()}
        | {name: panel.title or name for name, panel in plant.panels.items()},
    )  # fmt: skip


def _link(name: str, present: Present, alive: Alive) -> LinkView:
    panel = present.plant.panels[name]
    state = present.newest.get((RecordKind.DERIVED, f"{name}.link_state"))
    share = present.newest.get((RecordKind.DERIVED, f"{name}.link_availability"))
    last = alive.panels.get(name)
    return LinkView(
        name, panel.title or name,
        "not read yet" if state is None else str(state.value),
        "" if state is None else state.reason,
        None if state is None else state.utc_us,
        None if last is None else last + alive.utc_us - alive.at_us,
        panel.scan_period_s, panel.visits,
        100.0 * share.value if share is not None and isinstance(share.value, float) else None,
    )  # fmt: skip


def _needs(
    holder: str | None,
    alarms: Sequence[Standing],
    stages: Sequence[StageView],
    links: Sequence[LinkView],
    tasks: Sequence[TaskLine],
) -> Iterable[str]:
    if holder is None:
        yield "the collector is not running: nothing here is watched now"
    told = {one.subject.partition(".")[0] for one in alarms}
    for priority in ("high", "medium", "low"):
        of_it = [one for one in alarms if one.priority == priority]
        if of_it:
            waiting = sum(one.waits for one in of_it)
            waits = f", {waiting} not acknowledged" if waiting else ""
            yield f"{_count(len(of_it), 'alarm')} of {priority} priority{waits}"
    other = [one for one in alarms if one.priority not in ("high", "medium", "low")]
    if other:
        yield f"{_count(len(other), 'alarm')} whose rule is no longer in force"
    for part in (part for stage in stages for part in stage.parts):
        if part.unwell and part.name not in told:  # an alarm of it may come after its delay
            yield f"{part.title}: {', '.join(part.unwell)}"
    for link in links:
        if link.state == "lost" and link.panel not in told:
            yield f"no answer from {link.title}: {link.reason}"
    due = sum(task.state in DUE for task in tasks)
    if due:
        yield f"{_count(due, 'service task')} due"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")
