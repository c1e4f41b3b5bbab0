"""The daemon's way to its journal: opened, or replaced where it is damaged, and said either way."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import structlog

from collector.audit.keys import Signer
from collector.clock import Clock
from collector.errors import JournalDamaged, WeirkeeperError
from collector.journal.salvage.opening import Replaced, mark_suspect, open_or_replace
from collector.journal.writer import Journal, OnCommit, OnTrouble
from collector.settings import Settings

log = structlog.get_logger()


def open_journal(
    settings: Settings,
    clock: Clock,
    outlets: Sequence[str],
    signer: Signer,
    on_commit: OnCommit,
    on_trouble: OnTrouble,
    still_at_it: Callable[[], object],
) -> Journal:
    """Open the journal of the settings for writing.

    Args:
        settings: of the daemon.
        clock: for the wall time.
        outlets: those whose undelivered records are kept.
        signer: of the heads of the audited record.
        on_commit, on_trouble: see ``Journal``.
        still_at_it: called every second or so while a damaged one is salvaged.

    Raises:
        JournalError: it cannot be opened, nor be replaced.
    """
    path = settings.journal.path

    def open_it() -> Journal:
        return Journal.open(
            path,
            wall_us=clock.wall_us,
            size_limit_bytes=settings.journal.size_limit_mib << 20,
            commit_period_s=settings.journal.commit_period_s,
            on_commit=on_commit,
            on_trouble=on_trouble,
            outlets=outlets,
            keep_years=settings.audit.keep_years,
            signer=signer,
        )

    journal, replaced = open_or_replace(path, open_it, clock.wall_us(), signer, still_at_it)
    if replaced is not None:
        _say(replaced)
    return journal


def _say(replaced: Replaced) -> None:
    salvaged = replaced.salvaged
    log.error(
        "the journal was damaged and has been replaced",
        because=replaced.because,
        set_aside=str(replaced.set_aside),
        records=salvaged.records,
        newest=salvaged.newest,
        goes_on_at=salvaged.begins,
        told=salvaged.text,
    )


def note_damage(settings: Settings, failure: WeirkeeperError | BaseException) -> None:
    """Have the next start replace the journal if what made this one fail is damage."""
    if isinstance(failure, JournalDamaged):
        mark_suspect(settings.journal.path, failure.found)
