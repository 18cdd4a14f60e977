"""A drawn night played through by the simulator it was drawn for."""

from collections.abc import Sequence

import sim_conduction
import sim_layers
import sim_lumps
from draw import CONDUCTION, LAYERS, LUMPS, DrawnNight
from recorded import CONVERTER_STEP_PA, PROBE_STEP_K, Floats, Recorded

__all__ = ["CONVERTER_STEP_PA", "PROBE_STEP_K", "STEP_S", "Floats", "Recorded", "simulate", "simulate_all"]

STEP_S = 5.0  # five conversions of 1 Hz are averaged into one reading

_SIMULATORS = {
    LUMPS: sim_lumps.simulate,
    CONDUCTION: sim_conduction.simulate,
    LAYERS: sim_layers.simulate,
}


def simulate(night: DrawnNight, step_s: float = STEP_S) -> Recorded:
    """Play one night. The same night gives the same readings, to rounding whatever else is played with it."""
    return simulate_all([night], step_s)[0]


def simulate_all(nights: Sequence[DrawnNight], step_s: float = STEP_S) -> list[Recorded]:
    """Play many nights, those of a simulator at once: some ten times quicker than one by one."""
    played: dict[int, Recorded] = {}
    for name, play in _SIMULATORS.items():
        places = [at for at, night in enumerate(nights) if night.simulator == name]
        if places:
            played |= zip(places, play([nights[at] for at in places], step_s), strict=True)
    return [played[at] for at in range(len(nights))]
