"""What needs two parts of a plant file: names that must exist, things that must not be used twice.

Links, panels and points are looked at here, and the roles of all equipment; what wells, groups and
the other kinds must be in themselves is in ``equipment_rules.py``.

Sources: a serial line has unit identifiers 1 to 247, 0 is broadcast and never answered: MODBUS over
Serial Line V1.02, sections 2.2 and 2.1. Unit identifiers to 255 on TCP: MODBUS Messaging on TCP/IP
Implementation Guide V1.0b, section 4.4.2.
"""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import available_timezones

from collector.plant.equipment import Equipment
from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.model import Panel, Point, RtuLink, RtuOverTcpLink, TlsLink
from collector.plant.registers import Register, point_kind, raw_type, resolve
from collector.plant.shapes import Shape, shapes_of
from collector.plant.survey import Survey
from collector.plant.yaml_source import SourceTree
from collector.units import UNITS

LARGEST_SERIAL_UNIT = 247


def reference_findings(survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    """Everything wrong between the parts of a plant file.

    Args:
        survey: its parts, as far as they are right.
        tree: the file.
    """
    yield from _time_zone(survey)
    yield from _links(survey)
    yield from _panels(survey, tree)
    yield from _shared_registers(survey)
    yield from _names_twice(survey)
    for name, part in survey.whole_equipment():
        yield from _roles(name, part, survey, tree)
    yield from _contacts_twice(survey)


def _time_zone(survey: Survey) -> Iterator[Finding]:
    if survey.facts is None:
        return
    zones = available_timezones()
    written = survey.facts.time_zone
    if written not in zones:
        yield Finding(
            ("plant", "time_zone"),
            f"'{written}'",
            "an IANA time zone, such as Europe/Berlin",
            nearest_name(written, sorted(zones)),
        )


def _links(survey: Survey) -> Iterator[Finding]:
    used = {panel.link for _, panel in survey.whole_panels()}
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
    if panel.reply_timeout_s * tries > scan_s:
        keys = ("reply_timeout_s", "retries", "scan_period_s")
        key = next((key for key in keys if (*path, key) in tree.marks), keys[0])
        yield Finding(
            (key,),
            f"{tries} tries of {panel.reply_timeout_s:g} s each for one read",
            f"tries that fit into the scan period of {scan_s:g} s",
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
    for panel in survey.panels:
        seen: dict[tuple[object, ...], str] = {}
        long_figures: list[tuple[str, Register]] = []
        for owner, name, point in survey.whole_points():
            register = resolve(point) if owner == panel else None
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


def _names_twice(survey: Survey) -> Iterator[Finding]:
    for name in survey.equipment:
        if name in survey.panels:
            yield Finding(
                ("equipment", name),
                f"'{name}', which is the name of a panel",
                "a name of its own, since both are published side by side",
                at_key=True,
            )


def _roles(name: str, part: Equipment, survey: Survey, tree: SourceTree) -> Iterator[Finding]:
    path: Path = ("equipment", name)
    for at, written, shape in shapes_of(type(part)).marked(tree.value(path)):
        if "point_kinds" in shape:
            finding = _point_role(written, shape, survey)
        else:
            finding = _equipment_role(written, shape, survey)
        if finding is not None:
            yield finding.below(*path, *at)


def _point_role(written: str, shape: Shape, survey: Survey) -> Finding | None:
    panel, _, name = written.partition(".")
    if (panel, name) not in survey.points:
        expected = "a point, written panel.point"
        if panel in survey.panels:
            expected = f"a point of panel '{panel}'"
        return Finding((), f"'{written}'", expected, _nearest_point(written, survey))
    point = survey.points[panel, name]
    if point is None or isinstance(resolve(point), Finding):
        return None
    kind = point_kind(point)
    if kind not in shape["point_kinds"]:
        return Finding(
            (),
            f"'{written}', which is {_with_article(kind)}",
            " or ".join(_with_article(wanted) for wanted in shape["point_kinds"]),
        )
    return quantity_finding(written, point, shape.get("measures"))


def quantity_finding(written: str, point: Point, quantity: str | None) -> Finding | None:
    """What is wrong with the unit of a point that must measure a quantity; None if nothing is.

    Args:
        written: the point as the file names it.
        point: the point.
        quantity: kind of quantity (``units.py``), or None where any will do.
    """
    if quantity is None or (point.unit is not None and point.unit not in UNITS):
        return None
    fitting = [unit.code for unit in UNITS.values() if unit.kind == quantity]
    expected = f"a point in a unit of {quantity}: {', '.join(fitting)}"
    if point.unit is None:
        return Finding((), f"'{written}', which has no unit", expected)
    if UNITS[point.unit].kind != quantity:
        return Finding((), f"'{written}', which is in '{point.unit}'", expected)
    return None


def _nearest_point(written: str, survey: Survey) -> str | None:
    """The closest point of the same panel, else of any, else the one point of that name."""
    panel, dot, name = written.partition(".")
    if not dot:
        owners = [owner for owner, point in survey.points if point == panel]
        return f"{owners[0]}.{panel}" if len(owners) == 1 else None
    own = nearest_name(name, [point for owner, point in survey.points if owner == panel])
    if own is not None:
        return f"{panel}.{own}"
    return nearest_name(written, [f"{owner}.{point}" for owner, point in survey.points])


def _equipment_role(written: str, shape: Shape, survey: Survey) -> Finding | None:
    wanted = shape["equipment_kinds"]
    expected = " or ".join(f"the name of a {kind.replace('_', ' ')}" for kind in wanted)
    if len(wanted) > 1:
        expected = f"the name of one of: {', '.join(wanted)}"
    if written not in survey.equipment:
        fitting = [name for name, part in survey.whole_equipment() if part.kind in wanted]
        return Finding((), f"'{written}'", expected, nearest_name(written, fitting))
    part = survey.equipment[written]
    if part is not None and part.kind not in wanted:
        return Finding((), f"'{written}', which is {_with_article(part.kind)}", expected)
    return None


def _contacts_twice(survey: Survey) -> Iterator[Finding]:
    """One run contact belongs to one machine."""
    runs: dict[str, str] = {}
    for name, part in survey.whole_equipment():
        run = getattr(part, "run", None)
        if run is None:
            continue
        other = runs.setdefault(run, name)
        if other != name:
            yield Finding(
                ("equipment", name, "run"),
                f"'{run}', the run contact of '{other}'",
                "a contact of its own",
            )
        for key in ("fault", "auto"):
            if getattr(part, key, None) == run:
                yield Finding(
                    ("equipment", name, key), f"'{run}', its run contact too", "another contact"
                )


def _with_article(noun: str) -> str:
    spaced = noun.replace("_", " ")
    return f"{'an' if spaced[0] in 'aeiou' else 'a'} {spaced}"
