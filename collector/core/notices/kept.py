"""What is kept of each activation of an alarm, and of what was told in each way."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from collector.core.notices.notice import Notice


@dataclass(slots=True)
class Activation:
    """One activation of an alarm.

    Attributes:
        raised_us, raised_utc_us: when.
        ended_us, ended_utc_us: when it ended, None while it stands.
        since_us: when it was raised, or put back after it was set aside: what was told before does
            not count.
        acknowledged: by whom, empty while nobody has.
        covered: set aside now: shelved, suppressed by design or out of service.
        silent: set aside all the time so far, so that nobody is told.
        unknown: nobody knows whether it still holds.
        old: begun before what was read of the record.
        withdrawn: its rule went out of force while it stood.
        latched: it has cleared, and somebody has to reset it.
    """

    subject: str
    number: int
    priority: str
    title: str
    raised_us: int
    raised_utc_us: int
    since_us: int
    follows: str = ""
    ended_us: int | None = None
    ended_utc_us: int | None = None
    acknowledged: str = ""
    covered: bool = False
    silent: bool = False
    unknown: bool = False
    old: bool = False
    withdrawn: bool = False
    latched: bool = False

    @property
    def key(self) -> str:
        """``equipment.rule#activation``."""
        return f"{self.subject}#{self.number}"

    @property
    def equipment(self) -> str:
        """Its equipment, panel or ``collector``."""
        return self.subject.partition(".")[0]

    @property
    def calls(self) -> bool:
        """Whether it stands and waits for somebody."""
        aside = self.covered or self.silent or self.old
        return self.ended_us is None and not self.acknowledged and not aside


@dataclass(slots=True)
class Told:
    """What was told in one way, and what is under way there.

    Attributes:
        about: for each key when something was told of it, and what.
        open: the notice that is neither sent nor given up.
        step: the last step on record of the open one.
        failures: attempts that failed since the last success.
        failed_us: when the last of them did.
        alarm_us: when an alarm notice was sent last.
        flood_us: when one of a flood was.
        last_id: of the last alarm notice that was sent.
        days: kind and day of what was sent once a day.
        doubtful: of notices that may have arrived without our knowing, what they are about.
    """

    about: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    open: Notice | None = None
    step: str = ""
    failures: int = 0
    failed_us: int = 0
    alarm_us: int | None = None
    flood_us: int | None = None
    last_id: str = ""
    days: set[tuple[str, str]] = field(default_factory=set)
    doubtful: dict[str, frozenset[str]] = field(default_factory=dict)

    def may_have_heard(self, id: str, about: Collection[str]) -> bool:  # noqa: A002
        """Whether a notice may repeat what arrived without our knowing."""
        return id in self.doubtful or any(keys & set(about) for keys in self.doubtful.values())
