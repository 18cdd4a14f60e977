"""What the thermometers said before the fill: where a pot's temperatures are counted from."""

from potvigil.core.reading import Place, Reading


class BeforeFill:
    """Follows every thermometer while the pot is open. kelvin: the newest of each that answered."""

    def __init__(self) -> None:
        self.kelvin: dict[Place, float] = {}

    def update(self, reading: Reading, shut: bool) -> None:
        """Take one reading. One that only comes once the pot is shut counts from its first reading then."""
        for place, kelvin in reading.temperatures:
            if kelvin is not None and not (shut and place in self.kelvin):
                self.kelvin[place] = kelvin
