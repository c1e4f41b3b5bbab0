"""The rest of the check of a large journal, while it is already in use.

A start waits for the check of what can be looked through at once. Ten years of records take longer
than a plant should be left unwatched, on a small machine a minute and more; so these are looked
through beside the writer, by a connection of its own that only reads. What it finds ends the writer
as any damage does that is met while running.
"""

from __future__ import annotations

import threading
from pathlib import Path

import apsw

from collector.errors import JournalDamaged, JournalError
from collector.journal import connect

STEPS = 1_000  # of the check, between two looks whether to stop


class LaterCheck:
    """One check in a thread of its own, begun at once.

    Args:
        path: the journal.
        vfs: SQLite's name of the file system layer, None for the usual one.

    Attributes:
        damage: what was found, None for nothing so far.
        through: whether it went through the whole file and found nothing.
    """

    def __init__(self, path: Path, vfs: str | None) -> None:
        self.damage: JournalDamaged | None = None
        self.through = False
        self._path = path
        self._vfs = vfs
        self._stopping = False
        self._thread = threading.Thread(target=self._check, name="journal check", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Give up what is not yet looked through."""
        self._stopping = True
        self._thread.join()

    def _check(self) -> None:
        try:
            connection = connect.connect_reader(self._path, self._vfs)
        except JournalError:  # what keeps it from being opened is the writer's to meet
            return
        try:
            # Asked on the way, so that a stop is heeded whenever it comes.
            connection.set_progress_handler(lambda: self._stopping, STEPS)
            found = str(connection.execute("PRAGMA quick_check(1)").get)
            self.through = found == "ok"
            if not self.through:
                self.damage = connect.damaged(self._path, found)
        except apsw.InterruptError:
            pass
        except apsw.Error as error:
            translated = connect.translate(error, self._path, connection, "read")
            if isinstance(translated, JournalDamaged):
                self.damage = translated
            # Else the disk failed to read, which the writer will meet where it matters.
        finally:
            connect.close(connection)
