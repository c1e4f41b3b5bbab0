"""Mean time between failures and availability of machines.

    MTBF = operating hours / failures
    availability = MTBF / (MTBF + MTTR)

Source: IEC 60050-192, the usual definitions of operating time between failures and of steady-state
availability (quoted from memory). With few failures the figure says little; none is told where
there was none, only the hours without.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reliability:
    """How often a machine failed.

    Args:
        operating_h: hours run in the time looked at.
        failures: how often it failed.
        mtbf_h: mean operating hours between failures; None where there was none.
        mttr_h: mean hours from a failure to being available again; None where there was none.
        availability: share of the time it could have run; None where not both are known.
    """

    operating_h: float
    failures: int
    mtbf_h: float | None
    mttr_h: float | None
    availability: float | None


def reliability(operating_h: float, failures: int, repair_h: float | None) -> Reliability:
    """Figures from what was counted.

    Args:
        operating_h: hours run, not below 0.
        failures: number of failures.
        repair_h: hours out of order altogether, None where that is not known.
    """
    if failures <= 0:
        return Reliability(operating_h, 0, None, None, None)
    mtbf_h = operating_h / failures
    if repair_h is None:
        return Reliability(operating_h, failures, mtbf_h, None, None)
    mttr_h = repair_h / failures
    whole_h = mtbf_h + mttr_h
    return Reliability(
        operating_h, failures, mtbf_h, mttr_h, mtbf_h / whole_h if whole_h > 0 else None
    )
