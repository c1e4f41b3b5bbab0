"""Verification of a journal itself, after somebody has worked on its tables."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import apsw
import pytest

from collector.audit.chain import head_of
from collector.audit.keys import open_signer
from collector.audit.verify import read_heads
from collector.cli.main import main
from collector.errors import ExitCode
from tests.unit.audit.audited_sample import write_sample

COUNT = 73


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with 73 entries, signed each day."""
    path = tmp_path_factory.mktemp("sound") / "j"
    write_sample(path, open_signer(path.with_name("j.key")))
    return path


@pytest.fixture
def journal(sound: Path, tmp_path: Path) -> Path:
    """A copy to work on."""
    path = tmp_path / "j"
    for ending in ("", ".pub"):
        shutil.copy(f"{sound}{ending}", f"{path}{ending}")
    return path


def verify(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[ExitCode, str]:
    """The exit code and what is said, in one line."""
    code = main(["verify", *words])
    return code, " ".join(capsys.readouterr().out.split())


def test_a_sound_journal_is_whole(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the key up to the last head; without, it says that no signature was looked at."""
    words = ("--journal", str(journal))
    code, said = verify(capsys, *words, "--public-key", f"{journal}.pub")
    assert code is ExitCode.DONE
    assert f"whole: entries 1 to {COUNT}" in said
    assert f"signed: up to entry {COUNT - 1}, by the head of 2026-07-04" in said
    assert "whoever could write the record could have replaced" in said
    code, said = verify(capsys, *words)
    assert code is ExitCode.DONE
    assert "without a public key no signature was looked at" in said


TAMPERING = {
    "UPDATE chain SET body = replace(body, 'warden', 'nobody') WHERE number = 3": (
        "tampered with first bad entry 3: its content, its hash and the hash before it do not fit"
    ),
    "UPDATE chain SET hash = zeroblob(32) WHERE number = 7": (
        "tampered with first bad entry 7: its content, its hash and the hash before it do not fit"
    ),
    "DELETE FROM chain WHERE number = 9": (
        "tampered with first bad entry 9: it is not here, entry 10 stands in its place"
    ),
    "DELETE FROM chain WHERE number BETWEEN 9 AND 12": (
        "tampered with first bad entry 9: entries 9 to 12 are not here, entry 13 stands in their"
    ),
    "DELETE FROM chain WHERE number < 5": (
        "tampered with first bad entry 1: entries 1 to 4 are not here"
    ),
    "DELETE FROM chain WHERE number > 70": (
        "cut off the journal has audited records up to 73, the chain ends at record 70"
    ),
    "UPDATE chain SET sequence = sequence + 1 WHERE number = 20": (
        "tampered with first bad entry 20: the journal files it under other numbers than it says"
    ),
    "INSERT INTO chain SELECT 74, 74, body, hash FROM chain WHERE number = 8": (
        "tampered with first bad entry 74: entry 8 stands here again"
    ),
    "UPDATE chain SET number = 1000 WHERE number = 30; "
    "UPDATE chain SET number = 30 WHERE number = 31; "
    "UPDATE chain SET number = 31 WHERE number = 1000": (
        "tampered with first bad entry 30: it is not here, entry 31 stands in its place"
    ),
    "UPDATE chain SET body = 'no JSON' WHERE number = 1": (
        "tampered with first bad entry 1: it is no entry of an audited record"
    ),
    "UPDATE journal SET began_utc_us = began_utc_us + 1": (
        "tampered with first bad entry 19: the signature of the head of 2026-07-01"
    ),
    "UPDATE chain_anchor SET number = 2": "tampered with first bad entry 3: entry 1 stands here",
    "UPDATE chain_anchor SET (number, hash) = (SELECT number, hash FROM chain WHERE number = 5); "
    "DELETE FROM chain WHERE number <= 5": (
        "tampered with entries 1 to 5 are gone, and the record does not say that they had to go"
    ),
}


@pytest.mark.parametrize("statement", TAMPERING)
def test_work_on_the_tables_is_found(
    journal: Path, capsys: pytest.CaptureFixture[str], statement: str
) -> None:
    """The first bad entry is named, and what is wrong with it; the exit code says no."""
    connection = apsw.Connection(str(journal))
    connection.execute(statement)
    connection.close()
    code, said = verify(capsys, "--journal", str(journal), "--public-key", f"{journal}.pub")
    assert code is ExitCode.ANSWER_IS_NO
    assert said.startswith(f"{journal}: {TAMPERING[statement]}")


def test_a_head_kept_outside_tells_of_a_lost_end(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Entries and records are gone together, so that the journal looks sound: the witness knows
    better, and calls it cut off."""
    connection = apsw.Connection(str(journal))
    body = connection.execute("SELECT body FROM chain WHERE number = ?", (COUNT,)).get
    for table, column in (("chain", "number"), ("record", "sequence")):
        connection.execute(f"DELETE FROM {table} WHERE {column} > 60")  # noqa: S608 — constants
    connection.close()
    words = ["--journal", str(journal), "--public-key", f"{journal}.pub"]
    assert verify(capsys, *words)[0] is ExitCode.DONE
    head = tmp_path / "head.json"
    head.write_text(json.dumps(json.loads(body)["value"]))
    code, said = verify(capsys, *words, "--head", str(head))
    assert code is ExitCode.ANSWER_IS_NO
    wrong = f"the head of 2026-07-04 kept outside tells of {COUNT - 1} entries, here the last is 60"
    assert f"cut off {wrong}" in said


def test_another_key_is_named(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A signature of a key that was not given is no proof."""
    open_signer(tmp_path / "other.key")
    words = ("--journal", str(journal), "--public-key", str(tmp_path / "other.pub"))
    code, said = verify(capsys, *words)
    assert code is ExitCode.ANSWER_IS_NO
    assert "which is none of those given" in said
    both = verify(capsys, *words, "--public-key", f"{journal}.pub")
    assert both[0] is ExitCode.DONE


HEAD = '{"day":"2026-07-01","number":3,"hash":"00ff"}'


@pytest.mark.parametrize(
    "text",
    [HEAD, f"[{HEAD}]", f"{HEAD}\n\n{HEAD}\n", f'{{"head":{HEAD},"at":"x","journal":"5"}}'],
    ids=["bare", "list", "lines", "message"],
)
def test_heads_are_read_in_every_form_they_are_kept_in(text: str) -> None:
    """Bare, in a list, one a line, or as a broker delivered them, with the journal's id."""
    found = read_heads(text)
    journal = "5" if "journal" in text else ""
    assert set(found) == {head_of(json.loads(HEAD), journal)}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "expected heads, found none"),
        ("{}", "expected heads as JSON objects with day, number and hash, found {}"),
        (f"{HEAD}\nno", "line 2: expected a JSON object, found no"),
        ("[3]", "expected heads as JSON objects with day, number and hash, found 3"),
    ],
)
def test_what_is_no_head_is_refused(text: str, sentence: str) -> None:
    """In one sentence."""
    with pytest.raises(ValueError, match="expected") as caught:
        read_heads(text)
    assert str(caught.value) == sentence
