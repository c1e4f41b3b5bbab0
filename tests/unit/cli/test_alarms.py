"""``weirkeeper alarms``: what stands and stood, how good the alarms are, what people do about them.

What the tests expect follows from the records they put into a journal by hand.
"""

from __future__ import annotations

import csv
import io
import json
import threading
from pathlib import Path

import pytest

from collector.action_taking import ActionTaking
from collector.clock import SystemClock
from collector.core.alarms.actions import action_text
from collector.core.diagnosis.wording import CAUTIONS
from collector.core.records import ActionTaken, Record, RecordKind
from collector.errors import ExitCode
from collector.intray_files import waiting
from collector.journal import Journal, JournalReader
from tests.unit.cli.typed import ONE_SUMP, Shell, too_wide
from tests.unit.reports.alarms_on_paper import (
    HOUR_US,
    MINUTE_US,
    NOON_US,
    cleared,
    lost,
    moved,
    noted,
    raised,
    returned,
)

HIGH = "sump.level_high"
PUMP = "pump_1.tripped"
RULES = """
alarms:
  level_high:
    for: {one: sump}
    title: high level
    when: this.high
    priority: high
    causes: [pumps do not keep up]
    consequence: sewage overflows
    response: look at the pumps and call the tanker
    respond_within: 30 min
    caution: [confined space, hydrogen sulphide]
"""
JUNE = "--from 2026-06-30 --to 2026-07-02"


def journal_of(path: Path, records: list[Record]) -> Path:
    """A journal of these records, with a plant and a rule file in force."""
    with Journal.open(path, wall_us=lambda: NOON_US, commit_period_s=0.0) as journal:
        journal.remember_configuration("plant", ONE_SUMP.read_text(encoding="utf-8"), "0" * 64)
        journal.remember_configuration("rules", json.dumps([["own.yaml", RULES]]), "1" * 64)
        journal.submit(records)
        journal.flush()
    return path


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """The pump tripped for an hour, with a note; the level is high and nobody has seen it."""
    return journal_of(
        tmp_path / "journal",
        [
            raised(-3 * HOUR_US, PUMP, priority="medium", title="Pump 1 tripped"),
            moved(-3 * HOUR_US + MINUTE_US, "acknowledged", PUMP, actor="warden",
                  state="acknowledged"),
            cleared(-2 * HOUR_US, PUMP, state="normal"),
            noted(-HOUR_US, PUMP, cause="rag", corrective_action="impeller cleaned"),
            raised(0, HIGH, title="Lift sump: high level"),
        ],
    )  # fmt: skip


# --- now ------------------------------------------------------------------------------------------


def test_what_stands_is_told_with_what_to_do_and_the_cautions_in_full(
    journal: Path, shell: Shell
) -> None:
    """The title, since when, the response with its time, consequence, causes; code 1."""
    said = shell("alarms --journal", journal)
    assert (said.code, said.err) == (ExitCode.ANSWER_IS_NO, "")
    assert too_wide(said.out) == []
    text = " ".join(said.out.split())
    assert text.startswith(
        "HIGH Lift sump: high level sump.level_high, unacknowledged (activation 1)"
    )
    assert "since 2026-07-01" in text
    assert "do within 30 min 0 s: look at the pumps and call the tanker" in text
    assert "sewage overflows" in text
    assert "pumps do not keep up" in text
    for name in ("confined space", "hydrogen sulphide"):
        assert text.count(CAUTIONS[name]) == 1
    assert PUMP not in text


def test_now_is_the_same_with_and_without_its_word(journal: Path, shell: Shell) -> None:
    """Also as JSON, and with options before the word."""
    data = shell("alarms --json --journal", journal).data
    assert shell("alarms now --json --journal", journal).data == data
    assert shell(f"alarms --json --journal {journal} now").data == data
    (row,) = data["alarms"]
    assert (row["alarm"], row["priority"], row["first_out"]) == (HIGH, "high", False)
    assert row["response"] == "look at the pumps and call the tanker"
    assert row["respond_within_s"] == 1800.0
    assert row["waits_for_acknowledgement"]
    assert not row["unknown"]


def test_the_highest_priority_is_told_first(tmp_path: Path, shell: Shell) -> None:
    """Also if it came later; what is set aside comes last and makes no exit code 1."""
    path = journal_of(
        tmp_path / "journal",
        [
            raised(0, PUMP, priority="low"),
            moved(1, "raised", "pump_2.tripped", priority="medium"),
            raised(2, HIGH, follows=f"{PUMP}#1"),
            moved(3, "shelved", "pump_2.tripped", state="shelved", actor="warden",
                  until="2026-07-02T07:00:00+01:00", reason="parts on order"),
            moved(4, "cleared", "pump_2.tripped", state="shelved"),
        ],
    )  # fmt: skip
    said = shell("alarms --json --journal", path)
    rows = said.data["alarms"]
    assert [row["alarm"] for row in rows] == [HIGH, PUMP, "pump_2.tripped"]
    assert [row["first_out"] for row in rows] == [False, True, False]
    said = shell("alarms --equipment pump_2 --journal", path)
    assert said.code == ExitCode.DONE
    assert "until 2026-07-02T07:00:00+01:00" in said.out
    assert "parts on order" in said.out


def test_an_alarm_nobody_knows_of_is_never_told_as_normal(tmp_path: Path, shell: Shell) -> None:
    """Its condition cannot be seen, so neither can that it has cleared."""
    path = journal_of(
        tmp_path / "journal", [raised(0, HIGH), moved(MINUTE_US, "became unknown", HIGH)]
    )
    said = shell("alarms --journal", path)
    assert said.code == ExitCode.ANSWER_IS_NO
    assert "whether it still stands is unknown" in said.out


def test_without_alarms_nothing_is_claimed_beyond_what_is_known(
    tmp_path: Path, shell: Shell
) -> None:
    """Code 0."""
    path = journal_of(tmp_path / "journal", [raised(0, HIGH), cleared(1, HIGH, state="normal")])
    said = shell("alarms --journal", path)
    assert said.code == ExitCode.DONE
    assert said.out.startswith("no alarm stands, as far as known\n")
    assert "the collector's last sign is of 2026-07-01" in said.out


def test_a_panel_that_does_not_answer_is_told_with_what_follows(
    tmp_path: Path, shell: Shell
) -> None:
    """Since its last answer, not since that was noticed; gone when it answers again."""
    path = journal_of(tmp_path / "journal", [lost(2 * MINUTE_US, 0, "meadow")])
    said = shell("alarms --journal", path)
    assert "! meadow: link lost since 2026-07-01 13:00:00, its alarms are unknown" in said.out
    path = journal_of(
        tmp_path / "other", [lost(2 * MINUTE_US, 0, "meadow"), returned(HOUR_US, "meadow")]
    )
    assert shell("alarms --json --journal", path).data["not_watched"] == []


# --- the past -------------------------------------------------------------------------------------


def test_history_tells_what_stood_and_what_stands(journal: Path, shell: Shell) -> None:
    """In the order in which it began, clipped, with who saw it, cause and action."""
    said = shell(f"alarms history {JUNE} --journal", journal)
    assert said.code == ExitCode.DONE
    assert too_wide(said.out) == []
    rows = said.out.splitlines()[1:3]
    assert PUMP in rows[0]
    assert "1 h 0 min" in rows[0]
    assert "warden" in rows[0]
    assert "+ still stands" in said.out
    data = shell(f"alarms history {JUNE} --json --journal", journal).data
    assert data[0]["known_s"] == 3600.0
    assert data[0]["notes"][0]["corrective_action"] == "impeller cleaned"
    assert [step["what"] for step in data[0]["steps"]] == ["raised", "acknowledged", "cleared"]
    assert data[1]["stands"]
    (only,) = shell(f"alarms history {JUNE} --priority medium --json --journal", journal).data
    assert only["rule"] == "tripped"


def test_history_as_csv_is_read_back_by_an_independent_reader(journal: Path, shell: Shell) -> None:
    """RFC 4180, read by Python's csv module."""
    said = shell(f"alarms history {JUNE} --csv --journal", journal)
    rows = list(csv.DictReader(io.StringIO(said.out)))
    assert [row["equipment"] for row in rows] == ["pump_1", "sump"]
    assert rows[0]["cause"] == "rag"
    assert rows[1]["ended"] == ""


def test_what_lacks_cause_or_action_is_listed(journal: Path, shell: Shell) -> None:
    """With a command line that writes it down; code 1."""
    said = shell(f"alarms incomplete {JUNE} --journal", journal)
    assert said.code == ExitCode.ANSWER_IS_NO
    assert too_wide(said.out) == []
    assert PUMP not in said.out
    assert "cause and action" in said.out
    assert f"weirkeeper alarms note {HIGH} --activation 1" in said.out
    said = shell(f"alarms incomplete --equipment pump_1 {JUNE} --journal", journal)
    assert said.code == ExitCode.DONE


def test_performance_is_the_standard_s_table(journal: Path, shell: Shell) -> None:
    """Two alarms in a quarter of a day meet what can be told (ISA-18.2 table 7, quoted)."""
    said = shell(f"alarms performance {JUNE} --journal", journal)
    assert said.code == ExitCode.DONE
    assert too_wide(said.out) == []
    assert "ISA-18.2" in said.out
    assert "shorter than the 30 days" in said.out
    data = shell(f"alarms performance {JUNE} --json --journal", journal).data
    assert data["alarms"] == 2
    assert data["by_priority"] == {"low": 0, "medium": 1, "high": 1}
    assert not data["long_enough"]


def test_a_flood_is_not_met(tmp_path: Path, shell: Shell) -> None:
    """Eleven alarms in 10 min are one (ISA-18.2, quoted)."""
    path = journal_of(
        tmp_path / "journal",
        [raised(each * 50_000_000, HIGH, activation=each + 1) for each in range(11)],
    )
    said = shell("alarms performance --journal", path)
    assert said.code == ExitCode.ANSWER_IS_NO
    assert "NOT MET" in said.out
    assert "flood began" in said.out


# --- actions --------------------------------------------------------------------------------------


def handed_in(journal: Path) -> list[dict[str, object]]:
    """What lies in the in-tray."""
    return [json.loads(each.data) for each in waiting(journal)]


def test_what_is_done_waits_for_a_collector_that_does_not_run(journal: Path, shell: Shell) -> None:
    """It is handed in with who said it, and the answer says that nothing has happened yet."""
    said = shell(f"alarms acknowledge {HIGH} --by warden --journal", journal)
    assert said.code == ExitCode.DONE
    assert said.out.splitlines()[0].startswith(f"{HIGH}: handed in; the collector is not running")
    (action,) = handed_in(journal)
    assert (action["verb"], action["about"], action["by"], action["way"]) == (
        "acknowledge", HIGH, "warden", "command line",
    )  # fmt: skip


def test_all_means_those_that_wait_for_acknowledgement(journal: Path, shell: Shell) -> None:
    """Not those that cleared and were seen."""
    shell("alarms acknowledge --all --by warden --journal", journal)
    assert [action["about"] for action in handed_in(journal)] == [HIGH]


def test_shelving_has_an_end_and_a_reason(journal: Path, shell: Shell) -> None:
    """The end is an instant with its offset from UTC, as said or reckoned from now."""
    line = f"alarms shelve {HIGH} {PUMP} --for '8 h' --reason 'pump away' --by warden --journal"
    said = shell(line, journal)
    assert said.code == ExitCode.DONE
    first, second = handed_in(journal)
    assert first["until"] == second["until"]
    assert str(first["until"])[19:] in ("+00:00", "+01:00", "+02:00")
    assert first["reason"] == "pump away"


def test_a_note_says_cause_and_action(journal: Path, shell: Shell) -> None:
    """Of the activation that is named."""
    shell(
        f"alarms note {PUMP} --activation 1 --cause rag --action 'cleaned' --by warden --journal",
        journal,
    )
    (action,) = handed_in(journal)
    assert (action["activation"], action["cause"], action["corrective_action"]) == (
        1, "rag", "cleaned",
    )  # fmt: skip


@pytest.mark.parametrize("word", ["out-of-service", "return-to-service", "unshelve", "reset"])
def test_other_words_hand_in_their_verb(word: str, journal: Path, shell: Shell) -> None:
    """Under the name that the record has for it."""
    reason = "" if word == "reset" else "--reason repair"
    said = shell(f"alarms {word} {HIGH} {reason} --by warden --journal", journal)
    assert said.code == ExitCode.DONE
    assert handed_in(journal)[0]["verb"] == word.replace("-", "_")


class Desk:
    """Takes what is handed in and puts it on record; nothing has an effect on the pump's alarm."""

    paused = False

    def __init__(self, path: Path) -> None:
        self._path = path
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work)

    def __enter__(self) -> None:
        self._journal = Journal.open(self._path, wall_us=lambda: NOON_US, commit_period_s=0.0)
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self._journal.close()

    def _work(self) -> None:
        with JournalReader(self._path) as reader:
            taking = ActionTaking(self._path, reader)
            while not self._ended.wait(0.02):
                taking.take_waiting(self, NOON_US, SystemClock().wall_us() - NOON_US)

    def refusal(self, action: ActionTaken) -> str | None:
        return "it is normal: there is nothing to acknowledge" if action.about == PUMP else None

    def take_action(self, action: ActionTaken) -> bool:
        at_us, text = NOON_US + HOUR_US, action_text(action)
        self._journal.submit([Record(RecordKind.ACTION, action.about, at_us, at_us, at_us, text)])
        return True


def test_what_the_collector_made_of_it_is_told(journal: Path, shell: Shell) -> None:
    """Done, or refused with the reason and code 1, each alarm for itself."""
    with Desk(journal):
        said = shell(f"alarms acknowledge {HIGH} {PUMP} --by warden --journal", journal)
        assert said.code == ExitCode.ANSWER_IS_NO
        assert said.out.splitlines() == [
            f"{HIGH}: acknowledged",
            f"{PUMP}: refused: it is normal: there is nothing to acknowledge",
        ]
        said = shell(f"alarms reset {HIGH} --by warden --json --journal", journal)
        assert said.code == ExitCode.DONE
        assert said.data[0]["done"] is True


MISTAKES = {
    "alarms histry": "there is no 'weirkeeper alarms histry', did you mean 'history'?",
    "alarms --equipment sumpp": "there is no equipment with alarms 'sumpp', did you mean 'sump'?",
    "alarms history --rule levl_high": "there is no rule 'levl_high', did you mean 'level_high'?",
    "alarms history --frm x": "there is no option '--frm', did you mean '--from'?",
    "alarms acknowledge sump.levelhigh --by warden": (
        "there is no alarm 'sump.levelhigh', did you mean 'sump.level_high'?"
    ),
    f"alarms acknowledge {HIGH}": "it needs --by",
    "alarms acknowledge --by warden": "it needs an ALARM, or --all",
    f"alarms acknowledge {HIGH} --all --by warden": "--all means every alarm",
    f"alarms shelve {HIGH} --for '8 h' --by warden": "it needs --reason",
    f"alarms shelve {HIGH} --for 8h --reason r --by warden": "found '8h', expected a time such as",
    f"alarms shelve {HIGH} --until 2020-01-01T00:00:00Z --reason r --by warden": "to come",
    f"alarms shelve {HIGH} --until tomorrow --reason r --by warden": "found 'tomorrow', expected",
    f"alarms shelve {HIGH} --for '400 d' --reason r --by warden": "at most 31 days",
    f"alarms note {HIGH} --activation 2 --cause rag --by warden": (
        "--activation is 2, expected one of 1 to 1"
    ),
    f"alarms note {HIGH} --by warden": "a note needs --cause, --action or --comment",
    f"alarms note {HIGH} --cause '' --by warden": "found 0 characters",
}


@pytest.mark.parametrize("line", MISTAKES)
def test_a_wrong_line_gets_one_sentence(line: str, journal: Path, shell: Shell) -> None:
    """Code 2, what was probably meant, and nothing is handed in."""
    said = shell(line, "--journal", journal)
    assert said.code == ExitCode.USAGE
    assert said.out == ""
    assert MISTAKES[line] in said.err
    assert len(said.err.splitlines()) == 1
    assert handed_in(journal) == []


def test_a_day_without_alarms_is_no_claim_about_the_days_before(
    journal: Path, shell: Shell
) -> None:
    """An empty answer is an answer."""
    said = shell("alarms history --from 2026-06-01 --to 2026-06-02 --journal", journal)
    assert said.out == "no alarm stood in that time, as far as known\n"
