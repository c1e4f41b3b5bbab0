"""Whether the daemon is alive, as ``/healthz`` tells a program that could start it again.

It is about the daemon, not the plant: a panel that keeps silent, a broker that is away or an alarm
that stands is something for people; starting the collector again would mend none of it and put a
gap on record. Panels are told (``answering``, ages) and do not count. What counts is whether
polling gets on and whether the journal takes what is seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from collector.clock import MICROSECONDS
from collector.page.watched import Watched

STUCK_AFTER_US = 60 * MICROSECONDS
"""No attempt to read for so long after it was due; that of the watchdog. No source."""
ABOUT = "whether the collector is alive; how the plant is stands on the page"


def vitals(watched: Watched, attempt_us: Mapping[str, int]) -> tuple[bool, dict[str, Any]]:
    """Whether all is well with the daemon, and each check by its name.

    Args:
        watched: the daemon.
        attempt_us: for each panel the plant time of its last scan, whatever came of it.
    """
    now_us = watched.clock.now_us()
    journal = watched.journal
    checks: dict[str, dict[str, Any]] = {
        "journal": {
            "well": not journal.blocked and not watched.paused,
            "newest": journal.head, "waiting": journal.backlog,
            "attention": journal.trouble or "",
        },
        "polling": {
            "well": bool(watched.buses)
            and all(now_us - bus.due_us <= STUCK_AFTER_US for bus in watched.buses),
            "links": len(watched.buses),
        },
    }  # fmt: skip
    known = watched.known_until_us()
    panels = {
        name: {
            "answering": name in known,
            "last_sign_age_s": _age_s(known.get(name), now_us),
            "last_attempt_age_s": _age_s(attempt_us.get(name), now_us),
        }
        for name in watched.plant_file.plant.panels
    }
    well = all(check["well"] for check in checks.values())
    return well, {"well": well, "about": ABOUT, "checks": checks, "panels": panels}


def _age_s(then_us: int | None, now_us: int) -> float | None:
    return None if then_us is None else round((now_us - then_us) / MICROSECONDS, 3)
