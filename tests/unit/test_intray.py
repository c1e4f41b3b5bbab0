"""The in-tray: complete files or none, nothing foreign followed, nothing lost."""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.core.alarms.action_form import LARGEST_BYTES
from collector.core.alarms.actions import COMMAND_LINE, action_text
from collector.core.records import ActionTaken, Record, RecordKind, Value
from collector.errors import CommandLineError, JournalError
from collector.intray import drop, hand_in
from collector.intray_files import (
    ABANDONED_US,
    MOST_SET_ASIDE,
    Waiting,
    clear_unfinished,
    done,
    folder_of,
    make_folder,
    set_aside,
    waiting,
)
from collector.journal.writer import Journal

NOW_US = int(datetime(2026, 7, 2, 6, tzinfo=UTC).timestamp()) * 1_000_000


def action(**more: Value) -> dict[str, Value]:
    """What a command hands in."""
    body: dict[str, Value] = {
        "verb": "acknowledge", "about": "collection.high_level", "by": "A. Warden",
        "way": COMMAND_LINE,
    }  # fmt: skip
    return {**body, **more}


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Where a journal would be."""
    return tmp_path / "weirkeeper.journal"


def test_what_is_dropped_waits_oldest_first_until_it_is_done(journal: Path) -> None:
    """In the order of when it was said, each with its own id."""
    later = drop(journal, action(), NOW_US + 5)
    first = drop(journal, action(), NOW_US)
    found = list(waiting(journal))
    assert [json.loads(each.data)["id"] for each in found] == [first, later]
    assert json.loads(found[0].data)["said"] == "2026-07-02T06:00:00.000000Z"
    done(journal, found[0].name)
    done(journal, found[0].name)  # once more changes nothing
    assert [each.name for each in waiting(journal)] == [found[1].name]


def test_the_folder_is_open_to_its_owner_alone(journal: Path) -> None:
    """Who may write there speaks for everybody; so nobody else may, nor read what was said."""
    drop(journal, action(), NOW_US)
    folder = folder_of(journal)
    assert folder.stat().st_mode & 0o777 == 0o700
    (file,) = (path for path in folder.iterdir() if path.is_file())
    assert file.stat().st_mode & 0o777 == 0o600


def test_what_can_only_be_refused_is_never_dropped(journal: Path) -> None:
    """Whoever types it learns it at once."""
    with pytest.raises(CommandLineError, match="did you mean 'acknowledge'"):
        drop(journal, action(verb="acknowlege"), NOW_US)
    with pytest.raises(CommandLineError, match="which is past"):
        drop(journal, action(verb="shelve", until="2026-07-01T00:00:00Z", reason="x"), NOW_US)
    with pytest.raises(CommandLineError, match="not UTF-8"):
        drop(journal, action(comment="\ud800"), NOW_US)
    assert not list(waiting(journal))


def test_where_nothing_can_be_written_a_sentence_says_so(journal: Path) -> None:
    """A file stands where the folder should be."""
    folder_of(journal).write_text("x")
    with pytest.raises(JournalError, match="nothing can be handed in at"):
        drop(journal, action(), NOW_US)


def test_there_need_not_be_a_folder(journal: Path) -> None:
    """Before the first start nothing waits."""
    assert list(waiting(journal)) == []


def test_what_does_not_belong_there_is_set_aside_and_the_rest_is_taken(journal: Path) -> None:
    """Foreign names, links, folders, pipes, and what is too large: none is followed."""
    wanted = drop(journal, action(), NOW_US)
    folder = folder_of(journal)
    secret = journal.parent / "secret"
    secret.write_text("{}")
    name = "{:016d}-{}.json"
    (folder / "notes.txt").write_text("hello")
    (folder / name.format(NOW_US, "link")).symlink_to(secret)
    (folder / name.format(NOW_US, "dir")).mkdir()
    os.mkfifo(folder / name.format(NOW_US, "pipe"))
    (folder / name.format(NOW_US, "large")).write_bytes(b" " * (LARGEST_BYTES + 1))
    (folder / f"{name.format(NOW_US, 'half')}.tmp").write_text("{")  # still being written
    (found,) = waiting(journal)
    assert json.loads(found.data)["id"] == wanted
    refused = folder / "refused"
    assert (refused / "notes.txt").read_text() == "hello"
    assert "not followed" in (refused / f"{name.format(NOW_US, 'link')}.why").read_text()
    assert "16384" in (refused / f"{name.format(NOW_US, 'large')}.why").read_text()
    assert "no file" in (refused / f"{name.format(NOW_US, 'pipe')}.why").read_text()
    assert len(list(waiting(journal))) == 1
    assert secret.read_text() == "{}"


def test_a_flood_is_taken_in_portions(journal: Path) -> None:
    """No more than asked for at a time; the rest stays."""
    for number in range(12):
        drop(journal, action(), NOW_US + number)
    assert len(list(waiting(journal, limit=5))) == 5
    assert len(list(waiting(journal))) == 12


def test_what_was_set_aside_does_not_fill_the_disk(journal: Path) -> None:
    """The oldest go."""
    make_folder(journal)
    refused = folder_of(journal) / "refused"
    for number in range(2 * MOST_SET_ASIDE):
        (refused / f"{number:05d}").touch()
    (folder_of(journal) / "notes.txt").touch()
    set_aside(journal, "notes.txt", "foreign")
    names = {path.name for path in refused.iterdir()}
    assert len(names) == 2 * MOST_SET_ASIDE
    assert {"notes.txt", "notes.txt.why"} <= names
    assert "00000" not in names


def test_what_a_killed_command_left_unfinished_goes_after_a_while(journal: Path) -> None:
    """Not at once: it may still be written."""
    make_folder(journal)
    left = folder_of(journal) / "1-x.json.tmp"
    left.touch()
    written_us = left.stat().st_mtime_ns // 1_000
    clear_unfinished(journal, written_us + ABANDONED_US)
    assert left.exists()
    clear_unfinished(journal, written_us + ABANDONED_US + 1)
    assert not left.exists()


# --- handing in ---------------------------------------------------------------------------------


def record_of(action_id: str, **more: Value) -> Record:
    """The record by which the collector answers."""
    taken = ActionTaken(
        "collection.high_level", "acknowledge", NOW_US, "A. Warden",
        {"id": action_id, "way": COMMAND_LINE, "said": "2026-07-02T06:00:00Z", **more},
    )  # fmt: skip
    text = action_text(taken)
    return Record(RecordKind.ACTION, taken.about, NOW_US, NOW_US, NOW_US, text)


Take = Callable[[Journal, Waiting], None]


@contextlib.contextmanager
def collector_that(take: Take, journal: Path) -> Iterator[Journal]:
    """A journal, and a thread that does with the first thing handed in what ``take`` says."""

    def work() -> None:
        resting = threading.Event()
        while not (found := list(waiting(journal))):
            resting.wait(0.01)
        take(writer, found[0])
        done(journal, found[0].name)

    with Journal.open(journal, wall_us=lambda: NOW_US, commit_period_s=0.0) as writer:
        thread = threading.Thread(target=work)
        thread.start()
        yield writer
        thread.join()


def test_whoever_hands_something_in_learns_that_it_is_on_record(journal: Path) -> None:
    """With the number of its record."""

    def accept(writer: Journal, file: Waiting) -> None:
        writer.submit([record_of("another"), record_of(json.loads(file.data)["id"])])
        writer.flush()

    with collector_that(accept, journal) as writer:
        outcome = hand_in(journal, action(), 20.0)
        assert (outcome.state, outcome.why, outcome.number) == ("accepted", "", writer.head)


def test_whoever_hands_something_in_learns_why_it_has_no_effect(journal: Path) -> None:
    """A refusal is on record too."""

    def refuse(writer: Journal, file: Waiting) -> None:
        writer.submit([record_of(json.loads(file.data)["id"], refused="there is no such alarm")])
        writer.flush()

    with collector_that(refuse, journal):
        outcome = hand_in(journal, action(), 20.0)
        assert (outcome.state, outcome.why) == ("refused", "there is no such alarm")


def test_whoever_hands_something_in_learns_why_it_was_set_aside(journal: Path) -> None:
    """As when the time until which it shelves has passed before the collector came to it."""

    def put_aside(writer: Journal, file: Waiting) -> None:
        set_aside(journal, file.name, "the time is past")

    with collector_that(put_aside, journal):
        outcome = hand_in(journal, action(), 20.0)
        assert (outcome.state, outcome.why, outcome.number) == ("refused", "the time is past", 0)


def test_whoever_hands_something_in_learns_that_nobody_takes_it(journal: Path) -> None:
    """A collector that does not run is named; what was handed in waits for it."""
    with Journal.open(journal, wall_us=lambda: NOW_US):
        held = hand_in(journal, action(), 0.0)
        assert (held.state, held.why) == ("waiting", "the collector has not yet taken it up")
    alone = hand_in(journal, action(), 0.0)
    assert alone.state == "waiting"
    assert "is not running" in alone.why
    assert len(list(waiting(journal))) == 2


def test_without_a_journal_nothing_is_handed_in(journal: Path) -> None:
    """A name that was mistyped makes no folder."""
    with pytest.raises(JournalError):
        hand_in(journal, action(), 0.0)
    assert not folder_of(journal).exists()
