"""A simulated pot to try a dialogue on: the real drivers, and a transducer that is wrong on purpose."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from potvigil.clock import ManualClock
from potvigil.inputs.ds18b20 import InlineExecutor
from potvigil.service import open_inputs
from potvigil.settings import Settings, load_text
from potvigil.sim.nights import WALL_PROBE, Electronics, Night, World, settings_for, truth
from potvigil.sim.pot import Fill, PotParameters, level
from potvigil.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA
from potvigil.verbs.gauge_dialogue import Bench, targets_pa

# 100 psi in the settings: its slope is 0.97, its zero 0.35 psi.
_WRONG = Electronics(span_pa=97.0 * PA_PER_PSI, zero_pa=0.34 * PA_PER_PSI)
_STEP_S = 3600.0
_FILL_S = 240.0


@contextmanager
def rehearsed_bench(ask: Callable[[str], str]) -> Iterator[tuple[Settings, Bench]]:
    """Yield the settings and the bench of a pot that is filled as the dialogue asks for it."""
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
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        world = World(night, Path(folder))
        clock = ManualClock(on_advance=world.advance)
        station = open_inputs(
            settings,
            bus_opener=world.open_bus,
            one_wire_root=world.one_wire_root,
            executor=InlineExecutor(),
            sleep=lambda seconds: None,
        )
        coming = list(reversed(fills))

        def bring(gauge_pa: float | None) -> None:
            if gauge_pa is not None:
                clock.sleep_until(coming.pop().at_s + _FILL_S)

        yield settings, Bench(pot, station, clock, 1.0, ask, bring, lambda: world.pot.gauge_pa)
        station.close()
