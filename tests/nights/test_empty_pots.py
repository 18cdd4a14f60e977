"""A pot filled empty, as a trial: its gas gives the heat of the fill only to the wall, and slowly.

How slowly: common practice has natural convection at 3 to 10 W/(m2 K) of a wall, here of half a square metre
in a pot of 20 L, so 1.5 to 5 W/K; half of the lowest is played as well.
"""

from itertools import product
from random import Random

import pytest

from potvigil.model.events import AlarmEvent, AlarmId
from potvigil.model.reading import Place, Sample
from potvigil.sim.gas_laws import Leak
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import Fill, PotParameters, Supply
from potvigil.watch.pot_watch import PotWatch
from shut_pot import ATMOSPHERE_PA, PSI, pot

STEP_S, ROOM_K = 10.0, 292.0


def alarms(
    volume_l: float,
    coupling: float,
    place: Place,
    *,
    contents_l: float = 0.0,
    leak_psi_per_h: float = 0.0,
    topped_up_s: float | None = None,
) -> list[AlarmEvent]:
    """Watch 80 minutes of an empty pot of that configured volume; return the alarms raised.

    topped_up_s: when the pressure lost to cooling is topped up.
    """
    size = volume_l / 20.0
    parameters = PotParameters(
        internal_volume_m3=1e-3 * volume_l,
        contents_volume_m3=0.0,
        gas_wall_w_per_k=1.6 * size ** (2.0 / 3.0) * coupling,
        gas_contents_w_per_k=0.0,
        wall_room_w_per_k=2.2 * size ** (2.0 / 3.0),
        wall_j_per_k=7000.0 * size**0.8,
        stirring_s_per_mol=80.0 / size,
    )
    leak = Leak(0.0, rate_pa_per_s=leak_psi_per_h * PSI / 3600.0, at_gauge_pa=60.0 * PSI)
    supply = Supply(valve_area_m2=6.5e-7 * size, tank_volume_m3=0.05 * max(size, 1.0))
    model = PotModel(
        parameters,
        supply=supply,
        actions=tuple(Fill(at_s, 60.0 * PSI) for at_s in (120.0, topped_up_s) if at_s is not None),
        room_k=lambda _: ROOM_K,
        ambient_pa=lambda _: ATMOSPHERE_PA,
        leaks=(leak,) if leak_psi_per_h else (),
    )
    watch = PotWatch(
        pot(
            internal_volume_m3=1e-3 * volume_l,
            contents_volume_m3=1e-3 * contents_l,
            thermometers=frozenset({place}),
        )
    )
    random = Random(volume_l)
    raised: list[AlarmEvent] = []
    for tick in range(480):
        model.advance(tick * STEP_S)
        kelvin = {Place.WALL: model.wall_k, Place.ROOM: model.room_k}[place]
        sample = Sample(
            t_s=model.t_s,
            gauge_pa=model.gauge_pa + random.gauss(0.0, 0.01 * PSI),
            ambient_pa=ATMOSPHERE_PA,
            **{f"{place}_c": 0.0625 * round((kelvin - 273.15) / 0.0625)},
        )
        raised += [event for event in watch.feed(sample) if isinstance(event, AlarmEvent)]
    assert watch.snapshot().leak is not None
    return raised


@pytest.mark.parametrize(
    ("volume_l", "coupling", "place"),
    list(product([8.0, 20.0, 35.0, 50.0], [0.45, 0.6, 1.0], [Place.WALL, Place.ROOM])),
)
def test_the_heat_of_the_fill_of_an_empty_pot_is_no_leak(
    volume_l: float, coupling: float, place: Place
) -> None:
    assert alarms(volume_l, coupling, place) == []
    assert alarms(volume_l, coupling, place, contents_l=0.15 * volume_l) == []


@pytest.mark.parametrize(("volume_l", "coupling"), [(20.0, 0.45), (35.0, 0.45), (50.0, 0.45), (20.0, 1.0)])
@pytest.mark.parametrize("topped_up_s", [330.0, 450.0])
def test_a_top_up_soon_after_the_fill_of_an_empty_pot_is_no_leak(
    volume_l: float, coupling: float, topped_up_s: float
) -> None:
    assert alarms(volume_l, coupling, Place.WALL, topped_up_s=topped_up_s) == []


@pytest.mark.parametrize(("coupling", "place"), list(product([0.45, 1.0], [Place.WALL, Place.ROOM])))
def test_a_leak_of_an_empty_pot_is_found_within_the_hour(coupling: float, place: Place) -> None:
    raised = alarms(20.0, coupling, place, leak_psi_per_h=3.0)
    assert {event.alarm for event in raised} == {AlarmId.FLOOR_AHEAD}
    assert raised[0].t_s < 3600.0
