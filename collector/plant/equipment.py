"""Equipment kinds of a plant file; each refers to points by role, as ``panel.point``.

A role that ends in a contact takes a contact point, one that ends in a figure takes a reading or a
counter; ``references.py`` checks it. ``role(...)`` marks the fields that name points and says which.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

EquipmentName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,47}$")]
POINT_PATTERN = r"^[a-z][a-z0-9_]{0,47}\.[a-z][a-z0-9_]{0,47}$"


def role(*kinds: str, measures: str | None = None) -> Any:
    """Mark a field as naming a point of one of ``kinds`` (contact, reading, counter, enumeration)."""
    extra: dict[str, Any] = {"point_kinds": list(kinds)}
    if measures is not None:
        extra["measures"] = measures
    return Field(pattern=POINT_PATTERN, json_schema_extra=extra, description="panel.point")


def names(*kinds: str) -> Any:
    """Mark a field as naming other equipment of one of ``kinds``."""
    return Field(json_schema_extra={"equipment_kinds": list(kinds)})


ContactRole = Annotated[str, role("contact")]
FigureRole = Annotated[str, role("reading", "counter")]
CounterRole = Annotated[str, role("counter")]
TimeFigureRole = Annotated[str, role("reading", "counter", measures="time")]


class Part(BaseModel):
    """What all equipment has."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    title: str
    note: str | None = None


class Float(BaseModel):
    """A float switch of a well.

    Args:
        point: its contact; made means lifted by the water.
        makes_at_m, breaks_at_m: heights of the water above the floor at which it makes and breaks.
    """

    model_config = Part.model_config

    point: ContactRole
    makes_at_m: Annotated[float, Field(ge=0, le=50)]
    breaks_at_m: Annotated[float | None, Field(ge=0, le=50)] = None

    @property
    def breaks_m(self) -> float:
        """Height at which it breaks; the making height where the file gives no differential."""
        return self.makes_at_m if self.breaks_at_m is None else self.breaks_at_m


class Floats(BaseModel):
    """The floats of a well by role, bottom up."""

    model_config = Part.model_config

    low: Float | None = None
    start_1: Float | None = None
    start_2: Float | None = None
    high: Float | None = None

    def by_role(self) -> list[tuple[str, Float]]:
        """The floats that exist, from the lowest role to the highest."""
        roles = (
            ("low", self.low),
            ("start_1", self.start_1),
            ("start_2", self.start_2),
            ("high", self.high),
        )
        return [(name, present) for name, present in roles if present is not None]


class TableRow(BaseModel):
    """One row of a level and volume table."""

    model_config = Part.model_config

    level_m: Annotated[float, Field(ge=0, le=50)]
    volume_m3: Annotated[float, Field(ge=0)]


class Well(Part):
    """A tank with floats and pumps: lift sump, collection tank, towed tank, equalization tank."""

    kind: Literal["well"]
    plan_area_m2: Annotated[float | None, Field(gt=0)] = None
    volume_table: Annotated[list[TableRow] | None, Field(min_length=2)] = None
    overflow_m: Annotated[float | None, Field(gt=0, le=50)] = None
    floats: Floats
    level: Annotated[str | None, role("reading", measures="length")] = None


class Machine(Part):
    """Anything with a run contact."""

    run: ContactRole
    fault: ContactRole | None = None
    auto: ContactRole | None = None
    hour_meter: TimeFigureRole | None = None
    start_counter: FigureRole | None = None
    current: Annotated[str | None, role("reading", measures="current")] = None
    serial_number: str | None = None
    starts_per_hour_limit: Annotated[float | None, Field(gt=0)] = None


class Pump(Machine):
    """A pump of a well."""

    kind: Literal["pump"]
    well: Annotated[EquipmentName, names("well")]


class Blower(Machine):
    """An air blower."""

    kind: Literal["blower"]


class Mixer(Machine):
    """A mixer."""

    kind: Literal["mixer"]


class Group(Part):
    """Machines that stand in for each other."""

    kind: Literal["group"]
    members: Annotated[
        list[EquipmentName], names("pump", "blower", "mixer", "dosing_pump"), Field(min_length=2)
    ]
    duty: Literal["alternating", "fixed"] = "alternating"
    needed: Annotated[int, Field(ge=1, description="how many must run to do the work")] = 1


class Screen(Part):
    """A screen cleaned by hand."""

    kind: Literal["screen"]
    cleaning_interval_d: Annotated[float | None, Field(gt=0)] = None


class Filter(Part):
    """A cloth or disc filter that cleans itself when the water over the media rises."""

    kind: Literal["filter"]
    cleaning: ContactRole
    level: ContactRole | None = None
    drive: ContactRole | None = None
    vacuum_pump: ContactRole | None = None
    fault: ContactRole | None = None
    area_m2: Annotated[float | None, Field(gt=0)] = None
    vacuum_l_per_min: Annotated[float | None, Field(gt=0)] = None


class DosingPump(Part):
    """A dosing pump with its day tank."""

    kind: Literal["dosing_pump"]
    chemical: Literal["coagulant", "hypochlorite", "other"]
    run: ContactRole | None = None
    strokes: CounterRole | None = None
    fault: ContactRole | None = None
    rated_l_per_h: Annotated[float | None, Field(gt=0)] = None
    ml_per_stroke: Annotated[float | None, Field(gt=0)] = None
    strength_g_per_l: Annotated[float | None, Field(gt=0)] = None
    day_tank_l: Annotated[float | None, Field(gt=0)] = None
    tank_low: ContactRole | None = None


class ContactTank(Part):
    """The tank in which the disinfectant acts."""

    kind: Literal["contact_tank"]
    volume_m3: Annotated[float, Field(gt=0)]
    baffling_factor: Annotated[float, Field(gt=0, le=1)]


class Clarifier(Part):
    """A settling tank by gravity."""

    kind: Literal["clarifier"]
    area_m2: Annotated[float, Field(gt=0)]


class SludgeStore(Part):
    """The tank in which sludge waits for the haulier."""

    kind: Literal["sludge_store"]
    volume_m3: Annotated[float, Field(gt=0)]
    high: ContactRole | None = None


class Meter(Part):
    """A measuring instrument, where there is one."""

    kind: Literal["meter"]
    measures: Literal["flow", "volume", "level", "residual", "turbidity", "power", "energy", "other"]
    point: FigureRole


class Mains(Part):
    """The electricity supply of a site."""

    kind: Literal["mains"]
    present: ContactRole
    panels: Annotated[list[EquipmentName], Field(description="panels on this supply")] = []


Equipment = Annotated[
    Well | Pump | Blower | Mixer | Group | Screen | Filter | DosingPump | ContactTank | Clarifier
    | SludgeStore | Meter | Mains,
    Field(discriminator="kind"),
]  # fmt: skip
