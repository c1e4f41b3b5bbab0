"""Where running pumps and their main meet.

Theory. Pumps of one well share the main: at one head ``H`` each gives what its curve says, and the
flows add. Speed by the affinity laws (flow with n, head with n squared; EPANET 2.2 User Manual,
chapter 3.1) and wear as a share of the flow at equal head make it
``Q_i(H) = w_i n_i q_i(H / n_i^2)``. A pump whose shut-off head is not above ``H`` gives nothing:
its check valve shuts. The head sought makes ``H = lift + loss(sum Q_i(H))``.

The unknown is the drop ``y`` below the highest shut-off head. ``F(y) = y + loss(Q(y)) - reserve``
(reserve: that shut-off head minus the lift) rises strictly, is negative at 0 and not negative at
``y = reserve``: there is exactly one root. Newton's method, with a bisection whenever it leaves the
bracket or does not halve it, finds it always; it stops when the drop is known to 1e-12 of the
reserve, which is far below what any curve is known to.

How the flow moves is read off the same equation. With ``S_i = -dQ_i/dH``, ``S`` their sum and ``L``
the slope of the loss: ``dQ/dlevel = S / (1 + S L)`` and ``dQ/dw_i = (Q_i/w_i) / (1 + S L)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.core.hydraulics.curves import PumpCurve
from collector.core.hydraulics.mains import Main

TOLERANCE = 1e-12
MOST_STEPS = 200


@dataclass(frozen=True, slots=True)
class RunningPump:
    """A pump that runs.

    Args:
        curve: its curve at full speed, unworn.
        speed: share of full speed, 0 or more.
        wear: share of the curve's flow it gives at equal head, 0 or more.
    """

    curve: PumpCurve
    speed: float = 1.0
    wear: float = 1.0


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """What running pumps give through their main.

    Args:
        flow_m3_s: total flow.
        head_m: head at which they work; where nothing flows, the highest shut-off head.
        flows_m3_s: of each pump, in the order given; 0 for one that cannot reach the head.
        flow_per_level_m2_s: growth of the total flow with the level in the well, (m3/s)/m.
        flow_per_wear_m3_s: growth of the total flow with the wear factor of each pump.
        flows_per_level_m2_s: growth of each pump's own flow with the level.
        flows_per_wear_m3_s: row i: growth of pump i's own flow with each pump's wear factor.

    Where nothing flows all growths are 0.
    """

    flow_m3_s: float
    head_m: float
    flows_m3_s: tuple[float, ...]
    flow_per_level_m2_s: float
    flow_per_wear_m3_s: tuple[float, ...]
    flows_per_level_m2_s: tuple[float, ...]
    flows_per_wear_m3_s: tuple[tuple[float, ...], ...]


class _Pump:
    """A running pump seen from the highest shut-off head down."""

    __slots__ = ("at_drop", "below_m", "flow_factor", "head_factor")

    def __init__(self, pump: RunningPump, top_m: float) -> None:
        self.at_drop = pump.curve.flow_at_drop
        self.head_factor = pump.speed * pump.speed
        self.flow_factor = pump.speed * pump.wear
        self.below_m = top_m - self.head_factor * pump.curve.shut_off_m

    def unworn(self, drop_m: float, speed: float) -> float:
        """Flow with a wear factor of 1."""
        own_m = drop_m - self.below_m
        return speed * self.at_drop(own_m / self.head_factor)[0] if own_m > 0.0 else 0.0

    def flow(self, drop_m: float) -> tuple[float, float]:
        """Flow, and its growth with the drop."""
        own_m = drop_m - self.below_m
        if own_m <= 0.0:
            return 0.0, 0.0
        flow, growth = self.at_drop(own_m / self.head_factor)
        return self.flow_factor * flow, self.flow_factor * growth / self.head_factor


def operating_point(pumps: Sequence[RunningPump], main: Main, lift_m: float) -> OperatingPoint:
    """Flow and head of pumps that run together into one main.

    Args:
        pumps: any number, alike or not; none gives no flow.
        main: the shared main; its own discharge height is not looked at.
        lift_m: discharge height minus level (``Main.lift_m``); negative where the well stands
            higher, and then flow by gravity alone is not counted.

    Returns:
        The point with its growths; the head is within 1e-12 of the reserve of the exact one.

    Source: EPANET 2.2 User Manual, chapters 3.1 and 12.1, for the laws; the solver is our own and
    is tested against the EPANET engine.
    """
    able = [pump for pump in pumps if pump.speed > 0.0]
    if not able:
        return _standing(pumps, 0.0)
    top_m = max(pump.speed**2 * pump.curve.shut_off_m for pump in able)
    reserve_m = top_m - lift_m
    parts = [_Pump(pump, top_m) if pump.speed > 0.0 else None for pump in pumps]
    giving = [p for p in parts if p is not None and p.flow_factor > 0.0]
    if reserve_m <= 0.0 or not giving:
        return _standing(pumps, top_m)
    drop_m = _solve(giving, main, reserve_m)
    return _point(pumps, parts, main, top_m, drop_m)


def _solve(pumps: Sequence[_Pump], main: Main, reserve_m: float) -> float:
    """The drop at which pumps and main meet."""
    low, high = 0.0, reserve_m
    step = reserve_m
    drop = 0.5 * reserve_m
    enough = TOLERANCE * reserve_m
    for _ in range(MOST_STEPS):
        flow = growth = 0.0
        for pump in pumps:
            own, own_growth = pump.flow(drop)
            flow += own
            growth += own_growth
        loss, slope = main.loss_and_slope(flow)
        excess = drop + loss - reserve_m
        if excess > 0.0:
            high = drop
        else:
            low = drop
        before, step = step, excess / (1.0 + slope * growth)
        following = drop - step
        if not low <= following <= high or abs(step) > 0.5 * before:
            following = 0.5 * (low + high)
        step = abs(following - drop)
        drop = following
        if step <= enough:
            break
    return drop


def _point(
    pumps: Sequence[RunningPump],
    parts: Sequence[_Pump | None],
    main: Main,
    top_m: float,
    drop_m: float,
) -> OperatingPoint:
    own = [(0.0, 0.0) if part is None else part.flow(drop_m) for part in parts]
    unworn = [
        0.0 if part is None else part.unworn(drop_m, pump.speed)
        for pump, part in zip(pumps, parts, strict=True)
    ]
    total = sum(flow for flow, _ in own)
    steep = sum(growth for _, growth in own)
    slope = main.loss_and_slope(total)[1]
    yielding = 1.0 + steep * slope
    per_wear = tuple(flow / yielding for flow in unworn)
    # A pump's own flow moves by its own wear and by the head that every pump's wear moves.
    rows = tuple(
        tuple(
            (unworn[i] if i == j else 0.0) - own[i][1] * slope * per_wear[j]
            for j in range(len(own))
        )
        for i in range(len(own))
    )
    return OperatingPoint(
        total, top_m - drop_m, tuple(flow for flow, _ in own), steep / yielding, per_wear,
        tuple(growth / yielding for _, growth in own), rows,
    )  # fmt: skip


def _standing(pumps: Sequence[RunningPump], head_m: float) -> OperatingPoint:
    zeros = (0.0,) * len(pumps)
    return OperatingPoint(0.0, head_m, zeros, 0.0, zeros, zeros, (zeros,) * len(pumps))
