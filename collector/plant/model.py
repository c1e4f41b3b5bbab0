"""What a plant file may say: links, panels, points and equipment, as strict models.

The models only describe and check what one part of the file can know about itself. What needs two
parts (a role that names a point, a pump that names a well) is checked in ``references.py``; where a
problem stands in the file is found in ``load.py``.

Names are lower-case identifiers because they become topic levels, series tags and names in rule
conditions. Lengths are metres above the floor of the well.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.plant.equipment import Equipment

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,47}$", description="lower-case identifier")]
Port = Annotated[int, Field(ge=1, le=65535)]


class Strict(BaseModel):
    """Base of every model here: nothing unknown, nothing converted, nothing changed later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class TcpLink(Strict):
    """Modbus TCP."""

    kind: Literal["tcp"]
    host: Annotated[str, Field(min_length=1)]
    port: Port = 502


class TlsLink(Strict):
    """Modbus/TCP Security: the same over TLS, with certificates checked on both sides."""

    kind: Literal["tls"]
    host: Annotated[str, Field(min_length=1)]
    port: Port = 802
    authority_file: Annotated[str, Field(description="PEM file of the authority that signed the panel's certificate")]
    certificate_file: str | None = None
    key_file: str | None = None
    server_name: Annotated[str | None, Field(description="name in the panel's certificate, if not host")] = None


class RtuLink(Strict):
    """Modbus RTU on a serial line."""

    kind: Literal["rtu"]
    device: Annotated[str, Field(min_length=1)]
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1


class RtuOverTcpLink(Strict):
    """RTU frames carried by a TCP connection, as serial device servers do."""

    kind: Literal["rtu-over-tcp"]
    host: Annotated[str, Field(min_length=1)]
    port: Port = 4001


Link = Annotated[TcpLink | TlsLink | RtuLink | RtuOverTcpLink, Field(discriminator="kind")]

Table = Literal["coil", "discrete-input", "input-register", "holding-register"]
RegisterType = Literal[
    "uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"
]
WordOrder = Literal["high-first", "low-first"]

REGISTERS_OF_TYPE: dict[str, int] = {
    "uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2,
    "uint64": 4, "int64": 4, "float64": 4,
}  # fmt: skip


class LargestRead(Strict):
    """The most a panel answers in one read; the Modbus limits unless its manual says less."""

    bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    registers: Annotated[int, Field(ge=1, le=125)] = 125


class BridgedGap(Strict):
    """How many unused addresses one read may span; 0 where a panel refuses addresses it lacks."""

    bits: Annotated[int, Field(ge=0, le=2000)] = 0
    registers: Annotated[int, Field(ge=0, le=125)] = 0


class Range(Strict):
    """The values a reading can truly have, in the point's unit."""

    low: float
    high: float


class Counter(Strict):
    """A figure that only counts up, and starts again at its modulus."""

    modulus: Annotated[int, Field(ge=2, description="raw counts at which it starts again at zero")]


class Point(Strict):
    """One figure or contact of a panel.

    The register is given as ``table`` and zero-based ``address``, or as the one-based ``reference``
    number printed in manuals (30013, 400108). What the point is follows from what it states:
    a bit table or ``bit`` makes a contact, ``states`` an enumeration, ``counter`` a counter, and
    anything else a reading.
    """

    table: Table | None = None
    address: Annotated[int | None, Field(ge=0, le=65535)] = None
    reference: Annotated[
        int | str | None,
        Field(description="one-based number from the manual; quote references of coils, '00013'"),
    ] = None
    bit: Annotated[int | None, Field(ge=0, le=15, description="0 is the lowest")] = None
    type: RegisterType | None = None
    word_order: WordOrder | None = None
    scale: Annotated[float | None, Field(description="value = raw times scale plus offset")] = None
    offset: float | None = None
    unit: Annotated[str | None, Field(description="UCUM code")] = None
    inverted: Annotated[bool, Field(description="the contact is wired normally closed")] = False
    counter: Counter | None = None
    states: dict[int, str] | None = None
    valid_range: Range | None = None
    invalid_raw: Annotated[
        list[int] | None, Field(description="raw figures by which the panel says 'no value'")
    ] = None
    debounce_scans: Annotated[int | None, Field(ge=1, le=60)] = None
    debounce_s: Annotated[float | None, Field(gt=0, le=600)] = None
    deadband: Annotated[
        float | None, Field(ge=0, description="least change worth a record, in the point's unit")
    ] = None
    longest_silence_s: Annotated[float | None, Field(gt=0)] = None
    note: str | None = None


class Frozen(Strict):
    """How to know that a panel answers but no longer lives."""

    heartbeat: Annotated[str | None, Field(description="a point of this panel that must move")] = None
    after_s: Annotated[float, Field(gt=0, description="longest time it may stand still")]


class Panel(Strict):
    """A controller or remote input unit that answers to one unit identifier on a link."""

    title: str | None = None
    link: Name
    unit_identifier: Annotated[int, Field(ge=0, le=255)] = 1
    scan_period_s: Annotated[float, Field(ge=0.1, le=3600)] = 1.0
    reply_timeout_s: Annotated[float, Field(ge=0.02, le=10)] = 0.5
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    lost_after_s: Annotated[
        float | None, Field(gt=0, description="without an answer this long, the link is lost")
    ] = None
    word_order: WordOrder = "high-first"
    largest_read: LargestRead = LargestRead()
    bridged_gap: BridgedGap = BridgedGap()
    visits: Annotated[bool, Field(description="it is only there at times; away is no fault")] = False
    frozen: Frozen | None = None
    points: Annotated[dict[Name, Point], Field(min_length=1)]

    @property
    def silence_s(self) -> float:
        """Time without an answer after which the link counts as lost: as given, or three scans."""
        if self.lost_after_s is not None:
            return self.lost_after_s
        return max(3.0 * self.scan_period_s, 2.0)


class PlantFacts(Strict):
    """What the whole plant is called and where it keeps its days."""

    name: Name
    title: str
    time_zone: Annotated[str, Field(description="IANA name; plant days begin at its midnight")]


class Plant(Strict):
    """A plant file."""

    plant: PlantFacts
    links: Annotated[dict[Name, Link], Field(min_length=1)]
    panels: Annotated[dict[Name, Panel], Field(min_length=1)]
    equipment: dict[Name, Equipment] = {}
