"""A shut pot for the tests of the core: real-gas air, a thermometer in it, noise, a leak on request."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from math import cos, exp, pi
from random import Random

from CoolProp.CoolProp import PropsSI

from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Quality, Reading, Sample

PSI = 6894.757293168361  # NIST SP 811, Appendix B.8
R = 8.314462618  # J/(mol K), CODATA 2018
ATMOSPHERE_PA = 101_325.0
UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC

FILL_FROM_S, FILL_S = 60.0, 120.0
SHUT_S = FILL_FROM_S + FILL_S


def pot(**changes: object) -> Pot:
    """Return the demo studio's pot: 20 L, 60 psi, floor 45 psi, thermometer in the gas, barometer."""
    known: dict[str, object] = {
        "pot_id": "lantern",
        "internal_volume_m3": 0.020,
        "contents_volume_m3": 0.003,
        "maximum_pa": 80 * PSI,
        "working_pa": 60 * PSI,
        "floor_pa": 45 * PSI,
        "hold_s": 36_000.0,
        "thermometers": frozenset({Place.GAS}),
        "has_barometer": True,
    }
    return Pot(**(known | changes))


def reading(
    t_s: float, gauge_psi: float | None = 60.0, gas_k: float | None = 293.15, **fields: object
) -> Reading:
    """Return a good reading of the shut pot, without the time of day."""
    gauge_pa = None if gauge_psi is None else gauge_psi * PSI
    absolute_pa = None if gauge_pa is None else gauge_pa + ATMOSPHERE_PA
    usual = Reading(t_s, None, gauge_pa, absolute_pa, ATMOSPHERE_PA, gas_k, None, None, Quality.GOOD)
    return replace(usual, **fields)  # type: ignore[arg-type]


@cache
def _second_virial(kelvin: int) -> float:
    # from the reference equation of state (Lemmon et al. 2000, CoolProp), not from the formula under test
    return float(PropsSI("Bvirial", "T", kelvin, "Dmass", 1e-3, "Air"))


def air_pa(mol_per_m3: float, kelvin: float) -> float:
    """Return the pressure of air, Pa absolute: p = n/V R T (1 + B n/V)."""
    whole, part = divmod(kelvin, 1.0)
    virial = _second_virial(int(whole)) * (1.0 - part) + _second_virial(int(whole) + 1) * part
    return mol_per_m3 * R * kelvin * (1.0 + virial * mol_per_m3)


@dataclass(frozen=True)
class Swing:
    """A smooth swing about a mean: half its size up and down, one full wave a period; phase in periods."""

    mean: float
    size: float = 0.0
    period_s: float = 86_400.0
    phase: float = 0.0

    def at(self, t_s: float) -> float:
        return self.mean + 0.5 * self.size * cos(2.0 * pi * (t_s / self.period_s + self.phase))


STILL_ROOM_C = Swing(20.0)
STILL_AIR_PA = Swing(ATMOSPHERE_PA)


def night(
    hours: float,
    *,
    celsius: Swing = STILL_ROOM_C,
    ambient_pa: Swing = STILL_AIR_PA,
    rate_per_s: float = 0.0,
    onset_s: float = SHUT_S,
    noise_psi: float = 0.03,
    seed: int = 1,
    step_s: float = 10.0,
    working_psi: float = 60.0,
    utc_s: float | None = UTC_S,
    gauge_also: Callable[[float], float] = lambda t_s: 0.0,
) -> Iterator[Sample]:
    """Give a night's samples: a minute open, two minutes of fill, then shut; the leak is choked flow.

    rate_per_s: share of the air lost per second from onset_s on. gauge_also: Pa added to the reading.
    """
    random = Random(seed)
    start_k = celsius.at(SHUT_S) + 273.15
    full = _density(working_psi * PSI + ambient_pa.at(SHUT_S), start_k)
    for i in range(int(hours * 3600.0 / step_s)):
        t_s = i * step_s
        kelvin, outside_pa = celsius.at(t_s) + 273.15, ambient_pa.at(t_s)
        share = min(max((t_s - FILL_FROM_S) / FILL_S, 0.0), 1.0)
        if share < 1.0:
            gauge_pa = share * working_psi * PSI
        else:
            gauge_pa = air_pa(full * exp(-rate_per_s * max(t_s - onset_s, 0.0)), kelvin) - outside_pa
        yield Sample(
            t_s=t_s,
            utc_s=None if utc_s is None else utc_s + t_s,
            gauge_pa=gauge_pa + random.gauss(0.0, noise_psi * PSI) + gauge_also(t_s),
            gas_c=kelvin - 273.15,
            ambient_pa=outside_pa,
        )


def _density(absolute_pa: float, kelvin: float) -> float:
    density = absolute_pa / (R * kelvin)
    for _ in range(20):
        density *= absolute_pa / air_pa(density, kelvin)
    return density
