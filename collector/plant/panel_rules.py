"""What links, panels and the registers of their points must be together.

Sources: a serial line has unit identifiers 1 to 247, 0 is broadcast and never answered: MODBUS over
Serial Line V1.02, sections 2.2 and 2.1. Unit identifiers to 255 on TCP: MODBUS Messaging on TCP/IP
Implementation Guide V1.0b, section 4.4.2.
"""

from __future__ import annotations

from collections.abc import Iterator

from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.model import Panel, Point, RtuLink, RtuOverTcpLink, TlsLink
from collector.plant.registers import Register, raw_type, resolve
from collector.plant.survey import Survey
from collector.plant.yaml_source import SourceTree

LARGEST_SERIAL_UNIT = 247


def panel_findings(survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    """Everything wrong between the links, panels and points of a plant file.

    Args:
        survey: its parts, as far as they are right.
        tree: the file.
    """
    yield from _links(survey)
    yield from _panels(survey, tree)
    yield from _shared_registers(survey)


def _links(survey: Survey) -> Iterator[Finding]:
    named = {panel.link for _, panel in survey.whole_panels()}
    # A link that a misspelt name meant is not called unused as well.
    used = named | {nearest_name(name, survey.links) for name in named - set(survey.links)}
    all_known = all(panel is not None for panel in survey.panels.values())
    ends: dict[str, str] = {}
    for name, link in survey.links.items():
        path: Path = ("links", name)
        if all_known and name not in used:
            yield Finding(
                path,
                f"the link '{name}' that no panel uses",
                "a panel on it, or no such link",
                at_key=True,
            )
        if link is None:
            continue
        if isinstance(link, RtuLink):
            key, what = "device", f"'{link.device}'"
        else:
            key, what = "host", f"'{link.host.casefold()}' port {link.port}"
        other = ends.setdefault(what, name)
        if other != name:
            yield Finding(
                (*path, key), f"{what}, as link '{other}' has", "one link for all panels behind it"
            )
        if isinstance(link, TlsLink) and (link.certificate_file is None) != (link.key_file is None):
            present = "certificate_file" if link.key_file is None else "key_file"
            yield Finding(
                (*path, present),
                f"'{present}' alone",
                "certificate_file and key_file, or neither",
                at_key=True,
            )


def _panels(survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    units: dict[tuple[str, int], str] = {}
    for name, panel in survey.whole_panels():
        path: Path = ("panels", name)
        if panel.link not in survey.links:
            yield Finding(
                (*path, "link"),
                f"'{panel.link}'",
                f"one of the links: {', '.join(survey.links) or 'none is given'}",
                nearest_name(panel.link, survey.links),
            )
        else:
            yield from _unit_identifier(name, panel, survey, units)
        for finding in _panel_times(panel, tree, path):
            yield finding.below(*path)
        yield from _panel_points(name, panel, survey)


def _unit_identifier(
    name: str, panel: Panel, survey: Survey, units: dict[tuple[str, int], str]
) -> Iterator[Finding]:
    path: Path = ("panels", name, "unit_identifier")
    unit = panel.unit_identifier
    other = units.setdefault((panel.link, unit), name)
    if other != name:
        yield Finding(
            path,
            f"unit {unit} on link '{panel.link}', as panel '{other}' has",
            "another unit identifier; a panel is one unit on one link",
        )
    serial = isinstance(survey.links[panel.link], (RtuLink, RtuOverTcpLink))
    if serial and unit > LARGEST_SERIAL_UNIT:
        yield Finding(path, str(unit), f"1 to {LARGEST_SERIAL_UNIT} on a serial line")


def _panel_times(panel: Panel, tree: SourceTree, path: Path) -> Iterator[Finding]:
    scan_s = panel.scan_period_s
    if panel.lost_after_s is not None and panel.lost_after_s < scan_s:
        yield Finding(
            ("lost_after_s",),
            f"{panel.lost_after_s:g} s",
            f"at least the scan period, {scan_s:g} s",
        )
    tries = panel.retries + 1
    if panel.reply_timeout_s * tries > panel.silence_s:
        keys = ("reply_timeout_s", "retries", "lost_after_s", "scan_period_s")
        key = next((key for key in keys if (*path, key) in tree.marks), keys[0])
        yield Finding(
            (key,),
            f"{tries} tries of {panel.reply_timeout_s:g} s each for one read",
            f"tries that end before the panel counts as lost, after {panel.silence_s:g} s",
        )
    frozen = panel.frozen
    if frozen is not None and frozen.after_s < scan_s:
        yield Finding(
            ("frozen", "after_s"),
            f"{frozen.after_s:g} s",
            f"at least the scan period, {scan_s:g} s",
        )


def _panel_points(name: str, panel: Panel, survey: Survey) -> Iterator[Finding]:
    own = [point for owner, point in survey.points if owner == name]
    frozen = panel.frozen
    if frozen is not None and frozen.heartbeat is not None and frozen.heartbeat not in own:
        yield Finding(
            ("panels", name, "frozen", "heartbeat"),
            f"'{frozen.heartbeat}'",
            f"the name of a point of panel '{name}'",
            nearest_name(frozen.heartbeat.rpartition(".")[2], own),
        )
    for point_name, point in panel.points.items():
        register = resolve(point)
        most = panel.largest_read.registers
        if isinstance(register, Register) and not register.in_bit_table and register.length > most:
            yield Finding(
                ("panels", name, "points", point_name, "type"),
                f"a type of {register.length} registers",
                f"at most {most}, the panel's largest read, since half a figure is none",
            )


def _shared_registers(survey: Survey) -> Iterator[Finding]:
    """The same bit or figure twice is a slip; a register as a figure and as bits is not."""
    points_of: dict[str, list[tuple[str, Point]]] = {}
    for owner, name, point in survey.whole_points():
        points_of.setdefault(owner, []).append((name, point))
    for panel in survey.panels:
        seen: dict[tuple[object, ...], str] = {}
        long_figures: list[tuple[str, Register]] = []
        for name, point in points_of.get(panel, ()):
            register = resolve(point)
            if not isinstance(register, Register):
                continue
            path: Path = ("panels", panel, "points", name)
            other = seen.setdefault(_identity(register, point), name)
            bit = "" if point.bit is None else f" bit {point.bit}"
            if other != name:
                yield Finding(
                    path,
                    f"{register.text}{bit}, which point '{other}' reads already",
                    "each bit or figure in one point",
                    at_key=True,
                )
            elif register.length > 1:
                for other, taken in long_figures:
                    if _overlap(register, taken):
                        yield Finding(
                            path,
                            f"{register.text} of {register.length} registers, of which point "
                            f"'{other}' reads some at {taken.text}",
                            "figures that do not overlap",
                            at_key=True,
                        )
                long_figures.append((name, register))


def _identity(register: Register, point: Point) -> tuple[object, ...]:
    raw = None if register.in_bit_table or point.bit is not None else raw_type(point)
    return (register.table, register.address, point.bit, raw)


def _overlap(one: Register, other: Register) -> bool:
    return (
        one.table == other.table
        and one.address != other.address
        and one.address < other.address + other.length
        and other.address < one.address + one.length
    )
