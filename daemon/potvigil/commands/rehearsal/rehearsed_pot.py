"""A simulated pot to try a dialogue on: the real drivers, with deliberate faults."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from potvigil.clock import ManualClock
from potvigil.commands.dialogues.exclusive_station import samples_of
from potvigil.commands.dialogues.gauge import Bench, targets_pa
from potvigil.commands.rehearsal.own_wiring import on_own_wiring, one_pot, simulated_station
from potvigil.drivers.station import Station
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.sim.gas_laws import Leak
from potvigil.sim.nights import WALL_PROBE, WORKING_PA, settings_for, truth
from potvigil.sim.pot_parts import Action, Fill, Join, PotParameters, Table, level
from potvigil.sim.world import Electronics, Night, World
from potvigil.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

# The settings say 100 psi: so the slope is 0.97, the zero 0.35 psi.
_WRONG = Electronics(span_pa=97.0 * PA_PER_PSI, zero_pa=0.34 * PA_PER_PSI)
_STEP_S = 3600.0
_FILL_S = 240.0
# A pot to test for tightness: half a day in a cooling room, with a leak too large for any cure, or hardly
# any.
_TEST_S, _FILL_AT_S, _COOLING_K = 14 * 3600.0, 120.0, 3.0
# A pot to measure, with a vessel.
_TRUE_M3, _VESSEL_M3 = 0.0185, 0.002
_TIGHT, _LEAKING = 0.1 * PA_PER_PSI / 3600.0, 4.0 * PA_PER_PSI / 3600.0


@contextmanager
def _simulated(night: Night, settings: Settings) -> Iterator[tuple[World, ManualClock, Station]]:
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        world = World(night, Path(folder))
        clock = ManualClock(on_advance=world.advance)
        station = simulated_station(settings, world)
        try:
            yield world, clock, station
        finally:
            station.close()


@contextmanager
def rehearsed_bench(ask: Callable[[str], str]) -> Iterator[tuple[Settings, Bench]]:
    """Yield the settings and the bench of a pot that is filled as the dialogue requests."""
    parameters = PotParameters()
    settings_yaml = settings_for(parameters, [WALL_PROBE])
    settings = load_text(settings_yaml, "rehearsal")
    pot = settings.core_pots()["lantern"]
    fills = tuple(Fill(_STEP_S * (i + 1), gauge_pa) for i, gauge_pa in enumerate(targets_pa(pot)))
    night = Night(
        name="calibration",
        title="a pot to calibrate",
        settings_yaml=settings_yaml,
        duration_s=_STEP_S * (len(fills) + 1),
        truth=truth(),
        room_k=level(293.15),
        ambient_pa=level(STANDARD_ATMOSPHERE_PA),
        actions=fills,
        parameters=parameters,
        probes=(WALL_PROBE,),
        electronics=_WRONG,
    )
    with _simulated(night, settings) as (world, clock, station):
        coming = list(reversed(fills))

        def bring(gauge_pa: float | None) -> None:
            if gauge_pa is not None:
                clock.sleep_until(coming.pop().at_s + _FILL_S)

        yield settings, Bench(pot, station, clock, 1.0, ask, bring, lambda: world.pot.gauge_pa)


@contextmanager
def rehearsed_vessel(
    answer: Callable[[str], str],
) -> Iterator[tuple[Pot, Iterator[Sample], Callable[[str], str]]]:
    """Yield a pot, its samples, and an `ask` that also does what it asks for to the pot.

    The pot holds less than its settings say.
    """
    parameters = PotParameters(internal_volume_m3=_TRUE_M3, contents_volume_m3=0.0, contents_j_per_k=100.0)
    settings_yaml = settings_for(PotParameters(contents_volume_m3=0.0), [WALL_PROBE])
    settings = load_text(settings_yaml, "rehearsal")
    night = Night(
        name="volume",
        title="a pot to measure",
        settings_yaml=settings_yaml,
        duration_s=_TEST_S,
        truth=truth(),
        room_k=level(293.15),
        ambient_pa=level(STANDARD_ATMOSPHERE_PA),
        actions=(),
        parameters=parameters,
        probes=(WALL_PROBE,),
    )
    with _simulated(night, settings) as (world, clock, station):
        coming: list[Action | None] = [None, Fill(0.0, WORKING_PA), Join(0.0, _VESSEL_M3)]

        def ask(prompt: str) -> str:
            reply = answer(prompt)
            action = coming.pop(0)
            if action is not None:
                world.pot.add(action)
                clock.sleep_until(clock.now().boot_s + _FILL_S)
            return reply

        (pot,) = settings.core_pots().values()
        yield pot, samples_of(station, clock, pot.pot_id, 1.0), ask


@contextmanager
def rehearsed_test(
    settings: Settings | None, pot_id: str | None, leaking: bool
) -> Iterator[tuple[Settings, Station, ManualClock]]:
    """Yield settings, station and clock of an empty pot that is filled after two minutes.

    settings: of the pot and wires to simulate, None for a default pot.
    """
    own = settings_for(PotParameters(contents_volume_m3=0.0), [WALL_PROBE])
    used = load_text(own, "rehearsal") if settings is None else one_pot(settings, pot_id)
    night = Night(
        name="tightness",
        title="a pot to test",
        settings_yaml=own,
        duration_s=_TEST_S,
        truth=truth(),
        room_k=Table([0.0, _TEST_S], [293.15, 293.15 - _COOLING_K]),
        ambient_pa=level(STANDARD_ATMOSPHERE_PA),
        actions=(Fill(_FILL_AT_S, WORKING_PA),),
        leaks=(Leak(0.0, rate_pa_per_s=_LEAKING if leaking else _TIGHT, at_gauge_pa=WORKING_PA),),
        probes=(WALL_PROBE,),
    )
    if settings is not None:
        night = on_own_wiring(night, used)
    emptied = replace(night.parameters, contents_volume_m3=0.0, contents_j_per_k=100.0)
    night = replace(night, parameters=emptied)
    with _simulated(night, used) as (_, clock, station):
        yield used, station, clock
