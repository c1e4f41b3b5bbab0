"""Osier Bend's pumps, mains, catchments and meters: figures invented for the scenario.

The lift sump's pumps and main are the worked example of the hydraulics tests, so that the simulated
sump can be compared with what EPANET says of it.
"""

from __future__ import annotations

from simulator.demand import CatchmentFacts
from simulator.hydraulics import PumpCurve, RisingMain
from simulator.wells import Shape

MEADOW_CURVE = PumpCurve.through(((0.0, 12.0), (4.0, 9.0), (6.0, 6.0)))
MEADOW_MAIN = RisingMain(5.0, 60.0, 0.080, 130.0, 8.0)
COLLECTION_CURVE = PumpCurve.through(((0.0, 10.0), (4.0, 7.6), (6.5, 4.5)))
COLLECTION_MAIN = RisingMain(4.2, 22.0, 0.080, 130.0, 7.0)
FEED_CURVE = PumpCurve.through(((0.0, 7.0), (1.2, 5.0), (2.0, 2.6)))
FEED_MAIN = RisingMain(4.6, 14.0, 0.063, 130.0, 6.0)
BOWSER_CURVE = PumpCurve.through(((0.0, 9.0), (2.5, 6.5), (4.0, 3.8)))
BOWSER_MAIN = RisingMain(3.0, 12.0, 0.065, 120.0, 6.0)
BOWSER_SHAPE = Shape([(0.0, 0.0), (0.3, 0.52), (0.6, 1.38), (0.9, 2.24), (1.2, 2.76)])

CATCHMENTS = {
    "works": CatchmentFacts(36.0, 0.040, 1900.0, 30.0),
    "meadow": CatchmentFacts(18.0, 0.015, 1000.0, 16.0),
    "field": CatchmentFacts(2.4, 0.0, 0.0, 5.0),
}
"""What flows to the collection tank, to the lift sump and to the far field's sump."""

METER_OFFSETS = {
    "collection_pump_1": (1204.0, 38_112), "collection_pump_2": (1196.5, 37_905),
    "feed_pump_1": (4021.0, 9_120), "feed_pump_2": (3987.0, 9_077),
    "meadow_pump_1": (388.4, 14_203), "meadow_pump_2": (391.9, 65_490),
    "bowser_pump": (212.6, 733), "blower_1": (6120.0, 0), "blower_2": (6088.0, 0),
    "mixer": (9214.0, 0),
}  # fmt: skip
"""What the panels' hour meters and start counters stood at, at the start: h and starts."""
