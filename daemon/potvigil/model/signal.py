"""How a transducer signals pressure: its output at zero and at full span, and what cannot be right."""

from dataclasses import dataclass
from enum import StrEnum


class Of(StrEnum):
    """The unit of a signal."""

    SUPPLY = "supply"  # a share of the transducer's supply
    VOLT = "V"
    MILLIAMPERE = "mA"


@dataclass(frozen=True, slots=True)
class Signal:
    """A kind of signal, linear from zero to full span.

    zero, full: at zero pressure and at the span. failed: at or below the first, or at or above the second,
    nothing is measured; too_low, too_high say why. trusted: beyond it the reading is kept but doubted, as
    `doubt` says.
    """

    name: str
    of: Of
    zero: float
    full: float
    failed: tuple[float, float]
    trusted: tuple[float, float]
    too_low: str
    too_high: str
    doubt: str = "is beyond the end of its scale"


_OPEN_OR_MUTE = "broken wire or no supply"
_SHORTED = "wire shorted to the supply or ground lost"
_NEITHER = "is neither a pressure nor a failure signalled by the transmitter"

# Output between 10 % and 90 % of its supply (0.5-4.5 V at 5 V). Outside 5-95 % (0.25-4.75 V) a wire is open
# or shorted; common practice of transducer makers.
RATIOMETRIC = Signal("0.5-4.5 V", Of.SUPPLY, 0.1, 0.9, (0.05, 0.95), (0.08, 0.92), _OPEN_OR_MUTE, _SHORTED)
# The currents of NAMUR NE 43: up to 3.6 and from 21 mA a failure, 3.8 to 20.5 mA a measurement.
LOOP = Signal(
    "4-20 mA",
    Of.MILLIAMPERE,
    4.0,
    20.0,
    (3.6, 21.0),
    (3.8, 20.5),
    "the loop is open or has no supply, or the transmitter signals a failure of its own",
    "the loop is shorted, or the transmitter signals a failure of its own",
    _NEITHER,
)
# Those currents over 250 ohm.
LIVE_ZERO = Signal("1-5 V", Of.VOLT, 1.0, 5.0, (0.9, 5.25), (0.95, 5.125), _OPEN_OR_MUTE, _SHORTED, _NEITHER)
# A signal without a live zero: 0 V is an open pot and a broken wire alike, so only a reversed wire shows.
FIVE_VOLT = Signal(
    "0-5 V", Of.VOLT, 0.0, 5.0, (-0.25, 5.25), (-0.1, 5.1), "signal and ground swapped", _SHORTED
)
TEN_VOLT = Signal(
    "0-10 V", Of.VOLT, 0.0, 10.0, (-0.5, 10.5), (-0.2, 10.2), "signal and ground swapped", _SHORTED
)

SIGNALS = {each.name: each for each in (RATIOMETRIC, FIVE_VOLT, LIVE_ZERO, TEN_VOLT, LOOP)}
