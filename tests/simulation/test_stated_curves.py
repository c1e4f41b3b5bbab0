"""The plant file of Osier Bend states the curves and mains of the simulated pumps."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.core.hydraulics.stations import L_PER_S, stations_of
from collector.plant.load import load_plant
from simulator import site as simulated
from simulator.hydraulics import PumpSet

PLANT_FILE = Path(__file__).parents[2] / "config" / "osier-bend" / "plant.yaml"
TRUE_SETS = {
    "meadow_sump": PumpSet(simulated.MEADOW_CURVE, simulated.MEADOW_MAIN),
    "collection": PumpSet(simulated.COLLECTION_CURVE, simulated.COLLECTION_MAIN),
    "equalization": PumpSet(simulated.FEED_CURVE, simulated.FEED_MAIN),
    "bowser_tank": PumpSet(simulated.BOWSER_CURVE, simulated.BOWSER_MAIN),
}


@pytest.mark.parametrize("well", TRUE_SETS)
@pytest.mark.parametrize("level_m", [0.1, 0.5, 1.1])
def test_file_and_simulation_give_the_same_flow(well: str, level_m: float) -> None:
    """New and worn pumps, alone and together, give by the file's curves and main what the
    simulation makes them give; two programs that share no code agree to a millionth.
    """
    station = stations_of(load_plant(PLANT_FILE))[well]
    names = list(station.pumps)
    for count in range(1, len(names) + 1):
        for wear in (1.0, 0.8):
            worn = dict.fromkeys(names, wear)
            found = station.operating_point(names[:count], level_m, wear=worn)
            flow_l_s, head_m = TRUE_SETS[well].operating_point(level_m, count * wear)
            assert found.flow_m3_s / L_PER_S == pytest.approx(flow_l_s, rel=1e-6)
            assert found.head_m == pytest.approx(head_m, rel=1e-6)
