"""An older journal becomes today's in one transaction or not at all."""

from __future__ import annotations

from pathlib import Path

import apsw
import pytest

from collector.journal import connect, schema
from tests.unit.journal.samples import contacts, read_all, wall_us, write

NEXT = (
    "ALTER TABLE journal ADD COLUMN note TEXT NOT NULL DEFAULT '';",
    "UPDATE journal SET note = 'grown'; CREATE TABLE extra (a INTEGER) STRICT;",
)


def versions(path: Path) -> tuple[int, int, list[str]]:
    """Application id, layout and tables of a file."""
    connection = apsw.Connection(str(path))
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema ORDER BY 1")]
    found = connection.pragma("application_id"), connection.pragma("user_version"), tables
    connection.close()
    return found


def test_version_one_is_what_it_was() -> None:
    """The first layout is on people's disks: later ones are added as scripts of their own. All of
    its tables are strict."""
    connection = apsw.Connection(":memory:")
    connection.execute(schema.MIGRATIONS[0])
    columns = [row[1:3] for row in connection.execute("PRAGMA table_info(record)")]
    assert columns == [
        ("sequence", "INTEGER"), ("subject", "INTEGER"), ("at_us", "INTEGER"),
        ("bracket_us", "INTEGER"), ("marks", "INTEGER"), ("value", "ANY"), ("reason", "ANY"),
        ("low", "REAL"), ("high", "REAL"),
    ]  # fmt: skip
    strict = connection.execute(
        "SELECT min(strict) FROM pragma_table_list WHERE name NOT LIKE 'sqlite%'"
    )
    assert strict.get == 1
    connection.close()


def test_a_journal_moves_on_with_all_its_records(tmp_path: Path) -> None:
    """From today's layout through two later ones: each script runs once, the records stay."""
    path = tmp_path / "j"
    write(path, contacts(1, 50))
    ours, version, tables = versions(path)
    assert (ours, version) == (0x57454952, schema.VERSION)
    connection = connect.connect_writer(path)
    migrations = (*schema.MIGRATIONS, *NEXT)
    assert schema.bring_up_to_date(connection, str(path), wall_us(), migrations) == schema.VERSION
    assert connection.execute("SELECT note FROM journal").get == "grown"
    assert connection.execute("SELECT count(*) FROM record").get == 50
    connection.pragma("user_version", schema.VERSION)  # as if today's program opened it
    connection.close()
    assert versions(path)[2] == sorted([*tables, "extra"])
    assert len(read_all(path)) == 50


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    """The second script fails: the first one's work is gone too and the file is as it was."""
    path = tmp_path / "j"
    write(path, contacts(1, 50))
    before = versions(path)
    connection = connect.connect_writer(path)
    migrations = (
        *schema.MIGRATIONS,
        NEXT[0],
        "CREATE TABLE extra (a INTEGER); SELECT nonsense;",
    )
    with pytest.raises(apsw.SQLError, match="nonsense"):
        schema.bring_up_to_date(connection, str(path), wall_us(), migrations)
    assert not connection.in_transaction
    connection.close()
    assert versions(path) == before
    assert len(read_all(path)) == 50
