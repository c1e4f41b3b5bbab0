"""The layout of the journal on disk, and how an older one becomes this one.

A record costs few bytes because what repeats is kept once: the kind and name of a subject in
``subject``, a reason people read again and again in ``reason``, and the difference between wall
time and plant time in ``era``, whose rows each say from which record on it holds. The one index
needs no time column: records are numbered in the order of plant time, so a stretch of time is a
stretch of numbers (``reader.py`` finds its ends by halving).

The audited record has a table of its own (``chain``, see ``audit/chain.py``), which nothing else
reads or shortens; it begins when a file is brought to layout 2. Where entries were lost with a
damaged file, ``chain_break`` (layout 3) says which, so that a loss is told from tampering.

``marks`` of a record hold its quality times two, plus one for a bool, so that the commonest
records, good ones, need no byte for it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import apsw

from collector.core.records import RecordKind
from collector.errors import JournalError

APPLICATION_ID = 0x57454952
"""Says in the file's header that it is ours: "WEIR" in ASCII."""

FIRST = """
CREATE TABLE journal (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    began_utc_us INTEGER NOT NULL,
    disorder_us INTEGER NOT NULL  -- the most by which a record was older than one before it
) STRICT;
CREATE TABLE subject (
    id INTEGER PRIMARY KEY,
    kind INTEGER NOT NULL,
    name TEXT NOT NULL,
    UNIQUE (kind, name)
) STRICT;
CREATE TABLE reason (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE era (
    first_sequence INTEGER PRIMARY KEY,
    offset_us INTEGER NOT NULL    -- wall time minus plant time from that record on
) STRICT;
CREATE TABLE record (
    sequence INTEGER PRIMARY KEY,
    subject INTEGER NOT NULL REFERENCES subject,
    at_us INTEGER NOT NULL,
    bracket_us INTEGER NOT NULL,  -- at_us minus after_us
    marks INTEGER NOT NULL,
    value ANY,                    -- an integer beyond 64 bits stands as a blob of its digits
    reason ANY NOT NULL,          -- number of a reason, or a rare one's own text
    low REAL,
    high REAL
) STRICT;
CREATE INDEX record_of_subject ON record (subject);  -- its entries end with the sequence
CREATE TABLE state (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    sequence INTEGER NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE TABLE alive (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    at_us INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    boot_id TEXT NOT NULL,
    panels TEXT NOT NULL          -- JSON: plant time of each panel's last good answer
) STRICT;
CREATE TABLE cursor (
    outlet TEXT PRIMARY KEY,
    delivered INTEGER NOT NULL,
    ahead_from INTEGER NOT NULL,
    ahead_to INTEGER NOT NULL,
    moved_utc_us INTEGER NOT NULL,
    dropped INTEGER NOT NULL,
    quarantined INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE configuration (
    kind TEXT NOT NULL,
    hash TEXT NOT NULL,
    text TEXT NOT NULL,
    first_utc_us INTEGER NOT NULL,
    turn INTEGER NOT NULL,        -- the greatest of a kind is in force
    PRIMARY KEY (kind, hash)
) STRICT, WITHOUT ROWID;
CREATE TABLE quarantine (
    outlet TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    why TEXT NOT NULL,
    utc_us INTEGER NOT NULL,
    PRIMARY KEY (outlet, sequence)
) STRICT, WITHOUT ROWID;
INSERT INTO reason VALUES (0, '');
INSERT INTO journal VALUES (1, 0, 0);
"""

SECOND = """
CREATE TABLE chain (
    number INTEGER PRIMARY KEY,   -- from 1, without holes
    sequence INTEGER NOT NULL,    -- of the record it keeps
    body TEXT NOT NULL,           -- canonical JSON (RFC 8785)
    hash BLOB NOT NULL            -- SHA-256 of the hash before it and the body
) STRICT;
CREATE TABLE chain_anchor (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    number INTEGER NOT NULL,      -- the last entry that is gone, 0 if none
    hash BLOB NOT NULL,
    older INTEGER NOT NULL        -- records up to this one are older than the chain
) STRICT;
INSERT INTO chain_anchor
    SELECT 1, 0, zeroblob(32), coalesce(max(sequence), 0) FROM record;
"""

THIRD = """
CREATE TABLE chain_break (
    number INTEGER PRIMARY KEY,   -- the last entry that is missing
    first INTEGER NOT NULL,       -- the first that is
    hash BLOB NOT NULL            -- what the next entry is built on
) STRICT;
"""

MIGRATIONS: tuple[str, ...] = (FIRST, SECOND, THIRD)
"""Script n brings a file of version n to version n + 1; one that has shipped is never edited."""

VERSION = len(MIGRATIONS)

IMPOSSIBLE = {
    "SELECT (SELECT count(*) FROM journal) <> 1": "it does not say when it began",
    "SELECT (SELECT count(*) FROM chain_anchor) <> 1": "the anchor of its chain is missing",
    "SELECT count(*) FROM subject WHERE kind NOT IN (SELECT value FROM json_each(?))":
        "a subject is of no kind there is",
    "SELECT count(*) <> coalesce(max(id), 0) FROM subject": "numbers of subjects are missing",
    "SELECT count(*) <> coalesce(max(id) + 1, 0) OR min(id) <> 0 FROM reason":
        "numbers of reasons are missing",
    "SELECT (SELECT min(sequence) FROM record) < coalesce((SELECT min(first_sequence) FROM era), "
    "9e18)": "the dates of its records are missing",
    "SELECT count(*) FROM alive WHERE NOT json_valid(panels)": "its last sign of life is none",
}  # fmt: skip
"""Statements that are true of no journal, and what they say of one."""


def check_owner(connection: apsw.Connection, path: str) -> int:
    """Return the layout version of a file, 0 for one that holds nothing yet.

    Raises:
        JournalError: the file belongs to another program, or to a newer version of this one.
    """
    application = connection.pragma("application_id")
    version = int(connection.pragma("user_version"))
    empty = not connection.execute("SELECT count(*) FROM sqlite_schema").get
    if empty and application == 0 and version == 0:
        return 0
    if application != APPLICATION_ID or version < 1:
        raise JournalError(f"{path} is a SQLite database of another program, not a journal")
    if version > VERSION:
        raise JournalError(
            f"the journal {path} has layout {version}, this program knows up to {VERSION}: "
            "it was written by a newer version; install that one, or give another path"
        )
    return version


def bring_up_to_date(
    connection: apsw.Connection,
    path: str,
    began_utc_us: int,
    migrations: Sequence[str] = MIGRATIONS,
) -> int:
    """Bring a new or older file to the layout of today, all in one transaction.

    Args:
        connection: the writer's, in no transaction.
        path: named in errors.
        began_utc_us: noted in a new file.
        migrations: the scripts; the last one's result is today's layout.

    Returns:
        The version the file had.

    Raises:
        JournalError: see ``check_owner``.
    """
    version = check_owner(connection, path)
    if version == len(migrations):
        return version
    connection.execute("BEGIN IMMEDIATE")
    try:
        for script in migrations[version:]:
            connection.execute(script)
        if version == 0:
            connection.execute("UPDATE journal SET began_utc_us = ?", (began_utc_us,))
        connection.pragma("application_id", APPLICATION_ID)
        connection.pragma("user_version", len(migrations))
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return version


def maybe_wrong(connection: apsw.Connection) -> str | None:
    """What cannot be in a journal of today's layout although SQLite finds nothing wrong with it.

    Raises:
        apsw.Error: it cannot be read.
    """
    kinds = json.dumps([int(kind) for kind in RecordKind])
    for statement, wrong in IMPOSSIBLE.items():
        if connection.execute(statement, (kinds,) if "?" in statement else ()).get:
            return wrong
    for table in ("subject", "reason"):
        found = connection.execute(f"PRAGMA integrity_check({table})").get
        if found != "ok":
            return f"{table}: {found}"
    return None
