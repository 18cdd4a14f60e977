"""The thermometers before the fill: the origin of a pot's temperatures."""

from potvigil.model.reading import Place, Reading

# The gas warms by kelvins as a fill starts, and it takes some readings to recognise one.
UNTOUCHED_S = 20.0


class BeforeFill:
    """Follows every thermometer while the pot is open.

    kelvin: the reading of each UNTOUCHED_S to twice that ago; of one that appeared since, its first.
    """

    def __init__(self) -> None:
        self.kelvin: dict[Place, float] = {}
        self._next: dict[Place, float] = {}
        self._next_s: float | None = None

    def update(self, reading: Reading, shut: bool) -> None:
        """Take one reading. A thermometer that appears once the pot is shut starts from its first reading."""
        now = {place: kelvin for place, kelvin in reading.temperatures if kelvin is not None}
        if not shut and (self._next_s is None or reading.t_s - self._next_s >= UNTOUCHED_S):
            self.kelvin |= self._next
            self._next, self._next_s = now, reading.t_s
        self.kelvin = {**now, **self.kelvin}
