"""One night drawn at random: pot, contents, resin, weather, probes, electronics, leak.

Everything the thermal model of the watch assumes is varied widely, and some things are added that it knows
nothing of: a probe that sees the room, a seal that opens with the cold, a heater that runs by itself.
The ranges are the bench's own judgement of what stands in workshops; where a figure is common practice it
says so. All pressures here are Pa, all times s from eight in the evening.
"""

from dataclasses import dataclass
from math import exp, log
from random import Random

from weather import WeatherNight, all_nights

from potvigil.sim.pot import CureHeat, Leak, LeakLaw, PotParameters, Supply
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WORKING_PA, FLOOR_PA = 60.0 * PA_PER_PSI, 45.0 * PA_PER_PSI
FILL_AT_S, HOLD_S = 120.0, 10 * SECONDS_PER_HOUR

SOUND = "sound"
MID_HOLD = "1.5 psi/h in mid-hold"
FROM_START = "0.3 psi/h from the start"
END_RATE = "0.5 psi/h"
FLOOR = "passes the floor"
KINDS = (SOUND, MID_HOLD, FROM_START, END_RATE, FLOOR)


@dataclass(frozen=True)
class Sensing:
    """How the sensors miss the truth; temperatures K, pressures Pa, per reading at 1 Hz where noise."""

    gas_lag_s: float
    gas_offset_k: float
    gas_wall_share: float  # how much of the wall the probe in the gas sees
    wall_lag_s: float
    wall_offset_k: float
    wall_room_share: float
    room_lag_s: float
    room_offset_k: float
    draught_k: float  # slow scatter of the air round the room's probe, 10 min
    noise_pa: float
    zero_pa: float
    span_error: float
    drift_pa_per_k: float
    creep_pa: float  # slow wandering of the transducer over hours, 1 sigma
    barometer_offset_pa: float


@dataclass(frozen=True)
class Heater:
    """What a heater does to the room, K: cycles all night, or goes off (or on) once and decays away."""

    cycle_k: float
    period_s: float
    step_k: float
    step_at_s: float
    step_decay_s: float


@dataclass(frozen=True)
class DrawnNight:
    kind: str
    number: int
    weather: WeatherNight
    room_mean_c: float
    heater: Heater | None
    parameters: PotParameters
    supply: Supply
    cure: CureHeat | None
    leak: Leak | None
    sensing: Sensing
    seed: int


def draw(kind: str, number: int, campaign: str = "") -> DrawnNight:
    """Return the night of that class and number; `campaign` names another, independent set of nights."""
    random = Random(f"{campaign}/{kind}/{number}")
    volume_m3 = 1e-3 * _log_uniform(random, 8.0, 50.0)
    size = volume_m3 / 0.020
    area = size ** (2.0 / 3.0)
    contents_m3 = volume_m3 * random.uniform(0.06, 0.35)
    # silicone and resin: 1.1 kg/L, 1.3-1.7 kJ/(kg K), common practice;
    # a thick mould does not warm all through
    contents_j_per_k = 1000.0 * contents_m3 * _log_uniform(random, 500.0, 1900.0)
    parameters = PotParameters(
        internal_volume_m3=volume_m3,
        contents_volume_m3=contents_m3,
        gas_wall_w_per_k=1.6 * area * _log_uniform(random, 0.5, 2.0),
        gas_contents_w_per_k=1.4 * area * _log_uniform(random, 0.4, 3.0),
        wall_room_w_per_k=2.2 * area * _log_uniform(random, 0.5, 2.0),
        stirring_s_per_mol=80.0 / size,
        wall_j_per_k=7000.0 * size**0.8 * _log_uniform(random, 0.6, 1.7),
        contents_j_per_k=contents_j_per_k,
        mould_share=random.uniform(0.0, 0.003),  # 0.1-0.3 %: common practice
        mould_time_constant_s=_log_uniform(random, 3600.0, 4 * 3600.0),
    )
    supply = Supply(
        valve_area_m2=6.5e-7 * size * _log_uniform(random, 0.4, 2.0), tank_volume_m3=0.05 * max(size, 1.0)
    )
    cure = None
    if random.random() < 1.0 / 3.0:
        cure = CureHeat(
            peak_s=FILL_AT_S + random.uniform(0.7, 4.0) * SECONDS_PER_HOUR,
            width_s=_log_uniform(random, 500.0, 3000.0),
            # by so many kelvin, were no heat lost: the gas warms by up to half of it, +1 psi being ordinary
            energy_j=contents_j_per_k * _log_uniform(random, 3.0, 40.0),
        )
    heater = None
    if random.random() < 0.25:
        cycling = random.random() < 0.5
        heater = Heater(
            cycle_k=random.uniform(0.3, 1.2) if cycling else 0.0,
            period_s=random.uniform(1200.0, 4800.0),
            step_k=0.0 if cycling else random.uniform(-5.0, 3.0),
            step_at_s=random.uniform(0.0, 8.0) * SECONDS_PER_HOUR,
            step_decay_s=_log_uniform(random, 1200.0, 3 * 3600.0),
        )
    sensing = Sensing(
        gas_lag_s=_log_uniform(random, 15.0, 90.0),
        gas_offset_k=random.gauss(0.0, 0.2),
        gas_wall_share=random.uniform(0.0, 0.12),
        wall_lag_s=_log_uniform(random, 20.0, 150.0),
        wall_offset_k=random.gauss(0.0, 0.25),
        wall_room_share=random.uniform(0.0, 0.25),
        room_lag_s=_log_uniform(random, 60.0, 600.0),
        room_offset_k=random.gauss(0.0, 0.3),
        draught_k=random.uniform(0.0, 0.15),
        noise_pa=PA_PER_PSI * random.uniform(0.02, 0.05),
        zero_pa=PA_PER_PSI * random.gauss(0.0, 0.2),
        span_error=random.gauss(0.0, 0.005),
        drift_pa_per_k=PA_PER_PSI * random.uniform(-0.02, 0.02),
        creep_pa=PA_PER_PSI * random.uniform(0.0, 0.02),
        barometer_offset_pa=random.gauss(0.0, 60.0),
    )
    return DrawnNight(
        kind=kind,
        number=number,
        weather=random.choice(all_nights()),
        room_mean_c=random.uniform(12.0, 23.0),
        heater=heater,
        parameters=parameters,
        supply=supply,
        cure=cure,
        leak=_draw_leak(kind, random),
        sensing=sensing,
        seed=random.getrandbits(32),
    )


def _draw_leak(kind: str, random: Random) -> Leak | None:
    if kind == SOUND:
        return None
    law = random.choice(list(LeakLaw))
    onset_s = 0.0
    if kind == MID_HOLD:
        rate, onset_s = 1.5, random.uniform(2.0, 7.0) * SECONDS_PER_HOUR
    elif kind == FROM_START:
        rate = 0.3
    elif kind == END_RATE:
        rate, onset_s = 0.5, random.choice((0.0, random.uniform(0.0, 5.0) * SECONDS_PER_HOUR))
    else:
        # so that 15 psi are lost well before the cure is done: 80 % of what is left of the hold, or sooner
        rate = _log_uniform(random, 2.2, 15.0)
        latest_s = 0.8 * HOLD_S - 15.0 / rate * SECONDS_PER_HOUR
        onset_s = random.choice((0.0, random.uniform(0.0, max(latest_s, 0.0))))
    opens_with_cold = random.uniform(0.02, 0.08) if random.random() < 1.0 / 3.0 else 0.0
    if onset_s < 600.0:
        onset_s = 0.0
    return Leak(
        onset_s,
        law,
        rate_pa_per_s=rate * PA_PER_PSI / SECONDS_PER_HOUR,
        at_gauge_pa=None if onset_s else WORKING_PA,
        opens_per_k_colder=opens_with_cold,
    )


def _log_uniform(random: Random, low: float, high: float) -> float:
    return low * exp(random.random() * log(high / low))
