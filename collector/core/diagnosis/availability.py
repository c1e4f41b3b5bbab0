"""Machines that are not there to be called: fault contact made, or selector not in auto."""

from __future__ import annotations

from collector.core.diagnosis.contact_watch import ContactWatch, inverse
from collector.core.diagnosis.limits import FAULT_AFTER_S, NOT_IN_AUTO_AFTER_S
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import MACHINE, diagnosis


class AvailabilityWatch(ContactWatch):
    """One machine, filter or dosing pump.

    Args:
        equipment, title: its name and what people call it.
        fault, auto, run: its contacts, where it has them.
        cautions: for who goes to look at it.
        sure_us: see ``Standing``.
    """

    def __init__(
        self, equipment: str, title: str, fault: str | None, auto: str | None, run: str | None,
        sure_us: int, cautions: tuple[str, ...] = MACHINE,
    ) -> None:  # fmt: skip
        super().__init__(f"{equipment}.availability", (fault, auto, run), sure_us)
        self._equipment, self._title = equipment, title
        self._fault, self._auto, self._run = fault, auto, run
        self._cautions = cautions

    def claims(self, now_us: int) -> list[Claim]:
        found = []
        if self._fault is not None:
            fault = self.contacts.made(self._fault)
            found.append(
                Claim(f"{self._equipment}.in_fault", fault, FAULT_AFTER_S, self._tell_fault)
            )
        if self._auto is not None:
            out = inverse(self.contacts.made(self._auto))
            found.append(
                Claim(f"{self._equipment}.not_in_auto", out, NOT_IN_AUTO_AFTER_S, self._tell_auto)
            )
        return found

    def _tell_fault(self) -> str:
        return diagnosis(
            f"{self._title}: its fault or overload contact is made, the panel cannot count on it",
            "", "the overload relay and why it opened (blocked, one phase missing, hot motor), "
            "before anybody resets it", self._cautions,
        )  # fmt: skip

    def _tell_auto(self) -> str:
        runs = self.contacts.made(self._run)
        seen = "" if runs is None else ", and it runs" if runs else ", and it stands"
        return diagnosis(
            f"{self._title}: its selector is not in auto{seen}",
            "The panel calls it only in auto",
            "the logbook and the selector: somebody may be working on it", self._cautions,
        )  # fmt: skip
