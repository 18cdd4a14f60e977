"""The pots of a rehearsal, all in the same named night, each in a simulated world of its own.

A converter or barometer shared by two pots is simulated once for each.
"""

from collections.abc import Mapping
from pathlib import Path

from potvigil.clock import Instant
from potvigil.commands.rehearsal.own_wiring import one_pot, simulated_station
from potvigil.model.reading import Sample
from potvigil.settings.schema import Settings
from potvigil.sim.world import Night, World


class SideBySide:
    """Reads every pot once, as a station does. seed: the first pot's; the others get the next numbers."""

    def __init__(self, nights: Mapping[str, Night], settings: Settings, folder: Path, seed: int) -> None:
        self._worlds, self._stations = [], []
        for number, (pot_id, night) in enumerate(nights.items()):
            place = folder / pot_id
            place.mkdir()
            world = World(night, place, seed=seed + number)
            self._worlds.append(world)
            self._stations.append(simulated_station(one_pot(settings, pot_id), world))

    def advance(self, boot_s: float) -> None:
        """Advance every world to a boot time."""
        for world in self._worlds:
            world.advance(boot_s)

    def read(self, t_s: float, instant: Instant) -> list[tuple[str, Sample]]:
        return [read for station in self._stations for read in station.read(t_s, instant)]

    def close(self) -> None:
        for station in self._stations:
            station.close()
