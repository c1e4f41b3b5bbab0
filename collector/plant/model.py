"""What a plant file may say: links, panels, points and equipment, as strict models.

The models only describe and check what one value can know about itself. What belongs together is
checked by rules: the keys of a point in ``point_rules.py``, links and panels in ``panel_rules.py``,
roles and names in ``references.py``, wells and groups in ``equipment_rules.py``; ``load.py`` runs
them all.

Every field has a description: they are the help an editor shows (``schema.py``).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from collector.plant.equipment import Equipment, Strict, about
from collector.plant.names import NAME_PATTERN

Name = Annotated[str, Field(pattern=NAME_PATTERN)]


Host = Annotated[str, about("host name or IP address", min_length=1)]
PortNumber = Annotated[int, about("TCP port", ge=1, le=65535)]


class TcpLink(Strict):
    """Modbus TCP."""

    kind: Annotated[Literal["tcp"], about("Modbus TCP")]
    host: Host
    port: PortNumber = 502


class TlsLink(Strict):
    """Modbus/TCP Security: the same over TLS, with certificates checked on both sides."""

    kind: Annotated[Literal["tls"], about("Modbus/TCP Security")]
    host: Host
    port: PortNumber = 802
    authority_file: Annotated[
        str, about("PEM file of the authority that signed the panel's certificate", min_length=1)
    ]
    certificate_file: Annotated[str | None, about("PEM file of our own certificate")] = None
    key_file: Annotated[str | None, about("PEM file of the key of our own certificate")] = None
    server_name: Annotated[
        str | None, about("name in the panel's certificate, where it is not the host")
    ] = None


class RtuLink(Strict):
    """Modbus RTU on a serial line."""

    kind: Annotated[Literal["rtu"], about("Modbus RTU on a serial line")]
    device: Annotated[str, about("serial device, such as /dev/ttyUSB0", min_length=1)]
    baud: Annotated[
        Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200], about("bits a second")
    ] = 19200
    parity: Annotated[Literal["even", "odd", "none"], about("parity bit")] = "even"
    stop_bits: Annotated[Literal[1, 2], about("stop bits")] = 1


class RtuOverTcpLink(Strict):
    """RTU frames carried by a TCP connection, as serial device servers do."""

    kind: Annotated[Literal["rtu-over-tcp"], about("RTU frames over TCP, by a serial server")]
    host: Host
    port: PortNumber = 4001


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

    bits: Annotated[int, about("coils or discrete inputs in one read", ge=1, le=2000)] = 2000
    registers: Annotated[int, about("registers in one read", ge=1, le=125)] = 125


class BridgedGap(Strict):
    """How many unused addresses one read may span; 0 where a panel refuses addresses it lacks."""

    bits: Annotated[int, about("unused coils or discrete inputs", ge=0, le=2000)] = 0
    registers: Annotated[int, about("unused registers", ge=0, le=125)] = 0


class Range(Strict):
    """The values a reading can truly have, in the point's unit."""

    low: Annotated[float, about("least value, in the point's unit")]
    high: Annotated[float, about("greatest value, in the point's unit")]


class Counter(Strict):
    """A figure that only counts up, and starts again at its modulus."""

    modulus: Annotated[int, about("raw counts at which it starts again at zero", ge=2)]


class Point(Strict):
    """One figure or contact of a panel.

    The register is given as ``table`` and zero-based ``address``, or as the one-based ``reference``
    number printed in manuals (30013, 400108). What the point is follows from what it states:
    a bit table or ``bit`` makes a contact, ``states`` an enumeration, ``counter`` a counter, and
    anything else a reading.
    """

    table: Annotated[Table | None, about("table of the register, with 'address'")] = None
    address: Annotated[int | None, about("protocol address, counted from zero", ge=0, le=65535)] = (
        None
    )
    reference: Annotated[
        int | str | None,
        about(
            "instead of table and address: the number printed in the manual, counted from one, "
            "such as 30013 or 400108; in quotes for coils, '00013'"
        ),
    ] = None
    bit: Annotated[
        int | None, about("bit of a register, 0 the lowest; makes a contact", ge=0, le=15)
    ] = None
    type: Annotated[
        RegisterType | None, about("how registers make a figure; uint16 where left out")
    ] = None
    word_order: Annotated[
        WordOrder | None, about("order of the registers, where not the panel's")
    ] = None
    scale: Annotated[float | None, about("value = raw times scale plus offset")] = None
    offset: Annotated[float | None, about("value = raw times scale plus offset")] = None
    unit: Annotated[str | None, about("UCUM code of the value's unit, such as m, A, h, L/s")] = None
    inverted: Annotated[bool, about("the contact is wired normally closed")] = False
    counter: Annotated[Counter | None, about("the figure only counts up")] = None
    states: Annotated[
        dict[int, str] | None, about("word for each raw figure; makes an enumeration", min_length=1)
    ] = None
    valid_range: Annotated[
        Range | None, about("values outside are impossible and never believed")
    ] = None
    invalid_raw: Annotated[
        list[int] | None, about("raw figures by which the panel says 'no value'")
    ] = None
    debounce_scans: Annotated[
        int | None, about("a contact counts as changed after so many equal scans", ge=1, le=60)
    ] = None
    debounce_s: Annotated[
        float | None, about("a contact counts as changed after so long", gt=0, le=600)
    ] = None
    deadband: Annotated[
        float | None, about("least change worth a record, in the point's unit", ge=0)
    ] = None
    longest_silence_s: Annotated[
        float | None, about("a reading is recorded this often, changed or not", gt=0)
    ] = None
    note: Annotated[str | None, about("for people; not used")] = None


class Frozen(Strict):
    """How to know that a panel answers but no longer lives."""

    heartbeat: Annotated[str | None, about("name of a point of this panel that must move")] = None
    after_s: Annotated[float, about("longest time it, or everything, may stand still", gt=0)]


class Panel(Strict):
    """A controller or remote input unit that answers to one unit identifier on a link."""

    title: Annotated[str | None, about("what people call it")] = None
    link: Annotated[str, about("name of the link it is on")]
    unit_identifier: Annotated[
        int,
        about(
            "Modbus unit identifier: 1 to 247 on serial lines, to 255 on TCP",
            ge=1,
            le=255,
            json_schema_extra={
                "words": "a whole number from 1 to 247 on serial lines, to 255 on TCP "
                "(0 is broadcast, which nobody answers)"
            },
        ),
    ] = 1
    scan_period_s: Annotated[float, about("time from scan to scan", ge=0.1, le=3600)] = 1.0
    reply_timeout_s: Annotated[float, about("longest wait for a reply", ge=0.02, le=10)] = 0.5
    retries: Annotated[int, about("further tries of a read without a reply", ge=0, le=5)] = 1
    lost_after_s: Annotated[
        float | None, about("without an answer this long, the panel is lost", gt=0)
    ] = None
    word_order: Annotated[WordOrder, about("which register of a longer figure comes first")] = (
        "high-first"
    )
    largest_read: Annotated[LargestRead, about("the most it answers in one read")] = LargestRead()
    bridged_gap: Annotated[BridgedGap, about("unused addresses one read may span")] = BridgedGap()
    visits: Annotated[bool, about("it is only there at times; away is no fault")] = False
    frozen: Annotated[Frozen | None, about("how to know that it no longer lives")] = None
    points: Annotated[dict[Name, Point], about("its contacts and figures, by name", min_length=1)]

    @property
    def silence_s(self) -> float:
        """Time without an answer after which the link counts as lost: as given, or three scans."""
        if self.lost_after_s is not None:
            return self.lost_after_s
        return max(3.0 * self.scan_period_s, 2.0)


class PlantFacts(Strict):
    """What the whole plant is called and where it keeps its days."""

    name: Annotated[Name, about("first part of everything published about it")]
    title: Annotated[str, about("what people call it", min_length=1)]
    time_zone: Annotated[
        str, about("IANA name, such as Europe/Berlin; plant days begin at its midnight")
    ]


class Plant(Strict):
    """A plant file."""

    plant: Annotated[PlantFacts, about("name, title and time zone")]
    links: Annotated[dict[Name, Link], about("the ways to the panels, by name", min_length=1)]
    panels: Annotated[
        dict[Name, Panel], about("controllers and remote input units, by name", min_length=1)
    ]
    equipment: Annotated[dict[Name, Equipment], about("what stands in the plant, by name")] = Field(
        default_factory=dict
    )
