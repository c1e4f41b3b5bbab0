"""Equipment kinds of a plant file; each refers to points by role, as ``panel.point``.

``role(...)`` marks the fields that name points and says of which kind and of what quantity,
``names(...)`` those that name other equipment; ``references.py`` follows the marks. Their form is
not checked here, since "no such point, did you mean ..." helps more than "no such form".

Lengths are metres above the floor of the well.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.plant.names import NAME_PATTERN, POINT_PATTERN


def about(text: str, **bounds: Any) -> Any:
    """A field with its description and its bounds."""
    return Field(description=text, **bounds)


def role(*kinds: str, measures: str | None = None) -> Any:
    """Mark a field as naming a point.

    Args:
        kinds: what the point may be: contact, reading, counter, enumeration.
        measures: kind of quantity its unit must have (``units.py``), or None for any.
    """
    marks: dict[str, Any] = {"pattern": POINT_PATTERN, "point_kinds": list(kinds)}
    if measures is not None:
        marks["measures"] = measures
    return Field(json_schema_extra=marks)


def names(*kinds: str) -> Any:
    """Mark text as naming other equipment of one of ``kinds``."""
    return Field(json_schema_extra={"pattern": NAME_PATTERN, "equipment_kinds": list(kinds)})


ContactRole = Annotated[str, role("contact")]
FigureRole = Annotated[str, role("reading", "counter")]
CounterRole = Annotated[str, role("counter")]
HoursRole = Annotated[str, role("reading", "counter", measures="time")]
LevelRole = Annotated[str, role("reading", measures="length")]
SpeedRole = Annotated[str, role("reading")]
ResidualRole = Annotated[str, role("reading", measures="concentration")]
CurrentRole = Annotated[str, role("reading", measures="current")]
FlowFrom = Annotated[
    str | None,
    names("well", "meter"),
    about("the well whose pumps, or the flow or volume meter whose water, passes through it"),
]


class Strict(BaseModel):
    """Base of every part here: nothing unknown, nothing converted, nothing changed later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Part(Strict):
    """What all equipment has."""

    title: Annotated[str, about("what people call it", min_length=1)]
    note: Annotated[str | None, about("for people; not used")] = None


class Float(Strict):
    """A float switch of a well."""

    point: Annotated[ContactRole, about("its contact; made means lifted by the water")]
    makes_at_m: Annotated[float, about("water above the floor at which it makes", ge=0, le=50)]
    breaks_at_m: Annotated[
        float | None, about("water above the floor at which it breaks, if lower", ge=0, le=50)
    ] = None

    @property
    def breaks_m(self) -> float:
        """Height at which it breaks; the making height where the file gives no differential."""
        return self.makes_at_m if self.breaks_at_m is None else self.breaks_at_m


class Floats(Strict):
    """The floats of a well by role, bottom up."""

    low: Annotated[Float | None, about("all pumps off below it, against dry running")] = None
    start_1: Annotated[Float | None, about("lead pump on")] = None
    start_2: Annotated[Float | None, about("lag pump on too")] = None
    high: Annotated[Float | None, about("high water alarm")] = None

    def by_role(self) -> list[tuple[str, Float]]:
        """The floats that exist, from the lowest role to the highest."""
        roles = (
            ("low", self.low),
            ("start_1", self.start_1),
            ("start_2", self.start_2),
            ("high", self.high),
        )
        return [(name, present) for name, present in roles if present is not None]


class TableRow(Strict):
    """One row of a level and volume table."""

    level_m: Annotated[float, about("water above the floor", ge=0, le=50)]
    volume_m3: Annotated[float, about("volume below that level", ge=0)]


class RisingMain(Strict):
    """The pipe or hose through which the pumps of a well push.

    Friction by one of two formulas: ``hazen_williams_c`` or ``roughness_mm`` (Darcy-Weisbach).
    """

    discharge_height_m: Annotated[
        float,
        about("its free end, or the water over it, above the floor of the well", gt=0, le=500),
    ]
    length_m: Annotated[float, about("length of pipe or hose", gt=0, le=50000)]
    inner_diameter_mm: Annotated[float, about("inner diameter", ge=10, le=2000)]
    hazen_williams_c: Annotated[
        float | None,
        about("Hazen-Williams coefficient, 100 old iron to 150 plastic", ge=40, le=170),
    ] = None
    roughness_mm: Annotated[
        float | None, about("instead of hazen_williams_c: roughness, for Darcy-Weisbach", ge=0)
    ] = None
    minor_loss_k: Annotated[
        float, about("sum of the loss coefficients of bends, valves, outlet", ge=0, le=1000)
    ] = 0.0


class Well(Part):
    """A tank with floats and pumps: lift sump, collection tank, towed tank, equalization tank."""

    kind: Annotated[Literal["well"], about("a tank with floats and pumps")]
    plan_area_m2: Annotated[float | None, about("area of the water seen from above", gt=0)] = None
    volume_table: Annotated[
        list[TableRow] | None,
        about("instead of plan_area_m2: volumes by level, bottom up", min_length=2),
    ] = None
    overflow_m: Annotated[float | None, about("height at which it overflows", gt=0, le=50)] = None
    floats: Annotated[Floats, about("its float switches by role")] = Floats()
    level: Annotated[LevelRole | None, about("level above the floor, where measured")] = None
    docked: Annotated[
        ContactRole | None,
        about("of a towed tank: made while it is docked; left out, while its panel answers"),
    ] = None
    main: Annotated[RisingMain | None, about("the rising main its pumps share")] = None
    empties_into: Annotated[
        Annotated[str, names("well")] | None, about("the well its pumps lift into, if one here")
    ] = None


class Machine(Part):
    """Anything with a run contact."""

    run: Annotated[ContactRole, about("made while it runs")]
    fault: Annotated[ContactRole | None, about("made at a fault or overload")] = None
    auto: Annotated[ContactRole | None, about("made while its selector is in auto")] = None
    hour_meter: Annotated[HoursRole | None, about("the panel's own run hours")] = None
    start_counter: Annotated[FigureRole | None, about("the panel's own count of starts")] = None
    current: Annotated[CurrentRole | None, about("motor current")] = None
    serial_number: Annotated[str | None, about("of the machine; change it when replaced")] = None
    starts_per_hour_limit: Annotated[float | None, about("as its maker allows", gt=0)] = None


class CurvePoint(Strict):
    """A point of a pump's curve at full speed."""

    flow_l_per_s: Annotated[float, about("flow", ge=0)]
    head_m: Annotated[float, about("head at that flow", ge=0)]


class Pump(Machine):
    """A pump of a well."""

    kind: Annotated[Literal["pump"], about("a pump of a well")]
    well: Annotated[str, names("well"), about("the well it empties")]
    curve: Annotated[
        list[CurvePoint] | None,
        about(
            "points of its curve, flows rising: one (the design point), three from zero flow on "
            "(a power curve) or others (straight segments)",
            min_length=1,
        ),
    ] = None
    curve_form: Annotated[
        Literal["standard", "smooth"],
        about("standard as said at 'curve', or a smooth falling line through three or more points"),
    ] = "standard"
    acceptance_grade: Annotated[
        Literal["1B", "2B", "3B"] | None,
        about(
            "grade of ISO 9906:2012 the curve is guaranteed to; left out, the wider tolerance of "
            "drives up to 10 kW"
        ),
    ] = None
    speed: Annotated[SpeedRole | None, about("its speed, where it is not always the same")] = None
    full_speed: Annotated[
        float | None,
        about("value of 'speed', in its unit, at which the curve holds; 100 % left out", gt=0),
    ] = None


class Blower(Machine):
    """An air blower."""

    kind: Annotated[Literal["blower"], about("an air blower")]


class Mixer(Machine):
    """A mixer."""

    kind: Annotated[Literal["mixer"], about("a mixer")]


MEMBER_KINDS = ("pump", "blower", "mixer", "dosing_pump")
MemberName = Annotated[str, names(*MEMBER_KINDS)]


class Group(Part):
    """Machines that stand in for each other."""

    kind: Annotated[Literal["group"], about("machines that stand in for each other")]
    members: Annotated[list[MemberName], about("their names, all of one kind", min_length=2)]
    duty: Annotated[
        Literal["alternating", "fixed"], about("whether the lead changes from cycle to cycle")
    ] = "alternating"
    needed: Annotated[int, about("how many must run to do the work", ge=1)] = 1
    serves: Annotated[
        list[str], about("of blowers: what gets no air when none of them runs, in words")
    ] = []


class Screen(Part):
    """A screen cleaned by hand."""

    kind: Annotated[Literal["screen"], about("a screen cleaned by hand")]
    cleaning_interval_d: Annotated[float | None, about("days between cleanings", gt=0)] = None


class Filter(Part):
    """A cloth or disc filter that cleans itself when the water over the media rises."""

    kind: Annotated[Literal["filter"], about("a cloth or disc filter that cleans itself")]
    cleaning: Annotated[ContactRole, about("made during a cleaning cycle")]
    level: Annotated[ContactRole | None, about("made at the level that calls for it")] = None
    drive: Annotated[ContactRole | None, about("made while the drive turns")] = None
    vacuum_pump: Annotated[ContactRole | None, about("made while the vacuum pump runs")] = None
    fault: Annotated[ContactRole | None, about("made at a fault")] = None
    area_m2: Annotated[float | None, about("area of the media", gt=0)] = None
    vacuum_l_per_min: Annotated[float | None, about("rate of the vacuum pump", gt=0)] = None
    vacuum_tolerance_percent: Annotated[
        float | None, about("by how much that rate may be off", gt=0, lt=100)
    ] = None
    wash_returns_to: Annotated[
        Annotated[str, names("well")] | None,
        about("the well its wash water runs back to; counted by vacuum_pump and vacuum_l_per_min"),
    ] = None
    flow_from: FlowFrom = None
    longest_cleaning_min: Annotated[
        float | None, about("a cleaning that takes longer does not end", gt=0)
    ] = None
    longest_interval_h: Annotated[
        float | None,
        about("time from cleaning to cleaning after which, water flowing, none comes", gt=0),
    ] = None


class DosingPump(Part):
    """A dosing pump with its day tank."""

    kind: Annotated[Literal["dosing_pump"], about("a dosing pump with its day tank")]
    chemical: Annotated[Literal["coagulant", "hypochlorite", "other"], about("what it doses")]
    run: Annotated[ContactRole | None, about("made while it runs")] = None
    strokes: Annotated[CounterRole | None, about("counter of its strokes")] = None
    fault: Annotated[ContactRole | None, about("made at a fault")] = None
    rated_l_per_h: Annotated[float | None, about("rate while it runs", gt=0)] = None
    ml_per_stroke: Annotated[float | None, about("volume of a stroke", gt=0)] = None
    rate_tolerance_percent: Annotated[
        float | None,
        about("by how much rated_l_per_h or ml_per_stroke may be off", gt=0, lt=100),
    ] = None
    strength_g_per_l: Annotated[
        float | None,
        about(
            "what it counts by (active chlorine, product) in a litre of the solution; a trade per "
            "cent of hypochlorite is 10 g/L available chlorine",
            gt=0,
        ),
    ] = None
    day_tank_l: Annotated[float | None, about("volume of the full day tank", gt=0)] = None
    tank_low: Annotated[ContactRole | None, about("made when the day tank is low")] = None
    low_at_l: Annotated[float | None, about("what is left when 'tank_low' makes", gt=0)] = None
    flow_from: FlowFrom = None


class ContactTank(Part):
    """The tank in which the disinfectant acts."""

    kind: Annotated[Literal["contact_tank"], about("the tank in which the disinfectant acts")]
    volume_m3: Annotated[float, about("volume of water in it", gt=0)]
    baffling_factor: Annotated[float, about("0.1 unbaffled to 1.0 plug flow", gt=0, le=1)]
    flow_from: FlowFrom = None
    residual: Annotated[
        ResidualRole | None, about("residual of the disinfectant at its outlet, where measured")
    ] = None


class Clarifier(Part):
    """A settling tank by gravity."""

    kind: Annotated[Literal["clarifier"], about("a settling tank by gravity")]
    area_m2: Annotated[float, about("area of its surface", gt=0)]
    flow_from: FlowFrom = None


class SludgeStore(Part):
    """The tank in which sludge waits for the haulier."""

    kind: Annotated[Literal["sludge_store"], about("the tank in which sludge waits")]
    volume_m3: Annotated[float, about("volume of the full tank", gt=0)]
    high: Annotated[ContactRole | None, about("made when it is nearly full")] = None


class Meter(Part):
    """A measuring instrument, where there is one."""

    kind: Annotated[Literal["meter"], about("a measuring instrument")]
    measures: Annotated[
        Literal["flow", "volume", "level", "residual", "turbidity", "power", "energy", "other"],
        about("what it measures; the point's unit must fit"),
    ]
    point: Annotated[FigureRole, about("its figure")]
    accuracy_percent: Annotated[
        float | None, about("by how much its figure may be off, of the figure", gt=0, lt=100)
    ] = None
    flow_of: Annotated[
        str | None,
        names("well"),
        about("of a flow or volume meter: the well whose pumps send the water, to compare with"),
    ] = None


class Mains(Part):
    """The electricity supply of a site."""

    kind: Annotated[Literal["mains"], about("the electricity supply of a site")]
    present: Annotated[ContactRole, about("made while there is voltage")]
    panels: Annotated[list[str], about("names of the panels on this supply")] = []


Equipment = Annotated[
    Well | Pump | Blower | Mixer | Group | Screen | Filter | DosingPump | ContactTank | Clarifier
    | SludgeStore | Meter | Mains,
    Field(discriminator="kind"),
]  # fmt: skip
