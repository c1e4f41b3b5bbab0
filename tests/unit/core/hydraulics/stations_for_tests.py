"""Curves, mains and pumps that any small station could have, for property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from collector.core.hydraulics.curves import Point, curve_through
from collector.core.hydraulics.mains import Main
from collector.core.hydraulics.operating import RunningPump


@st.composite
def points_strategy(draw: st.DrawFn) -> list[Point]:
    """One to six points of a falling curve, mostly from zero flow on, in m3/s and m."""
    count = draw(st.integers(1, 6))
    flow = draw(st.floats(1e-4, 0.02)) if count == 1 or draw(st.booleans()) else 0.0
    steps = draw(st.lists(st.floats(2e-4, 0.01), min_size=count, max_size=count))
    drops = draw(st.lists(st.floats(0.05, 8.0), min_size=count, max_size=count))
    head = sum(drops)
    points = []
    for step, drop in zip(steps, drops, strict=True):
        points.append((flow, head))
        flow, head = flow + step, head - drop
    return points


@st.composite
def mains(draw: st.DrawFn) -> Main:
    """A main by either formula, of 3 to 2000 m and 30 to 200 mm."""
    by_hazen_williams = draw(st.booleans())
    return Main(
        discharge_height_m=5.0,
        length_m=draw(st.floats(3.0, 2000.0)),
        diameter_m=draw(st.floats(0.03, 0.2)),
        hazen_williams_c=draw(st.floats(80.0, 150.0)) if by_hazen_williams else None,
        roughness_m=draw(st.floats(0.0, 1e-3)),
        minor_loss_k=draw(st.floats(0.0, 40.0)),
    )


@st.composite
def pumps(draw: st.DrawFn, most: int = 4) -> list[RunningPump]:
    """One to ``most`` pumps, alike or not, of any wear and speed."""
    return [
        RunningPump(
            curve_through(draw(points_strategy()), draw(st.sampled_from(["standard", "smooth"]))),
            draw(st.one_of(st.just(1.0), st.floats(0.4, 1.1))),
            draw(st.one_of(st.just(1.0), st.floats(0.3, 1.1))),
        )
        for _ in range(draw(st.integers(1, most)))
    ]


def top_m(running: list[RunningPump]) -> float:
    """The highest shut-off head."""
    return max(pump.speed**2 * pump.curve.shut_off_m for pump in running)
