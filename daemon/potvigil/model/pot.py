"""What the core needs to know of a pot: limits, gas, sensors, cure. Built from the settings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from enum import StrEnum
from math import hypot

from potvigil.model.reading import Place
from potvigil.model.signal import RATIOMETRIC, Of, Signal
from potvigil.units import STANDARD_ATMOSPHERE_PA

# How well a caster knows the volumes, 1 sigma: a maker's round figure; mould, resin and stand by eye; and the
# usual contents of a pot where none were given, as shares of the pot. Common practice.
INTERNAL_SIGMA, CONTENTS_SIGMA = 0.03, 0.15
USUAL_CONTENTS, USUAL_CONTENTS_SIGMA = 0.15, 0.1


class Supply(StrEnum):
    """Whether the supply valve is closed during the hold, or a regulator keeps feeding the pot."""

    SHUT = "shut"
    REGULATED = "regulated"


class Reference(StrEnum):
    """What a transducer's zero is relative to."""

    GAUGE = "gauge"
    ABSOLUTE = "absolute"


@dataclass(frozen=True, slots=True)
class Transducer:
    """A transducer behind a converter.

    volts_per_count: at the transducer's output pin (or over its shunt), a divider included. supply_v: assumed
    where it is not measured; used only for a ratiometric signal. supply_volts_per_count: None where the
    supply is not wired to the converter. span_pa: pressure at the signal's end. zero_pa: what it reports at
    true zero. slope: true over reported. shunt_ohm: what a current is measured over.
    """

    volts_per_count: float
    span_pa: float
    supply_v: float = 5.0
    supply_volts_per_count: float | None = None
    reference: Reference = Reference.GAUGE
    zero_pa: float = 0.0
    slope: float = 1.0
    signal: Signal = RATIOMETRIC
    shunt_ohm: float = 100.0

    def value_of(self, signal_v: float) -> float:
        """Return the value of the signal in its own unit at the usual supply: a share, volts or mA."""
        if self.signal.of is Of.SUPPLY:
            return signal_v / self.supply_v
        return 1000.0 * signal_v / self.shunt_ohm if self.signal.of is Of.MILLIAMPERE else signal_v

    @property
    def pa_per_count(self) -> float:
        """Return the pressure per count, Pa, at the usual supply."""
        return self.value_of(self.volts_per_count) / (self.signal.full - self.signal.zero) * self.span_pa


@dataclass(frozen=True, slots=True)
class Resin:
    """Times of a resin, s, as in Pot; at_k: the temperature they are given for, None for plain times."""

    hold_s: float
    gel_s: float | None = None
    working_time_s: float | None = None
    at_k: float | None = None


@dataclass(frozen=True, slots=True)
class Pot:
    """One pot and the batch it holds. Pressures in Pa gauge unless named absolute, volumes m3, times s.

    cure_at_k: temperature that hold_s, gel_s and working_time_s are given for, None for plain times.
    ambient_pa: pressure outside, absolute, used while no barometer answers. room_swing_k: by how much the
    temperature round the pot may change in a night, for a pot without a thermometer.
    resins: by name, those a batch may use. tz: time zone of the texts, None for the machine's own.
    """

    pot_id: str
    internal_volume_m3: float
    maximum_pa: float
    working_pa: float
    floor_pa: float
    hold_s: float
    contents_volume_m3: float | None = None
    gel_s: float | None = None
    working_time_s: float | None = None
    cure_at_k: float | None = None
    thermometers: frozenset[Place] = frozenset()
    supply: Supply = Supply.SHUT
    transducer: Transducer | None = None
    has_barometer: bool = False
    ambient_pa: float = STANDARD_ATMOSPHERE_PA
    room_swing_k: float = 8.0
    pressure_unit: str = "psi"
    temperature_unit: str = "C"
    resins: Mapping[str, Resin] = field(default_factory=dict, hash=False)
    tz: tzinfo | None = None

    def resin(self, name: str | None) -> Resin:
        """Return the times of that resin; those of the pot's settings for None or an unknown name."""
        usual = Resin(self.hold_s, self.gel_s, self.working_time_s, self.cure_at_k)
        return usual if name is None else self.resins.get(name, usual)

    @property
    def gas_volume_m3(self) -> tuple[float, float]:
        """The volume of the pot less its contents, m3, and its 1 sigma."""
        internal_m3, contents_m3 = self.internal_volume_m3, self.contents_volume_m3
        contents_sigma_m3 = CONTENTS_SIGMA * (contents_m3 or 0.0)
        if contents_m3 is None:
            contents_m3, contents_sigma_m3 = USUAL_CONTENTS * internal_m3, USUAL_CONTENTS_SIGMA * internal_m3
        return internal_m3 - contents_m3, hypot(INTERNAL_SIGMA * internal_m3, contents_sigma_m3)
