"""Every action goes on record once, whatever happens between its file and its record."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.action_taking import NO_ROOM, USED, ActionTaking
from collector.core.alarms.action_form import read_action
from collector.core.alarms.actions import action_of, action_text
from collector.core.records import ActionTaken, Record, RecordKind
from collector.intray import drop
from collector.intray_files import folder_of, waiting
from collector.journal.reader import JournalReader
from collector.journal.writer import Journal

NOW_US = int(datetime(2026, 7, 2, 6, tzinfo=UTC).timestamp()) * 1_000_000


class Site:
    """A real journal, and a desk that knows one alarm; stands for the daemon."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.paused = False
        self.long_ago: set[str] = set()
        self.answers: list[tuple[str, str, str, int]] = []
        self.journal = Journal.open(path, wall_us=lambda: NOW_US, commit_period_s=0.0)
        self.reader = JournalReader(path)
        self.start()

    def start(self) -> None:
        """As after a start of the process."""
        self.taking = ActionTaking(self.path, self.reader)
        self.taking.answering = self

    # The desk.

    def refusal(self, action: ActionTaken) -> str | None:
        return None if action.about == "sump.high_level" else "there is no such alarm"

    def take_action(self, action: ActionTaken) -> bool:
        if action.details["id"] in self.long_ago:
            return False
        text = action_text(action)
        self.journal.submit([Record(RecordKind.ACTION, action.about, NOW_US, NOW_US, NOW_US, text)])
        return True

    # The broker.

    def answer(self, action: ActionTaken, refused: str, number: int) -> None:
        self.answers.append((action.actor, str(action.details["id"]), refused, number))

    # What the tests do.

    def hand_in(self, action_id: str, about: str = "sump.high_level", **more: str) -> None:
        body = {"id": action_id, "verb": "acknowledge", "about": about, "by": "A. Warden",
                "way": "command line"}  # fmt: skip
        drop(self.path, {**body, **more}, NOW_US)

    def look(self) -> None:
        """What the daemon does each second."""
        self.taking.take_waiting(self, NOW_US, 0)

    def commit(self) -> list[tuple[str, str]]:
        """Commit, tell, and give the ids and refusals on record."""
        assert self.journal.flush(20)
        records = self.reader.records_after(0, 1_000, (RecordKind.ACTION,))
        self.taking.committed(records)
        actions = [action_of(each.subject, each.at_us, str(each.value)) for each in records]
        return [(str(a.details["id"]), str(a.details.get("refused", ""))) for a in actions]

    def speak(self, action_id: str, about: str = "sump.high_level", actor: str = "warden") -> None:
        body = {"id": action_id, "verb": "acknowledge", "about": about,
                "said": "2026-07-02T06:00:00Z"}  # fmt: skip
        action = read_action(json.dumps(body).encode(), NOW_US, 0, actor=actor, way="mqtt")
        assert isinstance(action, ActionTaken)
        self.taking.take_spoken(action, self)

    @property
    def names(self) -> list[str]:
        return [file.name for file in waiting(self.path)]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A site of its own."""
    made = Site(tmp_path / "weirkeeper.journal")
    yield made
    made.reader.close()
    made.journal.close()


def test_what_waits_goes_on_record_and_its_file_only_after_that(site: Site) -> None:
    """Looked at twice before it is on the disk, it is taken once."""
    site.hand_in("a")
    site.look()
    site.look()
    assert len(site.names) == 1
    assert site.commit() == [("a", "")]
    assert site.names == []


def test_what_has_no_effect_is_on_record_with_the_reason(site: Site) -> None:
    """So that nobody can say later that they had said it and were not told."""
    site.hand_in("a", about="sump.low_level")
    site.look()
    assert site.commit() == [("a", "there is no such alarm")]


def test_killed_between_record_and_file_it_is_not_taken_twice(site: Site) -> None:
    """The id tells that it is on record."""
    site.hand_in("a")
    site.look()
    assert site.journal.flush(20)
    site.start()
    site.look()
    assert site.names == []
    assert site.commit() == [("a", "")]


def test_killed_before_the_record_it_is_taken_after_the_start(site: Site) -> None:
    """The file is still there."""
    site.hand_in("a")
    site.start()
    site.look()
    assert site.commit() == [("a", "")]


def test_an_id_that_was_used_for_something_else_is_set_aside(site: Site) -> None:
    """Else what is said would pass for done."""
    site.hand_in("a")
    site.look()
    site.commit()
    site.hand_in("a", comment="another")
    site.look()
    assert site.commit() == [("a", "")]
    assert site.names == []
    (why,) = (folder_of(site.path) / "refused").glob("*.why")
    assert why.read_text().strip() == USED


def test_what_was_taken_longer_ago_than_is_remembered_is_not_taken_again(site: Site) -> None:
    """The desk knows it still; nothing waits for a record that will not come."""
    site.long_ago = {"a", "b"}
    site.hand_in("a")
    site.look()
    site.speak("b")
    assert site.commit() == []
    assert site.names == []
    assert site.answers == [("warden", "b", USED, 0)]


def test_what_cannot_be_read_or_claims_another_way_is_set_aside(site: Site) -> None:
    """And holds nothing up."""
    site.hand_in("mqtt", way="mqtt")
    (folder_of(site.path) / f"{NOW_US}-x.json").write_text("{")
    site.hand_in("a")
    site.look()
    assert site.commit() == [("a", "")]
    assert len(list((folder_of(site.path) / "refused").glob("*.why"))) == 2


def test_while_the_journal_takes_nothing_files_wait_and_speakers_are_told(site: Site) -> None:
    """Nothing is said to be done that is not on record."""
    site.paused = True
    site.hand_in("a")
    site.look()
    site.speak("b")
    assert site.answers == [("warden", "b", NO_ROOM, 0)]
    assert site.commit() == []
    site.paused = False
    site.look()
    site.speak("b")
    assert site.commit() == [("a", ""), ("b", "")]
    assert site.answers[1:] == [("warden", "b", "", 2)]


def test_who_speaks_over_the_broker_is_answered_from_the_record(site: Site) -> None:
    """The same once more is answered as before; what others said is not theirs."""
    site.speak("a")
    site.speak("a")  # again before it is on the disk
    site.speak("b", about="sump.low_level")
    assert site.answers == []
    assert site.commit() == [("a", ""), ("b", "there is no such alarm")]
    first = [("warden", "a", "", 1), ("warden", "b", "there is no such alarm", 2)]
    assert site.answers == first
    site.speak("b")
    site.speak("a", actor="visitor")
    site.start()
    site.speak("a")
    assert site.answers == [*first, ("warden", "b", USED, 0), ("visitor", "a", USED, 0), first[0]]
