"""The units a plant file may name and the tool publishes: one table, UCUM codes.

Inside the program everything is in the SI unit of its kind; ``to_si`` is used once, when a register
becomes a value, and the factor is used once more where a person or another program reads it.

Source of the codes: The Unified Code for Units of Measure, table of case sensitive ("c/s") symbols;
a unit UCUM does not have is an annotation in braces, as UCUM section 2.2 provides.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure.

    Args:
        code: UCUM code, as written in plant files and published.
        kind: what it measures.
        si_code: UCUM code of the unit used inside.
        si_factor: value in ``si_code`` = value in ``code`` times ``si_factor`` plus ``si_shift``.
        label: as people write it.
    """

    code: str
    kind: str
    si_code: str
    si_factor: float
    label: str
    si_shift: float = 0.0

    def to_si(self, value: float) -> float:
        """Convert a value in this unit to the inside unit of its kind."""
        return value * self.si_factor + self.si_shift

    def from_si(self, value: float) -> float:
        """Convert a value in the inside unit of its kind to this unit."""
        return (value - self.si_shift) / self.si_factor


def _units() -> dict[str, Unit]:
    rows: list[tuple[str, str, str, float, str]] = [
        ("1", "number", "1", 1.0, ""),
        ("%", "number", "1", 0.01, "%"),
        ("s", "time", "s", 1.0, "s"),
        ("min", "time", "s", 60.0, "min"),
        ("h", "time", "s", 3600.0, "h"),
        ("d", "time", "s", 86400.0, "d"),
        ("m", "length", "m", 1.0, "m"),
        ("cm", "length", "m", 0.01, "cm"),
        ("mm", "length", "m", 0.001, "mm"),
        ("m2", "area", "m2", 1.0, "m²"),
        ("m3", "volume", "m3", 1.0, "m³"),
        ("L", "volume", "m3", 0.001, "L"),
        ("mL", "volume", "m3", 1e-6, "mL"),
        ("m3/s", "flow", "m3/s", 1.0, "m³/s"),
        ("m3/h", "flow", "m3/s", 1 / 3600, "m³/h"),
        ("m3/d", "flow", "m3/s", 1 / 86400, "m³/d"),
        ("L/s", "flow", "m3/s", 0.001, "L/s"),
        ("L/min", "flow", "m3/s", 0.001 / 60, "L/min"),
        ("L/h", "flow", "m3/s", 0.001 / 3600, "L/h"),
        ("L/d", "flow", "m3/s", 0.001 / 86400, "L/d"),
        ("mL/min", "flow", "m3/s", 1e-6 / 60, "mL/min"),
        ("mg/L", "concentration", "kg/m3", 0.001, "mg/L"),
        ("g/L", "concentration", "kg/m3", 1.0, "g/L"),
        ("kg/m3", "concentration", "kg/m3", 1.0, "kg/m³"),
        ("mg.min/L", "concentration times time", "kg.s/m3", 0.06, "mg·min/L"),
        ("m/h", "surface rate", "m/s", 1 / 3600, "m/h"),
        ("m/d", "surface rate", "m/s", 1 / 86400, "m/d"),
        ("Pa", "pressure", "Pa", 1.0, "Pa"),
        ("kPa", "pressure", "Pa", 1e3, "kPa"),
        ("mbar", "pressure", "Pa", 100.0, "mbar"),
        ("bar", "pressure", "Pa", 1e5, "bar"),
        ("A", "current", "A", 1.0, "A"),
        ("mA", "current", "A", 0.001, "mA"),
        ("V", "voltage", "V", 1.0, "V"),
        ("W", "power", "W", 1.0, "W"),
        ("kW", "power", "W", 1000.0, "kW"),
        ("kW.h", "energy", "J", 3.6e6, "kWh"),
        ("Hz", "frequency", "Hz", 1.0, "Hz"),
        ("/min", "frequency", "Hz", 1 / 60, "1/min"),
        ("/h", "frequency", "Hz", 1 / 3600, "1/h"),
        ("%/d", "relative change", "/s", 0.01 / 86400, "%/d"),
        ("{NTU}", "turbidity", "{NTU}", 1.0, "NTU"),
        ("[pH]", "acidity", "[pH]", 1.0, "pH"),
        ("K", "temperature", "K", 1.0, "K"),
    ]
    table = {code: Unit(code, kind, si, factor, label) for code, kind, si, factor, label in rows}
    table["Cel"] = Unit("Cel", "temperature", "K", 1.0, "°C", si_shift=273.15)
    return table


UNITS: dict[str, Unit] = _units()
