"""A regulated pot takes air for more than a leak: gas and room cool, the mould absorbs some."""

from dataclasses import replace

import pytest

from potvigil.model.events import AlarmId
from potvigil.sim.gas_laws import Leak
from potvigil.sim.nights import NIGHTS, ROOM_PROBE, WALL_PROBE, WORKING_PA, _cooling_room, settings_for
from potvigil.sim.pot_parts import Fill, Regulate
from potvigil.units import PA_PER_PSI
from rehearsal import raised, rehearse

HOURS = 6.0


def regulated(probes, fall_k: float, leak_psi_per_h: float = 0.0, mould_share: float = 0.0015):
    """A night on a regulator that feeds whenever half a psi is gone, in a room that cools."""
    night = NIGHTS["regulated-supply"]
    parameters = replace(night.parameters, mould_share=mould_share)
    leak = Leak(0.0, rate_pa_per_s=leak_psi_per_h * PA_PER_PSI / 3600.0, at_gauge_pa=WORKING_PA)
    return replace(
        night,
        settings_yaml=settings_for(parameters, probes, "regulated"),
        duration_s=HOURS * 3600.0,
        actions=tuple(each for each in night.actions if isinstance(each, Fill | Regulate)),
        leaks=(leak,) if leak_psi_per_h else (),
        room_k=_cooling_room(21.0, fall_k),
        parameters=parameters,
        probes=probes,
    )


@pytest.mark.parametrize("probes", [(WALL_PROBE, ROOM_PROBE), ()], ids=["wall and room", "no thermometer"])
@pytest.mark.parametrize("share", [0.0015, 0.006], ids=["dense mould", "mould that drinks"])
def test_air_lost_to_cooling_and_mould_is_no_leak(probes, share, tmp_path):
    bench = rehearse(regulated(probes, 9.0, mould_share=share), tmp_path)
    assert bench.summary.top_ups >= 3
    assert raised(bench.events) == []


@pytest.mark.parametrize("probes", [(WALL_PROBE, ROOM_PROBE), ()], ids=["wall and room", "no thermometer"])
def test_a_leak_behind_a_regulator_raises_one_alarm(probes, tmp_path):
    bench = rehearse(regulated(probes, 2.0, 1.0), tmp_path)
    told = [one for one in raised(bench.events) if one.alarm is AlarmId.SUPPLY_MASKING]
    assert len(told) == 1 and "Top-ups are hiding a leak" in told[0].text
