"""What happens to the daemon, drawn from the seed.

Each kind of event has a way to begin and, where it lasts, a way to end. A kind is put in again and
again over the run, at instants and for times that are drawn; different kinds overlap as chance has
it. At the end everything is made well again, so that what is owed can be delivered.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from random import Random
from typing import TYPE_CHECKING

import apsw

from collector.intray_files import folder_of, make_folder
from simulator.faults import FAULTS
from tests.simulation.whole.played_broker import NOT_AUTHORISED, Mood
from tests.simulation.whole.played_disk import ROOMY
from tests.simulation.whole.played_store import StoreMood
from tests.simulation.whole.virtual_loop import SECOND_NS
from tests.simulation.whole.wires import Way

if TYPE_CHECKING:
    from tests.simulation.whole.world import World

LONGEST_S = 1_800.0
PEOPLE = ("j_sallow", "a_warden", "m_reed")
SUBJECTS = (
    "collection.high_water", "meadow.panel_not_answering", "collection_pump_1.pump_fault",
    "works.link_unsteady", "no_such.alarm",
)  # fmt: skip
SHUTTING_DOWN, TAKEN_OVER = 0x8B, 0x8E  # MQTT 5.0, 3.14.2.1

Ending = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of event.

    Args:
        group: what it belongs to; a run has some groups or all.
        begin: puts it in for some seconds; what comes back ends it.
        weight: how often beside the others.
    """

    group: str
    begin: Callable[[World, Random, float], Ending | None]
    weight: float = 1.0


# --- links ----------------------------------------------------------------------------------------


def _way(world: World, rng: Random, change: Callable[[Way], None]) -> Ending:
    name = rng.choice(list(world.network.ways))
    way = Way()
    change(way)
    world.network.ways[name] = way

    def end() -> None:
        if world.network.ways[name] is way:
            world.network.ways[name] = Way()

    if way.refuses or way.swallows:
        world.network.cut_all(name)
    return end


def _refuse(way: Way) -> None:
    way.refuses = True


def _swallow(way: Way) -> None:
    way.swallows, way.lost = True, 1.0


def _poor(rng: Random, way: Way) -> None:
    for share in ("lost", "damaged", "late", "doubled", "cut", "busy", "crumbled"):
        if rng.random() < 0.5:
            setattr(way, share, rng.choice([0.02, 0.1, 0.3]))
    way.delay_s = rng.choice([(0.004, 0.02), (0.05, 0.4), (0.3, 1.2)])


def _cut_links(world: World, rng: Random, _: float) -> None:
    world.network.cut_all(rng.choice([None, *world.network.ways]))


# --- the plant ------------------------------------------------------------------------------------

HIDING = ("mains_failed", "panel_frozen")
"""Faults behind which others cannot be seen."""

HIDDEN_EVERY = 3
PLACES = {
    "float": ("collection.start_1", "collection.high", "meadow_sump.start_1", "equalization.low"),
    "pump": ("collection_pump_1", "meadow_pump_1", "feed_pump_2"),
    "motor": ("collection_pump_1", "meadow_pump_2", "blower_1", "mixer"),
    "panel": ("works", "meadow"),
    "panel with a heartbeat": ("works",),
    "mains": ("works", "meadow"),
    "dosing_tank": ("coagulant", "hypochlorite"),
    "well": ("collection", "meadow_sump"),
    "filter": ("filter",),
}


def _plant_fault(world: World, rng: Random, for_s: float) -> None:
    name = rng.choice(sorted(FAULTS))
    if name in HIDING and world.seed % HIDDEN_EVERY:  # so that alarms can be compared elsewhere
        name = "tripped"
    # Registers that stand still while they are answered: without a heartbeat nobody can know.
    on = "panel with a heartbeat" if name == "panel_frozen" else FAULTS[name].on
    _put_in(world, name, rng.choice(PLACES[on]), for_s)


def _trip(world: World, rng: Random, for_s: float) -> None:
    _put_in(world, "tripped", rng.choice(PLACES["motor"]), 30.0 + 3.0 * for_s)


def _put_in(world: World, name: str, target: str, for_s: float) -> None:
    world.plant.advance_to(world.machine.true_us())
    at_us = world.plant.now_us + 1_000
    try:
        world.plant.inject(name, target, at_us, at_us + round(for_s * 1e6))
    except ValueError:  # it is there already
        return
    world.trace.note("plant", name, target, for_s)


# --- broker and store -----------------------------------------------------------------------------


def _broker(world: World, mood: Mood, goodbye: int | None = None) -> Ending:
    world.broker.mood = mood
    if goodbye is not None:
        world.broker.break_all(goodbye)

    def end() -> None:
        if world.broker.mood is mood:
            world.broker.mood = Mood()

    return end


def _broker_down(world: World, rng: Random, _: float) -> Ending:
    return _broker(world, Mood(up=False), rng.choice([0, SHUTTING_DOWN]))


def _broker_dumb(world: World, _: Random, __: float) -> Ending:
    return _broker(world, Mood(dumb=True))


def _broker_refuses(world: World, _: Random, __: float) -> Ending:
    return _broker(world, Mood(refuses=NOT_AUTHORISED), 0)


def _broker_poor(world: World, rng: Random, _: float) -> Ending:
    mood = Mood(
        refused=rng.choice([0.0, 0.02, 0.2]), unheard=rng.choice([0.0, 0.01]),
        lost=rng.choice([0.0, 0.01]), late=rng.choice([0.0, 0.05]),
        window=rng.choice([0, 1, 7]), delay_s=rng.choice([(0.002, 0.03), (0.1, 2.0)]),
    )  # fmt: skip
    return _broker(world, mood, 0)


def _broker_kicks(world: World, rng: Random, _: float) -> None:
    world.broker.break_all(rng.choice([0, SHUTTING_DOWN, TAKEN_OVER]))


def _store(world: World, mood: StoreMood) -> Ending:
    if not world.store.mood.up:
        world.store.come_back()
    world.store.mood = mood

    def end() -> None:
        if world.store.mood is mood:
            if not mood.up:
                world.store.come_back()
            world.store.mood = StoreMood()

    return end


def _store_down(world: World, _: Random, __: float) -> Ending:
    end = _store(world, StoreMood())
    world.store.die()
    return end


def _store_dumb(world: World, rng: Random, _: float) -> Ending:
    return _store(world, StoreMood(dumb=True, takes_all_the_same=rng.random() < 0.5))


def _store_says(world: World, rng: Random, _: float) -> Ending:
    status = rng.choice([500, 503, 429, 401, 404, 408])
    return _store(world, StoreMood(status=status, retry_after=rng.choice([0, 0, 7])))


def _store_slow(world: World, _: Random, __: float) -> Ending:
    return _store(world, StoreMood(delay_s=(1.0, 8.0)))


# --- the process, the machine, the disk -----------------------------------------------------------


def _end_life(world: World, _: Random, __: float, how: str) -> None:
    world.ask_end(how)


def _step_clock(world: World, rng: Random, _: float) -> None:
    step_s = rng.choice([-1, 1]) * 10 ** rng.uniform(-0.5, 3.9)
    world.step_clock(round(step_s * 1e6))


def _unsynchronised(world: World, _: Random, __: float) -> Ending:
    world.machine.synchronised = False

    def end() -> None:
        world.machine.synchronised = True

    return end


def _disk_full(world: World, rng: Random, _: float) -> Ending:
    room = world.disk.used_bytes() + rng.choice([0, 20_000, 200_000])
    world.disk.room_bytes = room

    def end() -> None:
        if world.disk.room_bytes == room:
            world.disk.room_bytes = ROOMY

    return end


def _disk_slow(world: World, rng: Random, _: float) -> Ending:
    longest_s = rng.choice([0.2, 1.0, 4.0])

    def takes() -> float:
        return world.disk_chance.uniform(0.0, longest_s)

    world.disk.sync_s = takes

    def end() -> None:
        if world.disk.sync_s is takes:
            world.disk.sync_s = lambda: 0.0

    return end


def _disk_fails(world: World, _: Random, __: float) -> None:
    world.disk.fails = apsw.SQLITE_IOERR


# --- people ---------------------------------------------------------------------------------------


def _act(world: World, rng: Random, _: float) -> None:
    said = datetime.fromtimestamp(world.machine.wall_us() / 1e6, UTC).isoformat()
    identity = f"s{world.seed}-{len(world.actions)}"
    body: dict[str, object] = {
        "id": identity, "verb": "acknowledge", "about": rng.choice(SUBJECTS),
        "said": said.replace("+00:00", "Z"),
    }  # fmt: skip
    if rng.random() < 0.4:
        body |= {"verb": "note", "comment": "Rags at the screen."}
    who = rng.choice(PEOPLE)
    if rng.random() < 0.5:
        topic = f"weirkeeper/osier_bend/action/{who}"
        heard = world.broker.say(topic, json.dumps(body).encode())
        if heard:
            world.actions[identity] = "said"
            if rng.random() < 0.3:  # and once more, as people do
                world.agenda.after(
                    rng.uniform(0.0, 30.0),
                    lambda: world.broker.say(topic, json.dumps(body).encode()),
                )
    else:
        make_folder(world.journal_path)
        body |= {"by": who, "way": "command line"}
        name = f"{world.machine.wall_us():017d}-{identity}.json"
        file = folder_of(world.journal_path) / name
        file.write_text(json.dumps(body))
        file.chmod(0o600)
        world.actions[identity] = "handed in"
    world.trace.note("action", identity, body["verb"], world.actions.get(identity))


KINDS: dict[str, Kind] = {
    "link refused": Kind("links", lambda w, r, _: _way(w, r, _refuse)),
    "link swallowed": Kind("links", lambda w, r, _: _way(w, r, _swallow)),
    "link cut": Kind("links", _cut_links, 2.0),
    "replies poor": Kind("replies", lambda w, r, _: _way(w, r, partial(_poor, r)), 3.0),
    "plant fault": Kind("plant", _plant_fault, 3.0),
    "machine tripped": Kind("plant", _trip, 2.0),
    "broker down": Kind("broker", _broker_down),
    "broker dumb": Kind("broker", _broker_dumb, 0.5),
    "broker refuses": Kind("broker", _broker_refuses, 0.5),
    "broker poor": Kind("broker", _broker_poor, 2.0),
    "broker kicks": Kind("broker", _broker_kicks),
    "store down": Kind("store", _store_down),
    "store dumb": Kind("store", _store_dumb, 0.5),
    "store says no": Kind("store", _store_says),
    "store slow": Kind("store", _store_slow),
    "process killed": Kind("kills", partial(_end_life, how="killed"), 2.0),
    "orderly restart": Kind("kills", partial(_end_life, how="stopped")),
    "power cut": Kind("power", partial(_end_life, how="power"), 2.0),
    "clock stepped": Kind("clock", _step_clock, 1.5),
    "clock unsynchronised": Kind("clock", _unsynchronised, 0.5),
    "disk full": Kind("disk", _disk_full, 1.5),
    "disk slow": Kind("disk", _disk_slow),
    "disk fails": Kind("disk", _disk_fails, 0.5),
    "somebody acts": Kind("people", _act, 2.0),
}

GROUPS = tuple(dict.fromkeys(kind.group for kind in KINDS.values()))


def plan(world: World, groups: Sequence[str], until_ns: int, per_hour: float) -> None:
    """Put events into a world.

    Args:
        world: at its begin.
        groups: which kinds.
        until_ns: true time after which nothing begins.
        per_hour: how many an hour, on average.
    """
    rng = world.rng("events")
    names = [name for name, kind in KINDS.items() if kind.group in groups]
    weights = [KINDS[name].weight for name in names]
    at_s = 0.0
    while names:
        at_s += rng.expovariate(per_hour / 3600.0)
        if at_s * SECOND_NS >= until_ns:
            return
        name = rng.choices(names, weights)[0]
        for_s = min(LONGEST_S, 10 ** rng.uniform(0.3, 3.3))
        for_s = min(for_s, (until_ns / SECOND_NS - at_s))
        own = Random(rng.getrandbits(64))
        world.agenda.at(round(at_s * SECOND_NS), partial(_begin, world, name, own, for_s))


def _begin(world: World, name: str, rng: Random, for_s: float) -> None:
    if world.quiet:
        return
    world.counts[name] += 1
    world.trace.note("event", name, for_s)
    end = KINDS[name].begin(world, rng, for_s)
    if end is not None:
        world.agenda.after(for_s, end)


def make_well(world: World) -> None:
    """Everything works again; nothing new begins."""
    world.quiet = True
    for name in world.network.ways:
        world.network.ways[name] = Way()
    world.broker.mood = Mood()
    if not world.store.mood.up:
        world.store.come_back()
    world.store.mood = StoreMood()
    world.disk.room_bytes = ROOMY
    world.disk.sync_s = lambda: 0.0
    world.disk.fails = 0
    world.machine.synchronised = True
