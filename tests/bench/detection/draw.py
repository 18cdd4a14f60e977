"""One night drawn at random: pot, contents, resin, weather, probes, electronics, leak.

Everything the thermal model of the watch assumes is varied widely, and some things are added that it knows
nothing of: a probe that sees the room, a seal that opens with the cold, a heater that runs by itself.
The ranges are the bench's own judgement of what stands in workshops; where a figure is common practice it
says so. All pressures here are Pa, all times s from eight in the evening.
"""

from dataclasses import dataclass, replace
from math import exp, log
from random import Random

from kinetics import resins
from weather import WeatherNight, all_nights

from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.pot_parts import PotParameters
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WORKING_PA, FLOOR_PA = 60.0 * PA_PER_PSI, 45.0 * PA_PER_PSI
FILL_AT_S, HOLD_S = 120.0, 10 * SECONDS_PER_HOUR

SOUND = "sound"
MID_HOLD = "1.5 psi/h in mid-hold"
FROM_START = "0.3 psi/h from the start"
END_RATE = "0.5 psi/h"
FLOOR = "passes the floor"
QUICK = "3 psi/h from the start, quick resin"
KINDS = (SOUND, MID_HOLD, FROM_START, END_RATE, FLOOR, QUICK)

LUMPS, CONDUCTION, LAYERS = SIMULATORS = ("lumps", "conduction", "layers")

NO_RESIN = "none"
QUICK_RESINS = ("polyurethane-quick", "polyester-clear", "acrylic-water-based")

# Heat of the whole cure, J for a pot of 20 L; the weak ones' follow from as much resin
_HEAT_J = {
    "polyurethane": (20e3, 90e3),
    "epoxy": (20e3, 90e3),
    "polyester": (20e3, 90e3),
    "acrylic": (10e3, 50e3),
    "silicone": (2e3, 15e3),
}


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
    contents_lag_s: float
    contents_offset_k: float
    contents_gas_share: float  # of a probe that only touches the mould
    contents_inside: bool  # in the mould, not touching its outside
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
class Contents:
    """Mould and resin. A pot without resin holds something cured, or next to nothing.

    resin: a name of resins.yaml, or "none". heat_j_per_kg: of the resin's full cure. quicker: this batch's
    speed against the usual. mixed_at_s: when, may be before the night begins. warmer_k: the mould, than the
    room. Mould: j_per_kg_k, w_per_m_k, kg_per_m3. share_taking_part: of the mould's heat capacity, for the
    simulator that does not let heat creep into it.
    """

    resin: str
    resin_kg: float
    heat_j_per_kg: float
    quicker: float
    mixed_at_s: float
    warmer_k: float
    mould_kg: float
    j_per_kg_k: float
    w_per_m_k: float
    kg_per_m3: float
    share_taking_part: float


@dataclass(frozen=True)
class Make:
    """What is drawn for the pot's inside; each simulator takes what it has a use for.

    convection_power: how the gas's conductances go with the temperature difference, 0 to 1/4 (laminar).
    room_power: the same of the wall's outside. film_factor: on textbook film coefficients. slab: else a
    cylinder. half_thickness_m: of the slab. slimness: height over diameter of the cylinder. floor_w_per_k: of
    the contents' seat. lid_share: of the steel; clamp_w_per_k: between lid and wall, or the wall's halves.
    upper_share: of the gas. plume_share: of the contents' heat that goes to the upper gas. core_share: of the
    contents' capacity; core_w_per_k. overturn_w_per_k and still_w_per_k: between the layers of gas while the
    lower is warmer, at 1 K, and while it is not. probe_above: the wall's probe sits on the upper half or lid.
    """

    convection_power: float
    room_power: float
    film_factor: float
    slab: bool
    half_thickness_m: float
    slimness: float
    floor_w_per_k: float
    lid_share: float
    clamp_w_per_k: float
    upper_share: float
    plume_share: float
    core_share: float
    core_w_per_k: float
    overturn_w_per_k: float
    still_w_per_k: float
    probe_above: bool


@dataclass(frozen=True)
class DrawnNight:
    """simulator: which one plays it. fill_s: about how long the filling takes."""

    kind: str
    number: int
    simulator: str
    weather: WeatherNight
    room_mean_c: float
    heater: Heater | None
    parameters: PotParameters
    fill_s: float
    contents: Contents
    make: Make
    leak: Leak | None
    sensing: Sensing
    seed: int


def draw(kind: str, number: int, campaign: str = "", simulator: str = LUMPS) -> DrawnNight:
    """Return the night of that class and number; `campaign` names another, independent set of nights."""
    if simulator not in SIMULATORS:
        raise ValueError(f"there is no simulator {simulator!r}; take one of {', '.join(SIMULATORS)}")
    random = Random(f"{campaign}/{simulator}/{kind}/{number}")
    volume_m3 = 1e-3 * _log_uniform(random, 8.0, 50.0)
    size = volume_m3 / 0.020
    area = size ** (2.0 / 3.0)
    contents, contents_m3 = _draw_contents(kind, volume_m3, random)
    taking_part_kg = contents.mould_kg * contents.share_taking_part
    resin_j_per_kg_k = _family(contents.resin).j_per_kg_k if contents.resin_kg else 0.0
    parameters = PotParameters(
        internal_volume_m3=volume_m3,
        contents_volume_m3=contents_m3,
        gas_wall_w_per_k=1.6 * area * _log_uniform(random, 0.5, 2.0),
        gas_contents_w_per_k=1.4 * area * _log_uniform(random, 0.4, 3.0),
        wall_room_w_per_k=2.2 * area * _log_uniform(random, 0.5, 2.0),
        stirring_s_per_mol=80.0 / size,
        wall_j_per_k=7000.0 * size**0.8 * _log_uniform(random, 0.6, 1.7),
        contents_j_per_k=taking_part_kg * contents.j_per_kg_k + contents.resin_kg * resin_j_per_kg_k,
        mould_share=random.uniform(0.0, 0.003),  # 0.1-0.3 %: common practice
        mould_time_constant_s=_log_uniform(random, 3600.0, 4 * 3600.0),
    )
    return DrawnNight(
        kind=kind,
        number=number,
        simulator=simulator,
        fill_s=_log_uniform(random, 20.0, 240.0),
        contents=contents,
        make=_draw_make(size, area, random),
        heater=_draw_heater(random),
        sensing=_draw_sensing(random),
        weather=random.choice(all_nights()),
        room_mean_c=random.uniform(12.0, 23.0),
        parameters=parameters,
        leak=_draw_leak(kind, random),
        seed=random.getrandbits(32),
    )


def draw_series(
    kind: str, number: int, campaign: str = "", simulator: str = LUMPS, n: int = 8
) -> list[DrawnNight]:
    """Return n sound batches of the pot of that night, and the night itself as the last.

    Pot, mould, resin and sensors are the same ones. Weather, room and heater are of another night, the resin
    is another can of its kind and not mixed to the minute, the mould as warm as it usually is, give or take a
    kelvin.
    """
    last = draw(kind, number, campaign, simulator)
    before = []
    for batch in range(n):
        random = Random(f"{campaign}/{simulator}/{kind}/{number}/series/{batch}")
        contents = replace(
            last.contents,
            heat_j_per_kg=last.contents.heat_j_per_kg * random.gauss(1.0, 0.03),
            quicker=_log_uniform(random, 0.75, 1.33),
            warmer_k=last.contents.warmer_k + random.gauss(0.0, 1.0),
        )
        if contents.resin_kg:
            contents = replace(contents, mixed_at_s=FILL_AT_S - _until_fill_s(contents.resin, random))
        night = replace(
            last,
            kind=SOUND,
            contents=contents,
            heater=_draw_heater(random),
            weather=random.choice(all_nights()),
            room_mean_c=random.uniform(12.0, 23.0),
            leak=None,
            seed=random.getrandbits(32),
        )
        before.append(night)
    return [*before, last]


def _family(resin: str):
    return resins()[resin].family


def _until_fill_s(resin: str, random: Random) -> float:
    return resins()[resin].working_s * random.uniform(0.25, 0.75)


def _draw_contents(kind: str, volume_m3: float, random: Random) -> tuple[Contents, float]:
    """Return the contents and their volume."""
    names = QUICK_RESINS if kind == QUICK else tuple(resins())
    resin = random.choice(names)
    contents_m3 = volume_m3 * random.uniform(0.06, 0.35)
    # silicone rubber: 1.1-1.3 kg/L, 1.3-1.5 kJ/(kg K), 0.2-0.35 W/(m K) with its fillers, common data-sheet
    # figures
    mould_kg_per_m3 = random.uniform(1100.0, 1300.0)
    mould_j_per_kg_k, mould_w_per_m_k = random.uniform(1300.0, 1500.0), random.uniform(0.20, 0.35)
    family_name = resin.split("-")[0]
    family = _family(resin)
    heat_j_per_kg = random.uniform(*family.heat_j_per_kg)
    heat_j = _log_uniform(random, *_HEAT_J[family_name]) * volume_m3 / 0.020
    until_fill_s = _until_fill_s(resin, random)
    empty = random.random() < 1.0 / 3.0
    if kind != QUICK and random.random() < 0.15:
        resin, resin_kg = NO_RESIN, 0.0
        if empty:
            contents_m3 = volume_m3 * random.uniform(0.005, 0.03)
        mould_kg = contents_m3 * mould_kg_per_m3
    else:
        # 5 to 60 % of the contents are resin: little resin stands in a small mould
        resin_kg = heat_j / heat_j_per_kg
        mould_kg = (contents_m3 - resin_kg / family.kg_per_m3) * mould_kg_per_m3
        if resin_kg > 0.6 * (resin_kg + mould_kg):
            per_kg_m3 = 0.6 / family.kg_per_m3 + 0.4 / mould_kg_per_m3
            resin_kg, mould_kg = 0.6 * contents_m3 / per_kg_m3, 0.4 * contents_m3 / per_kg_m3
        mould_kg = min(mould_kg, 19.0 * resin_kg)
        contents_m3 = resin_kg / family.kg_per_m3 + mould_kg / mould_kg_per_m3
    contents = Contents(
        resin=resin,
        resin_kg=resin_kg,
        heat_j_per_kg=heat_j_per_kg if resin_kg else 0.0,
        quicker=_log_uniform(random, 0.75, 1.33),
        mixed_at_s=FILL_AT_S - until_fill_s,
        warmer_k=_draw_warmer_k(random),
        mould_kg=mould_kg,
        j_per_kg_k=mould_j_per_kg_k,
        w_per_m_k=mould_w_per_m_k,
        kg_per_m3=mould_kg_per_m3,
        share_taking_part=_log_uniform(random, 0.4, 1.0),
    )
    return contents, contents_m3


def _draw_warmer_k(random: Random) -> float:
    """Stood in the room, on a warm shelf, somewhere colder, or came from an oven."""
    at = random.random()
    if at < 0.40:
        return random.gauss(0.0, 0.3)
    if at < 0.75:
        return random.uniform(0.0, 6.0)
    if at < 0.92:
        return random.uniform(-3.0, 0.0)
    return random.uniform(10.0, 15.0)


def _draw_make(size: float, area: float, random: Random) -> Make:
    return Make(
        convection_power=random.uniform(0.0, 0.25),
        room_power=random.uniform(0.0, 0.25),
        film_factor=_log_uniform(random, 0.6, 1.8),
        slab=random.random() < 0.5,
        half_thickness_m=_log_uniform(random, 0.012, 0.040) * size ** (1.0 / 3.0),
        slimness=_log_uniform(random, 0.5, 2.0),
        floor_w_per_k=area * _log_uniform(random, 0.05, 0.5),
        lid_share=random.uniform(0.15, 0.40),
        clamp_w_per_k=size ** (1.0 / 3.0) * _log_uniform(random, 0.3, 3.0),
        upper_share=random.uniform(0.3, 0.6),
        plume_share=random.uniform(0.65, 0.95),
        core_share=random.uniform(0.3, 0.7),
        core_w_per_k=area * _log_uniform(random, 0.5, 4.0),
        overturn_w_per_k=area * _log_uniform(random, 3.0, 10.0),
        still_w_per_k=area * _log_uniform(random, 0.2, 1.0),
        probe_above=random.random() < 0.5,
    )


def _draw_heater(random: Random) -> Heater | None:
    if random.random() >= 0.25:
        return None
    cycling = random.random() < 0.5
    return Heater(
        cycle_k=random.uniform(0.3, 1.2) if cycling else 0.0,
        period_s=random.uniform(1200.0, 4800.0),
        step_k=0.0 if cycling else random.uniform(-5.0, 3.0),
        step_at_s=random.uniform(0.0, 8.0) * SECONDS_PER_HOUR,
        step_decay_s=_log_uniform(random, 1200.0, 3 * 3600.0),
    )


def _draw_sensing(random: Random) -> Sensing:
    return Sensing(
        gas_lag_s=_log_uniform(random, 15.0, 90.0),
        gas_offset_k=random.gauss(0.0, 0.2),
        gas_wall_share=random.uniform(0.0, 0.12),
        wall_lag_s=_log_uniform(random, 20.0, 150.0),
        wall_offset_k=random.gauss(0.0, 0.25),
        wall_room_share=random.uniform(0.0, 0.25),
        room_lag_s=_log_uniform(random, 60.0, 600.0),
        room_offset_k=random.gauss(0.0, 0.3),
        draught_k=random.uniform(0.0, 0.15),
        contents_lag_s=_log_uniform(random, 20.0, 150.0),
        contents_offset_k=random.gauss(0.0, 0.25),
        contents_gas_share=random.uniform(0.0, 0.3),
        contents_inside=random.random() < 0.5,
        noise_pa=PA_PER_PSI * random.uniform(0.02, 0.05),
        zero_pa=PA_PER_PSI * random.gauss(0.0, 0.2),
        span_error=random.gauss(0.0, 0.005),
        drift_pa_per_k=PA_PER_PSI * random.uniform(-0.02, 0.02),
        creep_pa=PA_PER_PSI * random.uniform(0.0, 0.02),
        barometer_offset_pa=random.gauss(0.0, 60.0),
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
    elif kind == QUICK:
        rate = 3.0
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
