"""Claims become findings only by lasting, known without a gap; truth by the definition of each."""

from __future__ import annotations

import json

from collector.core.diagnosis.standing import Claim, Standing, sure_after_us
from collector.core.records import Finding, Output
from tests.unit.core.scans_for_tests import a_panel, us

SURE_US = us(4)


def claim(holds: bool | None, for_s: float = 30.0, rest_s: float = 0.0) -> Claim:
    return Claim("pump.wrong", holds, for_s, lambda: "words", rest_s)


def stood(outputs: list[Output]) -> list[tuple[bool, float, float]]:
    """(standing, since, concluded) of findings, in s."""
    return [
        (found.standing, found.after_us / 1e6, found.by_us / 1e6)
        for found in outputs
        if isinstance(found, Finding)
    ]


def take(standing: Standing, holds: bool | None, at_s: float, **more: float) -> list[Output]:
    return standing.take([claim(holds, **more)], us(at_s), us(at_s))


def test_what_lasts_is_raised_and_what_ends_ceases() -> None:
    """Held from 10 s, asked for 30 s: raised when something is heard at 41 s, since 10 s; not held
    from 50 s: ceased at once."""
    standing = Standing(SURE_US)
    assert take(standing, True, 10) == []
    assert take(standing, True, 39) == []
    assert stood(take(standing, True, 41)) == [(True, 10, 41)]
    assert take(standing, True, 45) == []
    assert stood(take(standing, False, 50)) == [(False, 50, 50)]


def test_time_alone_raises_it_only_once_the_panel_must_have_lived() -> None:
    """With nothing heard it waits 4 s longer, in which a silent panel would have been told."""
    standing = Standing(SURE_US)
    take(standing, True, 10)
    assert standing.deadline_us() == us(10 + 30 + 4)
    assert stood(take(standing, True, 44)) == [(True, 10, 44)]
    assert standing.deadline_us() is None


def test_not_known_begins_the_wait_anew() -> None:
    """Known for 25 s, unknown, then known for 25 s more: nothing was ever known for 30 s."""
    standing = Standing(SURE_US)
    take(standing, True, 0)
    take(standing, None, 25)
    take(standing, True, 26)
    assert take(standing, True, 51) == []
    assert stood(take(standing, True, 56)) == [(True, 26, 56)]


def test_not_known_neither_raises_nor_ends() -> None:
    """A finding stands through a gap: nobody has seen it end."""
    standing = Standing(SURE_US)
    assert take(standing, None, 0) == []
    assert take(standing, None, 1000) == []
    take(standing, True, 1001)
    take(standing, True, 1100)
    assert take(standing, None, 1200) == []
    assert standing.stands("pump.wrong")


def test_what_is_left_out_is_not_known() -> None:
    """A diagnosis that has nothing to say any more ends the wait; nothing is due for it."""
    standing = Standing(SURE_US)
    take(standing, True, 10)
    assert standing.take([], us(20), us(20)) == []
    assert standing.deadline_us() is None
    assert take(standing, True, 30) == []
    assert standing.deadline_us() == us(30 + 30 + 4)
    assert stood(take(standing, True, 61)) == [(True, 30, 61)]
    assert standing.take([], us(70), us(70)) == []
    assert standing.stands("pump.wrong")


def test_what_rests_ceases_only_after_its_rest() -> None:
    """Not held from 50 s, rest 100 s: ceased at 150 s at the earliest, since 50 s; holding again
    in between begins the rest anew."""
    standing = Standing(SURE_US)
    take(standing, True, 0, rest_s=100)
    take(standing, True, 40, rest_s=100)
    assert take(standing, False, 50, rest_s=100) == []
    take(standing, True, 80, rest_s=100)
    assert take(standing, False, 90, rest_s=100) == []
    assert standing.deadline_us() == us(190 + 4)
    assert stood(take(standing, False, 194, rest_s=100)) == [(False, 90, 194)]


def test_a_frozen_panel_takes_back_what_it_seemed_to_prove() -> None:
    """Proven at 40 s, the panel good until 35 s: withdrawn. Good until 45 s: it stands."""
    for last_good_s, gone in ((35, True), (45, False)):
        standing = Standing(SURE_US)
        take(standing, True, 10)
        take(standing, True, 60)
        assert bool(standing.withdraw(us(last_good_s), us(90))) is gone
        assert standing.stands("pump.wrong") is not gone


def test_it_goes_on_from_its_saved_state() -> None:
    """Through JSON text in the middle of a wait and of a finding, with the same end."""
    standing = Standing(SURE_US)
    take(standing, True, 10)
    for at_s in (20.0, 41.0, 50.0):
        saved = json.loads(json.dumps(standing.save()))
        standing = Standing(SURE_US)
        standing.restore(saved)
        found = stood(take(standing, at_s < 50, at_s))
        assert found == {20.0: [], 41.0: [(True, 10, 41)], 50.0: [(False, 50, 50)]}[at_s]


def test_surety_is_the_silence_of_the_panel_or_the_stillness_of_its_heart() -> None:
    """Lost after 3 s of silence and scanned each second: 3 + 2 + 1 s. With a heartbeat that may
    stand still for 45 s: 45 + 2 + 1 s. Without a heartbeat stillness proves nothing."""
    points = {"beat": {"table": "input-register", "address": 0, "counter": {"modulus": 65536}}}
    plain = a_panel(points)
    beating = a_panel(points, frozen={"heartbeat": "beat", "after_s": 45.0})
    still = a_panel(points, frozen={"after_s": 43200.0})
    assert [sure_after_us([panel]) for panel in (plain, beating, still)] == [us(6), us(48), us(6)]
