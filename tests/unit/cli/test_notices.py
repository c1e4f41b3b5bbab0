"""``weirkeeper notices``: lists what is on record, tests a way on a real mail server."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from collector.core.notices.notice import ATTEMPTED, FAILED, SENT, WANTED, Notice, record_of
from collector.errors import ExitCode
from collector.journal.writer import Journal
from tests.mail_server import MailServer, mail_server
from tests.outlet_samples import NOON_US
from tests.unit.cli.typed import Shell

PLANT = Path(__file__).parents[3] / "config" / "osier-bend" / "plant.yaml"


def a_journal(path: Path, steps: list[str]) -> None:
    """A journal of the example plant with the life of one notice."""
    with Journal.open(path, wall_us=lambda: NOON_US) as journal:
        journal.remember_configuration("plant", PLANT.read_text(encoding="utf-8"), "0")
        title = "Osier Bend: HIGH Sump: high since 12:00"
        about = {"collection.high_water#1": "stands"}
        notice = Notice("n1", "warden.mail", "alarm", about, attempt=1, title=title)
        journal.submit([record_of(notice, step, NOON_US + n, 0) for n, step in enumerate(steps)])


def typed(server: MailServer, folder: Path) -> str:
    """Settings as a file."""
    values: dict[str, Any] = {"notices": server.values()}
    path = folder / "settings.yaml"
    path.write_text(yaml.safe_dump(values), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("steps", "code"),
    [([WANTED, ATTEMPTED, SENT], ExitCode.DONE), ([WANTED, ATTEMPTED, FAILED], 1)],
)
def test_the_list_says_to_whom_what_went_and_what_waits(
    shell: Shell, tmp_path: Path, steps: list[str], code: int
) -> None:
    """One entry for a notice, with the last step of its life; what waits makes exit code 1."""
    a_journal(tmp_path / "j", steps)
    said = shell(f"notices --journal {tmp_path / 'j'}")
    assert said.code == code
    assert said.out.splitlines() == [
        f"2026-03-01 12:00:00  warden.mail  {steps[-1]}",
        "  Osier Bend: HIGH Sump: high since 12:00",
    ]
    (row,) = json.loads(shell(f"notices --json --journal {tmp_path / 'j'}").out)
    assert (row["person"], row["way"], row["step"]) == ("warden", "mail", steps[-1])
    assert row["about"] == {"collection.high_water#1": "stands"}


def test_a_test_notice_is_sent_by_the_command_itself(shell: Shell, tmp_path: Path) -> None:
    """It arrives with the plant's title, and the command says whether it was taken."""
    a_journal(tmp_path / "j", [])
    with mail_server(tmp_path) as server:
        settings = typed(server, tmp_path)
        command = f"notices test --to warden --settings {settings} --journal {tmp_path / 'j'}"
        said = shell(command)
        (mail,) = server.mailbox.received
    assert (said.code, said.out) == (
        ExitCode.DONE, "warden.warden_mail: was taken by the far side\n",
    )  # fmt: skip
    assert mail["Subject"] == "Osier Bend holiday park: test notice for warden"
    said = shell(command)
    assert said.code == ExitCode.ANSWER_IS_NO
    assert "warden.warden_mail: failed: no answer from 127.0.0.1" in said.out


def test_an_unknown_person_is_told_the_nearest(shell: Shell, tmp_path: Path) -> None:
    """As everywhere."""
    settings = typed(MailServer(tmp_path), tmp_path)
    said = shell(f"notices test --to wardn --settings {settings}")
    assert said.code == ExitCode.USAGE
    assert "there is no person 'wardn', did you mean 'warden'?" in said.err
