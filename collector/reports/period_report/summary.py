"""The summary: what there is to know of a period, in a few plain sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from collector.plant.equipment import Blower, Group, Machine
from collector.plant.model import Plant
from collector.reports.alarm_export import lacking
from collector.reports.alarm_history import History
from collector.reports.alarm_rows import Activation
from collector.reports.findings import FindingLine
from collector.reports.logbook import EntryLine
from collector.reports.period_report.machines import outages_of
from collector.reports.period_report.period import Period
from collector.reports.period_report.spans import Known
from collector.reports.period_report.water import Sums, receiving_wells, whole
from collector.reports.service import TaskLine
from collector.reports.view_figures import length_text

MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Gathered:
    """Everything a summary is made of."""

    plant: Plant
    period: Period
    sums: Sums
    known: Known
    history: History
    findings: Sequence[FindingLine]
    entries: Sequence[EntryLine]
    tasks: Sequence[TaskLine]
    began_utc_us: int


def summary_of(gathered: Gathered) -> Iterator[str]:
    """The sentences, the most important first."""
    yield from _water(gathered)
    yield from _alarms(gathered)
    yield from _air(gathered)
    yield from _wrong(gathered)
    yield from _work(gathered)
    yield from _unknown(gathered)


def _water(gathered: Gathered) -> Iterator[str]:
    for name in receiving_wells(gathered.plant):
        pumped = whole(gathered.sums, name, "volume_pumped")
        if pumped.value is None:
            continue
        title = gathered.plant.equipment[name].title
        low = pumped.value if pumped.low is None else pumped.low
        sure = (
            f"at least {low:.0f} m³, how much at most is not known"
            if pumped.high is None
            else f"between {low:.0f} and {pumped.high:.0f} m³"
        )
        yield f"About {pumped.value:.0f} m³ went through {title} ({sure})."


def _alarms(gathered: Gathered) -> Iterator[str]:
    found = gathered.history.activations
    if not found:
        yield "No alarm was raised or stood."
        return
    counted = Counter(one.priority for one in found)
    by_priority = ", ".join(
        f"{counted[word]} of {word} priority" for word in ("high", "medium", "low") if counted[word]
    )
    yield f"{_count(len(found), 'alarm')}: {by_priority}."
    worst = next(word for word in ("high", "medium", "low") if counted[word])
    gravest = sorted((one for one in found if one.priority == worst), key=lambda one: -one.high_s)
    for one in gravest[:MOST_NAMED]:
        cause = f", cause: {one.cause}" if one.cause else ""
        over = gathered.period.ended(one.ended_utc_us)
        end = f"stood for {_length(one)}" if over else "still stood at the end"
        yield f"{one.title}: began {gathered.period.text(one.began_utc_us)}, {end}{cause}."
    if len(gravest) > MOST_NAMED:
        yield f"{len(gravest) - MOST_NAMED} more of {worst} priority are in the table of alarms."
    open_ones = sum(not gathered.period.ended(one.ended_utc_us) for one in found)
    if open_ones:
        yield f"{_count(open_ones, 'alarm')} stood at the end of the period."
    incomplete = sum(bool(lacking(one)) for one in found)
    if incomplete:
        yield f"Of {_count(incomplete, 'alarm')} no cause or no action is on record."


def _air(gathered: Gathered) -> Iterator[str]:
    for name, part in gathered.plant.equipment.items():
        blowers = isinstance(part, Group) and all(
            isinstance(gathered.plant.equipment.get(each), Blower) for each in part.members
        )
        if not blowers:
            continue
        off = whole(gathered.sums, name, "time_without_air").value
        if off is not None:
            share = 100.0 * off * 3600.0 / gathered.period.length_s
            yield f"{part.title}: {off:.0f} h without air in all, {share:.0f} % of the period."


def _wrong(gathered: Gathered) -> Iterator[str]:
    for one in outages_of(gathered.plant, gathered.findings, gathered.period):
        stands = ", and still was at the end" if one.stands else ""
        times = "once" if one.times == 1 else f"{one.times} times"
        yield f"{one.title} was out of order {times}, {length_text(one.length_s)} in all{stands}."
    standing = sum(not gathered.period.ended(line.ended_utc_us) for line in gathered.findings)
    if gathered.findings:
        still = f"{standing} of them still did" if standing else "none still did"
        yield f"{_count(len(gathered.findings), 'thing')} looked wrong; {still} at the end."


def _work(gathered: Gathered) -> Iterator[str]:
    valid = [line for line in gathered.entries if not line.void]
    if valid:
        what = Counter(line.verb.replace("_", " ") for line in valid).most_common()
        listed = ", ".join(f"{times} {verb}" for verb, times in what)
        yield f"{_count(len(valid), 'entry', 'entries')} in the logbook: {listed}."
    due = [line for line in gathered.tasks if line.state in ("due", "overdue")]
    if due:
        named = "; ".join(line.title for line in due[:MOST_NAMED])
        more = f" and {len(due) - MOST_NAMED} more" if len(due) > MOST_NAMED else ""
        yield f"{_count(len(due), 'service task')} due at the end: {named}{more}."


def _unknown(gathered: Gathered) -> Iterator[str]:
    begin, end = gathered.known.watched()
    if end <= begin:
        yield "Nothing of this period was watched."
        return
    for name, panel in gathered.plant.panels.items():
        unknown_s = gathered.known.unknown_s(name, begin, end)
        if unknown_s < 1.0:
            continue
        share = 100.0 * unknown_s / ((end - begin) / 1e6)
        visits = ", which only visits," if panel.visits else ""
        yield (
            f"{panel.title or name}{visits} was not known for {length_text(unknown_s)} "
            f"({share:.1f} % of the time watched)."
        )
    if not any(isinstance(part, Machine) for part in gathered.plant.equipment.values()):
        yield "The plant file names no machines."


def _length(one: Activation) -> str:
    least, most = length_text(one.low_s), length_text(one.high_s)
    return most if least == most else f"at least {least}, at most {most}"


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
