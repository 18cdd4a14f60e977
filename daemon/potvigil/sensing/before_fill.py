"""What the thermometers said before the fill: where a pot's temperatures are counted from."""

from potvigil.model.reading import Place, Reading

# A gas warms by kelvins with the first breath of a fill, which is known for one only some readings later.
UNTOUCHED_S = 20.0


class BeforeFill:
    """Follows every thermometer while the pot is open.

    kelvin: what each said UNTOUCHED_S to twice that ago; of one that only came since, the first it said.
    """

    def __init__(self) -> None:
        self.kelvin: dict[Place, float] = {}
        self._next: dict[Place, float] = {}
        self._next_s: float | None = None

    def update(self, reading: Reading, shut: bool) -> None:
        """Take one reading. One that only comes once the pot is shut counts from its first reading then."""
        now = {place: kelvin for place, kelvin in reading.temperatures if kelvin is not None}
        if not shut and (self._next_s is None or reading.t_s - self._next_s >= UNTOUCHED_S):
            self.kelvin |= self._next
            self._next, self._next_s = now, reading.t_s
        self.kelvin = {**now, **self.kelvin}
