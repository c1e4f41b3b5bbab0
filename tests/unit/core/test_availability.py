"""How much of the time a panel answered: answered over watched time, counted by hand."""

from __future__ import annotations

import json
from collections.abc import Iterable

import pytest

from collector.core.availability import LinkMeter
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    JOURNAL_FULL,
    Derived,
    Event,
    Output,
    Quality,
)
from tests.unit.core.scans_for_tests import us


def answering(from_s: float = 0.0) -> LinkMeter:
    """A panel that answers from the beginning on."""
    link = LinkMeter("p", us(from_s))
    link.returned("p", us(from_s))
    return link


def told(found: Iterable[Output], name: str) -> list[object]:
    """Values told of a quantity."""
    return [
        item.value for item in found if isinstance(item, Derived) and item.subject == f"p.{name}"
    ]


def events(found: Iterable[Output]) -> list[Event]:
    return [item for item in found if isinstance(item, Event)]


def test_a_panel_that_always_answers_is_wholly_available() -> None:
    """100 %, told once; before any time has passed there is no share."""
    assert LinkMeter("p", 0).share(0) is None
    link = answering()
    assert told(link.report(us(900), us(899)), "link_availability") == [1.0]
    assert link.report(us(1800), us(1800)) == []


def test_a_silence_counts_from_the_last_answer() -> None:
    """Lost from 60 s, noticed at 63, back at 100: 60 s of 100, and of 200 s 160."""
    link = answering()
    found = link.lost("p", "no reply", us(60), us(63))
    assert events(found) == [Event("p.link_lost", us(60), us(63), reason="no reply")]
    assert told(found, "link_state") == ["lost"]
    assert link.share(us(80)) == 60 / 80
    found = link.returned("p", us(100))
    assert events(found) == [Event("p.link_returned", us(60), us(100), value=40.0)]
    assert told(found, "link_state") == ["up"]
    assert told(found, "link_availability") == [0.6]
    assert link.share(us(200)) == 160 / 200


def test_a_report_in_the_middle_of_a_silence_changes_no_figure() -> None:
    """The length of the gap and the share are the same, asked in between or not."""
    asked, left_alone = answering(), answering()
    for link in (asked, left_alone):
        link.lost("p", "no reply", us(60), us(63))
    assert told(asked.report(us(90), us(90)), "link_availability") == [60 / 90]
    back = asked.returned("p", us(100)), left_alone.returned("p", us(100))
    assert events(back[0]) == events(back[1])
    assert asked.share(us(100)) == left_alone.share(us(100)) == 0.6


def test_what_was_not_read_yet_is_not_answered_yet() -> None:
    """At 100 s the last read was at 98: the share is of 98 s."""
    link = answering()
    link.lost("p", "no reply", us(49), us(52))
    link.returned("p", us(73.5))
    assert told(link.report(us(100), us(98)), "link_availability") == [0.75]


@pytest.mark.parametrize("reason", [COLLECTOR_STOPPED, JOURNAL_FULL])
def test_time_that_we_do_not_watch_counts_neither_way(reason: str) -> None:
    """Not watched from 60 s to 1000: 60 s of 60, then 100 of 100."""
    link = answering()
    found = link.lost("p", reason, us(60), us(1000))
    assert told(found, "link_state") == ["not watched"]
    assert link.share(us(1000)) == 1.0
    link.returned("p", us(1000))
    assert (link.answered_us, link.silent_us) == (us(60), 0)
    assert link.share(us(1040)) == 1.0


def test_a_visiting_panel_is_not_blamed_for_being_away() -> None:
    """Away from 60 s to 5000 s; its state says so."""
    link = answering()
    assert told(link.lost("p", AWAY, us(60), us(66)), "link_state") == ["away"]
    assert link.report(us(3000), us(3000)) != []
    link.returned("p", us(5000))
    assert (link.answered_us, link.silent_us) == (us(60), 0)


def test_a_panel_that_never_answered_is_wholly_silent() -> None:
    """From the beginning, not from when it was noticed."""
    link = LinkMeter("p", 0)
    found = link.lost("p", "no connection", 0, us(3))
    assert events(found) == [Event("p.link_lost", 0, us(3), reason="no connection")]
    assert link.share(us(100)) == 0.0
    assert events(link.returned("p", us(200)))[0].value == 200.0
    assert link.share(us(400)) == 0.5


def test_a_visiting_panel_not_there_at_the_start_is_not_silent() -> None:
    """Away from the beginning."""
    link = LinkMeter("p", 0)
    link.lost("p", AWAY, 0, us(3))
    assert link.share(us(100)) is None


def test_the_first_answer_is_no_return() -> None:
    """It has not been away."""
    link = LinkMeter("p", 0)
    found = link.returned("p", us(1))
    assert events(found) == []
    assert told(found, "link_state") == ["up"]


def test_a_stop_of_ours_during_a_silence() -> None:
    """Lost at 60 s; we stop at 100 and start at 500; still silent; back at 520. Watched: 60 s
    answered, 40 s silent before the stop and 17 after it was noticed again; the gap is 460 s, and
    that we stopped is no second loss."""
    link = answering()
    link.lost("p", "no reply", us(60), us(63))
    found = link.lost("p", COLLECTOR_STOPPED, us(100), us(500))
    assert events(found) == []
    assert told(found, "link_state") == ["not watched"]
    assert (link.answered_us, link.silent_us) == (us(60), us(40))
    found = link.lost("p", "no reply", us(100), us(503))
    assert told(found, "link_state") == ["lost"]
    assert events(link.returned("p", us(520)))[0].value == 460.0
    assert (link.answered_us, link.silent_us) == (us(60), us(57))


def test_a_frozen_panel_did_not_answer_since_it_froze() -> None:
    """Frozen at 100 s, noticed at 400: time already told as answered is taken back."""
    link = answering()
    link.report(us(300), us(299))
    link.lost("p", "panel frozen", us(100), us(400))
    assert link.share(us(400)) == 0.25


def test_a_share_that_hardly_moves_is_no_news() -> None:
    """Less than a hundredth of a per cent is not told; a quality or a word has not changed."""
    link = answering()
    link.lost("p", "no reply", us(1000), us(1003))
    link.returned("p", us(2000))
    assert link.report(us(2000.1), us(2000.1)) == []
    assert told(link.report(us(4000), us(4000)), "link_availability") == [0.75]
    assert all(
        item.quality is Quality.GOOD
        for item in link.report(us(9000), us(9000))
        if isinstance(item, Derived)
    )


def test_a_kept_state_continues_exactly() -> None:
    """Through JSON text, in the middle of a silence."""
    link = answering()
    link.report(us(30), us(30))
    link.lost("p", "no reply", us(60), us(63))
    other = LinkMeter("p", us(77))
    other.restore(json.loads(json.dumps(link.save())))
    assert other.save() == link.save()
    assert other.returned("p", us(100)) == link.returned("p", us(100))
    for name in link.save():
        partial = {key: part for key, part in link.save().items() if key != name}
        with pytest.raises(ValueError, match=name):
            LinkMeter("p", 0).restore(partial)


def test_the_first_answer_tells_no_share_yet() -> None:
    """A share is told from a minute of watched time on; milliseconds before would say 0 %."""
    link = LinkMeter("p", us(0))
    assert told(link.returned("p", us(0.01)), "link_availability") == []
    assert told(link.report(us(59), us(59)), "link_availability") == []
    assert told(link.report(us(60), us(60)), "link_availability") != []
