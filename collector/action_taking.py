"""Takes what people do, from the in-tray and over a broker, and has it put on record once.

An action that has no effect is put on record as well, with the reason. Whoever handed it in is
answered when the record is committed, and its file is removed only then; should the process die in
between, the file is found again, and its id tells that it is on record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import structlog

from collector import intray_files
from collector.core.alarms.action_form import read_action
from collector.core.alarms.actions import MQTT, action_of
from collector.core.records import ActionTaken, Record, RecordKind

REMEMBERED = 5_000
LOOKED_BACK = 100_000
"""Records in which a start looks for what is on record already: what a commit before the end of the
earlier process brought stands among the last."""
PAGE = 2_000
NO_ROOM = "the journal takes nothing at present; say it again later"
NOT_SO = "it did not come over a broker"
USED = "this id was used before"

log = structlog.get_logger(__name__)


class Answering(Protocol):
    """Who tells people over a broker what became of their action."""

    def answer(self, action: ActionTaken, refused: str, number: int) -> None:
        """As in ``MqttOutlet``."""
        ...


class Past(Protocol):
    """The journal's reader, as far as it is used here."""

    def head(self) -> int: ...
    def records_after(
        self, sequence: int, limit: int, kinds: Sequence[RecordKind]
    ) -> list[Record]: ...


class Desk(Protocol):
    """What actions are handed on to."""

    @property
    def paused(self) -> bool:
        """Whether the journal takes nothing."""
        ...

    def refusal(self, action: ActionTaken) -> str | None:
        """Why an action would have no effect, as a sentence; None if it has one."""
        ...

    def take_action(self, action: ActionTaken) -> bool:
        """Put it on record; False if it was taken long ago."""
        ...


@dataclass(slots=True)
class _Known:
    """An action that was taken; ``number`` is 0 until it is on record."""

    action: ActionTaken
    number: int = 0
    file: str = ""

    @property
    def refused(self) -> str:
        return str(self.action.details.get("refused") or "")


class ActionTaking:
    """Hands every action on once.

    Args:
        journal: path of the journal; its in-tray is beside it.
        past: what is on record.
    """

    def __init__(self, journal: Path, past: Past) -> None:
        self.answering: Answering | None = None
        self._journal = journal
        self._known: dict[str, _Known] = {}
        head = past.head()
        sequence = max(0, head - LOOKED_BACK)
        while page := past.records_after(sequence, PAGE, (RecordKind.ACTION,)):
            for record in page:
                self._note(record)
            sequence = page[-1].sequence

    # --- what comes in --------------------------------------------------------------------------

    def take_waiting(self, desk: Desk, now_us: int, offset_us: int) -> None:
        """Take what waits in the in-tray.

        Args:
            desk: what it is handed on to.
            now_us: plant time.
            offset_us: wall time minus plant time.
        """
        for file in intray_files.waiting(self._journal):
            if desk.paused:
                return
            found = read_action(file.data, now_us, offset_us)
            if isinstance(found, str):
                intray_files.set_aside(self._journal, file.name, found)
                continue
            if found.details["way"] == MQTT:
                intray_files.set_aside(self._journal, file.name, NOT_SO)
                continue
            known = self._known.get(str(found.details["id"]))
            if known is None:
                self._hand_on(found, desk, file.name)
            elif not known.number:
                continue  # on its way to the disk
            elif _same(known.action, found):
                intray_files.done(self._journal, file.name)
            else:
                intray_files.set_aside(self._journal, file.name, USED)

    def take_spoken(self, action: ActionTaken, desk: Desk) -> None:
        """Take what somebody has said over a broker; the same again is answered as before."""
        known = self._known.get(str(action.details["id"]))
        if known is not None and not _same(known.action, action):
            self._answer(action, USED, 0)
        elif known is not None:
            if known.number:
                self._answer(known.action, known.refused, known.number)
        elif desk.paused:
            self._answer(action, NO_ROOM, 0)
        else:
            self._hand_on(action, desk, "")

    def _hand_on(self, action: ActionTaken, desk: Desk, file: str) -> None:
        refused = desk.refusal(action)
        if refused is not None:
            action = replace(action, details={**action.details, "refused": refused})
        known = _Known(action, file=file)
        self._remember(known)
        if desk.take_action(action):
            return
        del self._known[str(action.details["id"])]
        if file:
            intray_files.set_aside(self._journal, file, USED)
        else:
            self._answer(action, USED, 0)

    # --- what is on record ----------------------------------------------------------------------

    def committed(self, records: Sequence[Record]) -> None:
        """Answer, and remove the files of, what is on record now."""
        for record in records:
            if record.kind is not RecordKind.ACTION:
                continue
            known = self._note(record)
            if known.file:
                intray_files.done(self._journal, known.file)
                known.file = ""
            if known.action.details.get("way") == MQTT:
                self._answer(known.action, known.refused, known.number)

    def _note(self, record: Record) -> _Known:
        action = action_of(record.subject, record.at_us, str(record.value))
        known = self._known.get(str(action.details.get("id")))
        if known is None:
            known = _Known(action)
            self._remember(known)
        known.number = record.sequence
        return known

    def _remember(self, known: _Known) -> None:
        self._known[str(known.action.details.get("id"))] = known
        while len(self._known) > REMEMBERED:
            self._known.pop(next(iter(self._known)))

    def _answer(self, action: ActionTaken, refused: str, number: int) -> None:
        if self.answering is not None:
            self.answering.answer(action, refused, number)


def _same(known: ActionTaken, again: ActionTaken) -> bool:
    """Whether it is the same action once more, whatever became of it."""
    details = {name: value for name, value in known.details.items() if name != "refused"}
    return (known.about, known.verb, known.actor, details) == (
        again.about, again.verb, again.actor, dict(again.details),
    )  # fmt: skip
