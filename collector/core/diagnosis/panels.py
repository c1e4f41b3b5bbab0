"""Panels that stand still or do not answer, and supplies without voltage."""

from __future__ import annotations

from collector.core.component import Saved
from collector.core.diagnosis.contact_watch import ContactWatch, inverse
from collector.core.diagnosis.limits import MAINS_AFTER_S, NOT_ANSWERING_S
from collector.core.diagnosis.standing import Claim
from collector.core.diagnosis.wording import MACHINE, diagnosis, duration
from collector.core.records import (
    AWAY,
    COLLECTOR_STOPPED,
    FROZEN,
    JOURNAL_FULL,
    NOT_YET_READ,
    Output,
)
from collector.plant.equipment import Mains
from collector.plant.model import Panel

NO_NEWS = frozenset({AWAY, COLLECTOR_STOPPED, JOURNAL_FULL, NOT_YET_READ, ""})


class PanelWatch(ContactWatch):
    """One panel.

    Args:
        name, panel: from the plant file.
        sure_us: see ``Standing``.
    """

    def __init__(self, name: str, panel: Panel, sure_us: int) -> None:
        # Any point will do: it is the panel whose loss has to be told.
        super().__init__(f"{name}.panel_watch", (f"{name}.{next(iter(panel.points))}",), sure_us)
        self._panel, self._title = name, panel.title or name
        self._frozen = panel.frozen
        self._reason = ""

    def lost(self, panel: str, reason: str, last_good_us: int, by_us: int) -> list[Output]:
        self._reason = reason
        return super().lost(panel, reason, last_good_us, by_us)

    def returned(self, panel: str, by_us: int) -> list[Output]:
        self._reason = ""
        return super().returned(panel, by_us)

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        silent: bool | None = self._reason not in NO_NEWS and self._reason != FROZEN
        if self._reason in NO_NEWS and self._reason:
            silent = None  # nobody looked, or it need not be there
        return [
            Claim(f"{self._panel}.panel_frozen", self._reason == FROZEN, 0.0, self._tell_frozen),
            Claim(f"{self._panel}.not_answering", silent, NOT_ANSWERING_S, self._tell_silent),
        ]

    def _tell_frozen(self) -> str:
        limit_s = self._frozen.after_s if self._frozen is not None else 0.0
        what = "nothing in it has"
        if self._frozen is not None and self._frozen.heartbeat is not None:
            what = f"its heartbeat '{self._frozen.heartbeat}' has not"
        return diagnosis(
            f"{self._title} answers, but {what} moved; what it shows is not believed any more",
            f"While it lives something moves at least every {duration(limit_s)}",
            "the controller itself: is its program running, do its own lamps change; the pumps may "
            "be without control", MACHINE,
        )  # fmt: skip

    def _tell_silent(self) -> str:
        return diagnosis(
            f"{self._title} has not answered for {duration(NOT_ANSWERING_S)} ({self._reason}); "
            "nothing is known of what is on it",
            "", "its power, then the way to it (radio, cable, gateway)", MACHINE,
        )  # fmt: skip

    def save(self) -> Saved:
        return {**super().save(), "reason": self._reason}

    def restore(self, saved: Saved) -> None:
        super().restore(saved)
        reason = saved.get("reason")
        if not isinstance(reason, str):
            raise ValueError(f"the saved state of {self.name} is of another form")
        self._reason = reason


class MainsWatch(ContactWatch):
    """The supply of one site.

    Args:
        name, mains: from the plant file.
        sure_us: see ``Standing``.
    """

    def __init__(self, name: str, mains: Mains, sure_us: int) -> None:
        super().__init__(f"{name}.mains_watch", (mains.present,), sure_us)
        self._mains, self._title, self._point = name, mains.title, mains.present

    def claims(self, now_us: int) -> list[Claim]:
        del now_us
        absent = inverse(self.contacts.made(self._point))
        return [Claim(f"{self._mains}.no_voltage", absent, MAINS_AFTER_S, self._tell)]

    def _tell(self) -> str:
        return diagnosis(
            f"{self._title}: no voltage; nothing on it runs",
            "", "the main switch and the supplier's notices; how long the wells have room",
            MACHINE,
        )  # fmt: skip
