"""The register maps of the three panels of Osier Bend holiday park (invented).

They differ on purpose, as panels of different makers and years do: bit tables, contacts packed into
registers, 16-bit scaled figures, 32-bit counts with the low word first, floats, contacts wired
normally closed, holes that refuse to be read.
"""

from __future__ import annotations

from simulator.image import (
    COIL,
    DISCRETE_INPUT,
    HOLDING_REGISTER,
    INPUT_REGISTER,
    Contact,
    Figure,
    RegisterMap,
    Span,
)

WORKS_PUMPS = ("collection_pump_1", "collection_pump_2", "feed_pump_1", "feed_pump_2")


def _inputs(first: int, *names: str) -> list[Contact]:
    """Discrete inputs side by side; a name that begins with '!' is wired normally closed."""
    return [
        Contact(name.lstrip("!"), DISCRETE_INPUT, first + place, normally_closed=name[0] == "!")
        for place, name in enumerate(names)
    ]


def _packed(function: int, address: int, **bits: str) -> list[Contact]:
    """Contacts in one register, ``b3="name"``; '!' as above."""
    return [
        Contact(name.lstrip("!"), function, address, int(bit[1:]), normally_closed=name[0] == "!")
        for bit, name in bits.items()
    ]


def _works() -> RegisterMap:
    contacts = [
        *_inputs(
            0, "collection_low", "collection_start_1", "collection_start_2", "!collection_high"
        ),
        *_inputs(
            8,
            "equalization_low",
            "equalization_start_1",
            "equalization_start_2",
            "!equalization_high",
        ),
        *_inputs(16, *(f"{pump}_run" for pump in WORKS_PUMPS)),
        *_inputs(24, *(f"!{pump}_fault" for pump in WORKS_PUMPS)),
        *_inputs(32, *(f"{pump}_auto" for pump in WORKS_PUMPS)),
        *_inputs(40, "mains_present", "sludge_high"),
        *_packed(
            INPUT_REGISTER, 100,
            b0="blower_1_run", b1="blower_2_run", b2="!blower_1_fault", b3="!blower_2_fault",
            b4="mixer_run", b5="mixer_fault", b6="airlift_open",
            b8="filter_cleaning", b9="filter_level", b10="filter_drive", b11="filter_vacuum",
            b12="filter_fault",
        ),
        *_packed(
            INPUT_REGISTER, 101,
            b0="coagulant_run", b1="!coagulant_tank_low", b2="!hypochlorite_tank_low",
            b3="hypochlorite_fault", b14="blower_1_auto", b15="blower_2_auto",
        ),
    ]  # fmt: skip
    spans = [
        Span(DISCRETE_INPUT, 0, 48),
        Span(INPUT_REGISTER, 100, 103),
        Span(INPUT_REGISTER, 110, 117),
        Span(INPUT_REGISTER, 120, 122),
        Span(HOLDING_REGISTER, 200, 216),
        Span(HOLDING_REGISTER, 220, 226),
        Span(HOLDING_REGISTER, 230, 231),
    ]
    return RegisterMap(1, spans, contacts, _works_figures())


def _works_figures() -> list[Figure]:
    return [
        Figure("heartbeat", INPUT_REGISTER, 102, wraps=True),
        Figure("equalization_level", INPUT_REGISTER, 110, per_count=1.0),  # mm
        *(
            Figure(f"{pump}_current", INPUT_REGISTER, 111 + place, per_count=0.01)  # A
            for place, pump in enumerate(WORKS_PUMPS)
        ),
        Figure("blower_1_current", INPUT_REGISTER, 115, per_count=0.1),
        Figure("blower_2_current", INPUT_REGISTER, 116, per_count=0.1),
        Figure("turbidity", INPUT_REGISTER, 120, per_count=0.01),  # NTU
        Figure("residual", INPUT_REGISTER, 121, "i16", per_count=0.01),  # mg/L
        *(
            Figure(f"{pump}_hours", HOLDING_REGISTER, 200 + 2 * place, "u32", 1.0, True, True)  # s
            for place, pump in enumerate(WORKS_PUMPS)
        ),
        *(
            Figure(f"{pump}_starts", HOLDING_REGISTER, 208 + 2 * place, "u32", 1.0, True, True)
            for place, pump in enumerate(WORKS_PUMPS)
        ),
        Figure("blower_1_hours", HOLDING_REGISTER, 220, "u32", 0.1, True, True),  # h
        Figure("blower_2_hours", HOLDING_REGISTER, 222, "u32", 0.1, True, True),
        Figure("mixer_hours", HOLDING_REGISTER, 224, "u32", 0.1, True, True),
        Figure("hypochlorite_strokes", HOLDING_REGISTER, 230, wraps=True),
    ]


def _meadow() -> RegisterMap:
    contacts = _packed(
        HOLDING_REGISTER, 0,
        b0="start_1", b1="start_2", b2="!high",
        b4="pump_1_run", b5="pump_2_run", b6="!pump_1_fault", b7="!pump_2_fault",
        b8="pump_1_auto", b9="pump_2_auto", b12="mains_present",
    )  # fmt: skip
    figures = [
        Figure("pump_1_selector", HOLDING_REGISTER, 1),
        Figure("pump_2_selector", HOLDING_REGISTER, 2),
        Figure("pump_1_hours", INPUT_REGISTER, 0, "f32", 0.01),  # h
        Figure("pump_2_hours", INPUT_REGISTER, 2, "f32", 0.01),
        Figure("pump_1_current", INPUT_REGISTER, 4, "f32", 0.01),  # A
        Figure("pump_2_current", INPUT_REGISTER, 6, "f32", 0.01),
        Figure("pump_1_starts", INPUT_REGISTER, 20, wraps=True),
        Figure("pump_2_starts", INPUT_REGISTER, 21, wraps=True),
    ]
    spans = [
        Span(HOLDING_REGISTER, 0, 3),
        Span(INPUT_REGISTER, 0, 8),
        Span(INPUT_REGISTER, 20, 22),
    ]
    return RegisterMap(7, spans, contacts, figures)


def _bowser() -> RegisterMap:
    contacts = [
        Contact("low", COIL, 12),
        Contact("start_1", COIL, 13),
        Contact("high", COIL, 14, normally_closed=True),
        Contact("pump_run", COIL, 16),
        Contact("pump_fault", COIL, 17),
        Contact("pump_auto", COIL, 18),
        Contact("docked", COIL, 19),
    ]
    figures = [
        Figure("level", INPUT_REGISTER, 12, "i16", per_count=1.0),  # mm
        Figure("pump_hours", HOLDING_REGISTER, 107, "u32", 0.01, wraps=True),  # h
        Figure("pump_starts", HOLDING_REGISTER, 109, wraps=True),
    ]
    spans = [
        Span(COIL, 0, 32),
        Span(INPUT_REGISTER, 12, 13),
        Span(HOLDING_REGISTER, 107, 110),
    ]
    return RegisterMap(1, spans, contacts, figures)


SELECTOR = {"off": 0, "hand": 1, "auto": 2}
"""What the lower meadow panel's selector registers say."""


def register_maps() -> dict[str, RegisterMap]:
    """The maps by panel name."""
    return {"works": _works(), "meadow": _meadow(), "bowser": _bowser()}
