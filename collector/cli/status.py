"""``weirkeeper status``: how the plant is now, from the journal."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from zoneinfo import ZoneInfo

from collector.cli.command import Answer, Command
from collector.cli.options import add_journal, add_settings, journal_path
from collector.cli.tables import cut, duration, hours, local_time, table
from collector.clock import SystemClock
from collector.errors import ExitCode
from collector.journal.reader import JournalReader
from collector.reports.picture import ChangeLine, MachineLine, Picture, WellLine, draw_picture

MOST_ALARMS = 6  # of them shown; "alarms" shows all


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_journal(parser)
    add_settings(parser)


def execute(options: argparse.Namespace) -> Answer:
    """Read the journal; exit code 1 says that something is not well."""
    path = journal_path(options)
    with JournalReader(path) as reader:
        picture = draw_picture(path, reader)
    if picture is None:
        return Answer(
            f"{path}: no plant has been watched yet", {"plant": None}, ExitCode.ANSWER_IS_NO
        )
    now_us = SystemClock().wall_us()
    troubles = picture.troubles(now_us)
    data = {**asdict(picture), "troubles": troubles}
    code = ExitCode.ANSWER_IS_NO if troubles else ExitCode.DONE
    return Answer("\n".join(picture_lines(picture, now_us)), data, code)


def picture_lines(picture: Picture, now_us: int) -> list[str]:
    """A picture as lines of at most 80 columns."""
    zone = ZoneInfo(picture.time_zone)
    age_s = max(0.0, (now_us - picture.as_of_utc_us) / 1e6)
    lines = [
        f"{picture.title}, {local_time(now_us, zone)} {picture.time_zone}",
        f"collector: {picture.holder or 'not running'}, last sign {duration(age_s)} ago",
        f"journal: record {picture.newest_number}, {picture.journal_bytes / 2**20:.1f} MiB"
        + "".join(f"; {name} {count} behind" for name, count in picture.behind.items()),
    ]
    troubles = picture.troubles(now_us)
    lines += [f"! {trouble}" for trouble in troubles] or ["no panel lost, no high float made"]
    return [*map(cut, lines), "", *plant_lines(picture, now_us)]


def plant_lines(picture: Picture, now_us: int) -> list[str]:
    """The plant itself: panels, wells, machines and the last changes."""
    zone = ZoneInfo(picture.time_zone)
    lines = [*_alarm_lines(picture, zone, now_us), *_panel_lines(picture, zone, now_us)]
    if picture.wells:
        lines += ["", *table(("well", "water", "heights", "floats made"),
                             [_well_cells(well) for well in picture.wells])]  # fmt: skip
    if picture.machines:
        headings = ("machine", "does", "since", "run h", "+- h", "unknown h", "starts", "/h")
        cells = [_machine_cells(machine, zone, now_us) for machine in picture.machines]
        lines += ["", *table(headings, cells, frozenset({3, 4, 5, 6, 7}))]
    if picture.changes:
        lines += ["", "last changes (newest first)"]
        lines += [_change_line(change, zone, now_us) for change in picture.changes]
    return lines


def _alarm_lines(picture: Picture, zone: ZoneInfo, now_us: int) -> list[str]:
    """What is not normal, as far as there is room for it."""
    if not picture.alarms:
        return []
    rows = [
        [
            alarm.title or alarm.alarm,
            alarm.priority,
            alarm.state + (" (unknown)" if alarm.unknown else ""),
            local_time(alarm.since_utc_us, zone, now_us),
        ]
        for alarm in picture.alarms[:MOST_ALARMS]
    ]
    lines = [cut(line) for line in table(("alarm", "priority", "state", "since"), rows)]
    left = len(picture.alarms) - len(rows)
    return [*lines, *([f"and {left} more, see 'weirkeeper alarms'"] if left else []), ""]


def _panel_lines(picture: Picture, zone: ZoneInfo, now_us: int) -> list[str]:
    rows = [
        [
            panel.panel,
            panel.state + (f" ({panel.reason})" if panel.reason and panel.state == "lost" else ""),
            local_time(panel.since_utc_us, zone, now_us),
            "-" if panel.availability is None else f"{100 * panel.availability:.2f} %",
        ]
        for panel in picture.panels
    ]
    return table(("panel", "link", "since", "answered"), rows, frozenset({3}))


def _well_cells(well: WellLine) -> list[str]:
    heights = "-"
    if well.low_m is not None:
        top = "?" if well.high_m is None else f"{well.high_m:.2f}"
        heights = f"{well.low_m:.2f} to {top} m"
    made = [role for role, state in well.floats.items() if state]
    unknown = [role for role, state in well.floats.items() if state is None]
    told = ", ".join(made) or ("none" if not unknown else "")
    if unknown:
        told = f"{told}; unknown: {', '.join(unknown)}".removeprefix("; ")
    return [well.well, well.band, heights, told]


def _machine_cells(machine: MachineLine, zone: ZoneInfo, now_us: int) -> list[str]:
    bracket = "-"
    if machine.run_s is not None and machine.run_low_s is not None:
        bracket = hours(machine.run_s - machine.run_low_s)
    starts = "-" if machine.starts is None else str(machine.starts)
    rate = "-" if machine.starts_per_hour is None else f"{machine.starts_per_hour:.0f}"
    return [
        machine.machine,
        machine.state,
        local_time(machine.since_utc_us, zone, now_us),
        hours(machine.run_s),
        bracket,
        hours(machine.unknown_s),
        f">={starts}" if machine.starts_at_least else starts,
        rate,
    ]


def _change_line(change: ChangeLine, zone: ZoneInfo, now_us: int) -> str:
    quality = "" if change.quality == "good" else f" ({change.quality}: {change.reason})"
    at = local_time(change.at_utc_us, zone, now_us)
    return cut(f"{at}  {change.point}  {change.value}{quality}")


COMMAND = Command(
    name="status",
    summary="how the plant is now, from the journal",
    example="weirkeeper status --journal weirkeeper.journal",
    add_options=add_options,
    execute=execute,
    about="exit code 1: something is not well; the lines that begin with '!' say what\n",
)
