"""One odd night as it is in truth: pot, contents, surroundings, what its caster does, its sensors.

A night begins as a usual one, drawn at random; kinds.py then changes what is odd about it. Times s from the
start of the readings, pressures Pa gauge, temperatures K or C as named, heat W and J.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, log
from random import Random

from potvigil.model.events import Command
from potvigil.units import PA_PER_PSI

PSI = PA_PER_PSI
HOUR = 3600.0
FILL_AT_S = 300.0

Course = Callable[[float], float]


def constant(value: float) -> Course:
    return lambda _: value


@dataclass
class Hand:
    """A valve that is open for a while. to_pa: where it is shut again; None: at until_s.

    line_pa: of the supply, gauge; None is the vent. mm2: effective area. air_k: of what comes in.
    """

    from_s: float
    until_s: float
    to_pa: float | None
    line_pa: float | None
    mm2: float
    air_k: float = 293.15


@dataclass
class Casting:
    """Heat of one casting: joules, with its peak so long after mixing; sharpness 2 (epoxy) to 8 (quick)."""

    joules: float
    mixed_s: float
    peak_after_s: float
    sharpness: float


@dataclass
class Night:
    """volume_m3: empty. steel_j: heat capacity of the wall, base_share of it the base. emissivity: outside.

    along_w: between side and base, W/K. floor_w: from base to floor, W/K. contents: a slab with one face in
    the gas; solids_j: of water or spacers. soak: air the slab takes up by Fick's law, volumes (at 0 C) a
    volume and bar; else taken_share of the air, in taken_s. creep_share: of the volume, log in time.
    """

    random: Random
    psi: float = 60.0
    volume_m3: float = 0.020
    steel_j: float = 7000.0
    base_share: float = 0.25
    along_w: float = 1.5
    emissivity: float = 0.8
    floor_w: float = 0.5
    fan: Course = field(default_factory=lambda: constant(1.0))
    mat_w: Course = field(default_factory=lambda: constant(0.0))
    sun_w: Course = field(default_factory=lambda: constant(0.0))
    room_c: Course = field(default_factory=lambda: constant(18.0))
    floor_c: Course | None = None
    outside_pa: Course = field(default_factory=lambda: constant(101_000.0))
    contents_m3: float = 0.003
    thickness_m: float = 0.05
    w_per_m_k: float = 0.25
    warmer_k: float = 0.0
    castings: list[Casting] = field(default_factory=list)
    solids_j: float = 0.0
    soak: float = 0.0
    taken_share: float = 0.0015
    taken_s: float = 7000.0
    creep_share: float = 0.0
    hose_share: float = 0.0
    hands: list[Hand] = field(default_factory=list)
    end_s: float = 10.2 * HOUR
    leak_psi_per_h: float = 0.0
    leak_at_s: float = 0.0
    # sensors
    step_s: float = 5.0
    noise_pa: float = 0.03 * PSI
    span_error: float = 0.0
    zero_pa: float = 0.0
    drift_pa_per_k: float = 0.0
    hysteresis_pa: float = 0.0
    hum_pa: float = 0.0
    hum_s: float = 1200.0
    sag_pa: float = 0.0  # while the computer works, for some minutes several times an hour
    count_pa: float = 0.0047 * PSI
    conversions: float = 4.0
    probe_k: float = 0.0625
    offsets_k: dict[str, float] = field(default_factory=dict)
    wall_sees_room: float = 0.1
    wall_on_base: bool = False
    gas_sees_mould: float = 0.0
    probe_every_s: float = 0.0
    has_barometer: bool = True
    jitter_s: float = 0.0
    pauses: list[tuple[float, float]] = field(default_factory=list)
    clock_steps: list[tuple[float, float]] = field(default_factory=list)
    # what the watch is told
    said_volume: float = 1.0
    said_contents: float | None = 1.0
    supply: str = "shut"
    band_pa: float = 0.0  # below the working pressure, in which a regulator sticks; 0: there is none
    taught: int = 0  # by so many sound nights of this pot
    resin: str | None = None
    hold: str = "10 h"
    transducer: str = ""
    absolute: bool = False
    commands: list[Command] = field(default_factory=list)

    @property
    def working_pa(self) -> float:
        return self.psi * PSI


def log_uniform(random: Random, low: float, high: float) -> float:
    return low * exp(random.random() * log(high / low))


def usual(random: Random) -> Night:
    """Return a night with nothing odd about it."""
    volume_m3 = 1e-3 * log_uniform(random, 9.0, 40.0)
    size = volume_m3 / 0.020
    contents_m3 = volume_m3 * random.uniform(0.06, 0.3)
    night = Night(
        random,
        volume_m3=volume_m3,
        steel_j=7000.0 * size**0.8 * log_uniform(random, 0.7, 1.5),
        along_w=log_uniform(random, 1.0, 3.0),
        emissivity=random.uniform(0.4, 0.95),
        floor_w=log_uniform(random, 0.2, 1.0) * size ** (2 / 3),
        contents_m3=contents_m3,
        thickness_m=random.uniform(0.02, 0.06),
        w_per_m_k=random.uniform(0.2, 0.35),
        warmer_k=random.gauss(1.0, 1.0),
        taken_share=random.uniform(0.0, 0.003),
        taken_s=random.uniform(4000.0, 12000.0),
        step_s=random.choice((5.0, 5.0, 10.0)),
        noise_pa=random.uniform(0.02, 0.05) * PSI,
        span_error=random.gauss(0.0, 0.003),
        zero_pa=random.gauss(0.0, 0.15) * PSI,
        drift_pa_per_k=random.uniform(-0.015, 0.015) * PSI,
        offsets_k={place: random.gauss(0.0, 0.25) for place in ("gas", "wall", "room")},
        wall_sees_room=random.uniform(0.05, 0.2),
        wall_on_base=random.random() < 0.2,
    )
    begin_c, falls_k = random.uniform(15.0, 23.0), random.uniform(0.0, 4.0)
    pace_s = random.uniform(2.0, 5.0) * HOUR
    night.room_c = lambda t_s: begin_c - falls_k * (1.0 - exp(-t_s / pace_s))
    pa, slope = random.uniform(99_000.0, 102_500.0), random.gauss(0.0, 30.0) / HOUR
    night.outside_pa = lambda t_s: pa + slope * t_s
    resin_kg = contents_m3 * 1100.0 * random.uniform(0.05, 0.2)
    peak_s = log_uniform(random, 900.0, 5.0 * HOUR)
    night.castings = [Casting(resin_kg * 250e3, -300.0, peak_s, random.uniform(2.0, 5.0))]
    night.hands = [fill(night, random.uniform(60.0, 200.0))]
    return night


def valve_mm2(night: Night, takes_s: float, by_pa: float | None = None, line_pa: float = 110 * PSI) -> float:
    """Return the area through which that rise comes in about that time from a choked supply."""
    mol = 1.05 * (by_pa or night.working_pa) * (night.volume_m3 - night.contents_m3) / (1.2 * 8.314 * 293.0)
    return 1e6 * mol / (takes_s * (line_pa + 101e3) * 0.685 / (0.02896 * 8.314 * 293.0) ** 0.5)


def fill(night: Night, takes_s: float, to_pa: float | None = None, at_s: float = FILL_AT_S) -> Hand:
    """Return a fill to that pressure, the working one if not said."""
    return Hand(
        at_s,
        at_s + 3 * HOUR,
        night.working_pa if to_pa is None else to_pa,
        110 * PSI,
        valve_mm2(night, takes_s),
        night.room_c(at_s) + 273.15,
    )
