"""What the keys of one point mean together: which of them a kind of point can have.

A key that could have no effect is refused, since whoever wrote it expects one.
"""

from __future__ import annotations

from collections.abc import Iterator

from collector.plant.findings import Finding, Path, nearest_name
from collector.plant.model import REGISTERS_OF_TYPE, Point
from collector.plant.registers import in_bit_table, point_kind, raw_type, resolve
from collector.plant.yaml_source import SourceTree
from collector.units import UNITS

FIGURE_KEYS = ("scale", "offset", "unit", "deadband", "valid_range", "longest_silence_s")
CONTACT_KEYS = ("inverted", "debounce_scans", "debounce_s")
SPOKEN_UNITS = {
    "percent": "%", "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d", "metre": "m",
    "metres": "m", "meter": "m", "meters": "m", "litre": "L", "litres": "L", "liter": "L",
    "liters": "L", "c": "Cel", "degc": "Cel", "ph": "[pH]", "amp": "A", "amps": "A",
    "ampere": "A", "volt": "V", "volts": "V", "lps": "L/s", "l/sec": "L/s", "cumec": "m3/s",
}  # fmt: skip
REGISTER_KEYS = ("type", "bit", "word_order", "counter", "states", "invalid_raw")


def point_findings(point: Point, path: Path, tree: SourceTree) -> Iterator[Finding]:
    """Everything wrong with the combination of a point's keys.

    Args:
        point: a point whose single values are right.
        path: where it stands in the file.
        tree: the file, for how its values are written.
    """
    for finding in (
        *_register(point, tree, path),
        *_keys_of_kind(point),
        *_raw_figures(point),
        *_values(point),
    ):
        yield finding.below(*path)


def _register(point: Point, tree: SourceTree, path: Path) -> Iterator[Finding]:
    place = tree.marks.get((*path, "reference"))
    digits = place.text if place is not None else None
    if place is not None and digits is not None and not place.quoted and digits.startswith("0"):
        # YAML drops leading zeros: 012345, coil 12345 in six digits, would be read as discrete
        # input 2345.
        yield Finding(
            ("reference",),
            digits,
            f"references of coils in quotes, '{digits}', since YAML drops leading zeros",
        )
        return
    resolved = resolve(point)
    if isinstance(resolved, Finding):
        yield resolved


def _keys_of_kind(point: Point) -> Iterator[Finding]:
    kind = point_kind(point)
    unset = (None, False)
    present = [
        key
        for key in type(point).model_fields
        if not any(getattr(point, key) is value for value in unset)  # 0 == False, yet is set
    ]
    bits = in_bit_table(point)
    for key in present:
        if bits and key in REGISTER_KEYS:
            yield _misplaced(key, "a coil or discrete input", "only on registers")
        elif kind in ("contact", "enumeration") and key in FIGURE_KEYS:
            yield _misplaced(key, _a(kind), "only on readings and counters")
        elif kind != "contact" and key in CONTACT_KEYS:
            yield _misplaced(key, _a(kind), "only on contacts")
    if point.debounce_scans is not None and point.debounce_s is not None:
        yield Finding(
            ("debounce_s",), "'debounce_s' beside 'debounce_scans'", "one of the two", at_key=True
        )
    if bits:
        return
    for key in ("states", "counter", "invalid_raw"):
        if point.bit is not None and getattr(point, key) is not None:
            yield _misplaced(key, "a contact ('bit')", "only where the whole register is a figure")
    if point.bit is None and point.states is not None and point.counter is not None:
        yield Finding(("counter",), "'counter' beside 'states'", "one of the two", at_key=True)
    width = REGISTERS_OF_TYPE[raw_type(point)]
    if point.bit is not None and width > 1:
        yield Finding(("type",), f"'{point.type}' with 'bit'", "uint16, where a bit is picked")
    if point.word_order is not None and width == 1:
        yield _misplaced("word_order", "a figure of one register", "only with longer types")


def _misplaced(key: str, owner: str, expected: str) -> Finding:
    return Finding((key,), f"'{key}' on {owner}", f"it {expected}", at_key=True)


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def _raw_figures(point: Point) -> Iterator[Finding]:
    """Raw figures must be ones the register can hold."""
    if in_bit_table(point) or point.bit is not None:
        return
    name = raw_type(point)
    if name.startswith("float"):
        for key in ("counter", "states"):
            if getattr(point, key) is not None:
                yield Finding((key,), f"'{key}' on a {name}", "a whole-number type", at_key=True)
        return
    low, high = raw_span(name)
    if point.counter is not None and point.counter.modulus > high + 1:
        yield Finding(
            ("counter", "modulus"), str(point.counter.modulus), f"at most {high + 1}, as {name} has"
        )
    for raw in point.states or ():
        if not low <= raw <= high:
            yield Finding(
                ("states", raw),
                f"the figure {raw}",
                f"one from {low} to {high}, as {name} has",
                at_key=True,
            )
    for position, raw in enumerate(point.invalid_raw or ()):
        if not low <= raw <= high:
            yield Finding(
                ("invalid_raw", position), str(raw), f"one from {low} to {high}, as {name} has"
            )


def raw_span(name: str) -> tuple[int, int]:
    """Least and greatest raw figure of a whole-number register type."""
    bits = int(name.lstrip("uint"))
    return (0, 2**bits - 1) if name.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def _values(point: Point) -> Iterator[Finding]:
    if point.unit is not None and point.unit not in UNITS:
        nearest = _nearest_unit(point.unit)
        codes = "" if nearest else f": {', '.join(UNITS)}"
        yield Finding(("unit",), f"'{point.unit}'", f"a known UCUM code{codes}", nearest)
    if point.scale == 0:
        yield Finding(("scale",), "0", "a factor; 0 makes every value the same")
    limits = point.valid_range
    if limits is not None and limits.low >= limits.high:
        yield Finding(
            ("valid_range",), f"low {limits.low:g} and high {limits.high:g}", "low below high"
        )


def _nearest_unit(written: str) -> str | None:
    """The code of a unit written as people write or say it, else the code most alike."""
    if written.casefold() in SPOKEN_UNITS:
        return SPOKEN_UNITS[written.casefold()]
    for unit in UNITS.values():
        if unit.label and written.casefold() == unit.label.casefold():
            return unit.code
    return nearest_name(written, UNITS)
