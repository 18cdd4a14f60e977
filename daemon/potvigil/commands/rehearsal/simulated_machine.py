"""A machine with simulated buses, to try the setup without hardware."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from potvigil.commands.rehearsal.own_wiring import on_own_wiring, one_pot, simulated_station
from potvigil.drivers.look import Survey, look
from potvigil.drivers.station import Station
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import World

_NIGHT = "sound"


@contextmanager
def simulated_machine() -> "Iterator[tuple[Survey, _Opener]]":
    """Yield what answers on the machine, and the opener for the wires of a settings' first pot."""
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        night = NIGHTS[_NIGHT]
        world = World(night, Path(folder))
        world.advance(0.0)
        found = look(world.open_bus, world.one_wire_root, buses=(world.wires.bus,), devices=Path(folder))
        yield found, _Opener(Path(folder))


class _Opener:
    """Opens the wires named in settings, simulated."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __call__(self, settings: Settings) -> Station:
        first = one_pot(settings, None)
        place = self._folder / "own"
        place.mkdir(exist_ok=True)
        world = World(on_own_wiring(NIGHTS[_NIGHT], first), place)
        world.advance(60.0)
        return simulated_station(first, world)
