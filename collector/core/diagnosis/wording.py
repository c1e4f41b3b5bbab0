"""How a diagnosis is worded, and the cautions in full.

A finding names its cautions in short; ``CAUTIONS`` says them in full, once. A screen never proves
isolation or a safe atmosphere.
"""

from __future__ import annotations

CAUTIONS: dict[str, str] = {
    "confined space": (
        "Wet wells, tanks and sumps are permit-required confined spaces: test the air before and "
        "during entry, oxygen 19.5 to 23.5 %, flammables at most 10 % of the lower limit "
        "(29 CFR 1910.146)."
    ),
    "isolate, lock out, verify": (
        "Isolate, lock out and verify before touching a machine that may start by itself or "
        "remotely (29 CFR 1910.147). A screen never proves isolation."
    ),
    "hydrogen sulphide": (
        "Hydrogen sulphide: OSHA ceiling 20 ppm, NIOSH 10 ppm for 10 min, immediately dangerous "
        "at 100 ppm; the sense of smell fails."
    ),
    "chlorine": (
        "Chlorine: NIOSH 0.5 ppm for 15 min, immediately dangerous at 10 ppm; never mix "
        "hypochlorite with acid, alum or ferric salts."
    ),
    "untreated sewage": (
        "Treat what has overflowed as infectious; whether it must be reported is for the licensed "
        "operator and the local authority."
    ),
}

MACHINE = ("isolate, lock out, verify",)
WELL = ("confined space", "hydrogen sulphide")
PUMP = ("isolate, lock out, verify", "confined space", "hydrogen sulphide")
CHEMICAL = ("chlorine",)


def diagnosis(
    seen: str, expected: str, look_at: str, cautions: tuple[str, ...] = (), since: str = ""
) -> str:
    """One diagnosis as text.

    Args:
        seen: what was seen, a sentence without its full stop.
        expected: against what, likewise; may be empty.
        look_at: what to look at first.
        cautions: names from ``CAUTIONS``.
        since: further evidence, likewise; may be empty.
    """
    sentences = [part for part in (seen, since, expected) if part]
    text = ". ".join(sentences) + f". Look first at {look_at}."
    return f"{text} Caution: {'; '.join(cautions)}." if cautions else text


def role_words(role: str) -> str:
    """A float's role as people say it: ``start_1`` is start-1."""
    return role.replace("_", "-")


def duration(seconds: float) -> str:
    """A time in the unit that suits it."""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    if seconds < 172_800.0:
        return f"{seconds / 3600.0:.1f} h"
    return f"{seconds / 86_400.0:.1f} days"


def share(value: float, error: float | None = None) -> str:
    """A share in per cent, with two standard errors."""
    text = f"{100.0 * value:.0f} %"
    return text if error is None else f"{text} +- {200.0 * error:.0f} %"


def flow(value_m3_s: float, error_m3_s: float | None = None) -> str:
    """A flow in L/s, with two standard errors."""
    text = f"{1000.0 * value_m3_s:.2f}"
    return f"{text} L/s" if error_m3_s is None else f"{text} +- {2000.0 * error_m3_s:.2f} L/s"
