"""Faults of any barometer."""


class BarometerError(ValueError):
    """A barometer is not the chip it should be, or its answer cannot be used."""
