"""Named nights with the truth attached.

Timeline of a night, in seconds from its start: pot open; at 120 the supply valve opens, and shuts at 60 psi
gauge some 80 s later; then the hold; vent; five minutes open.
"""

from collections.abc import Mapping, Sequence
from math import cos, pi

from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.pot_parts import Action, Course, CureHeat, Fill, PotParameters, Regulate, Table, Vent
from potvigil.sim.world import (
    ADS1115_ADDRESS,
    BMP280_ADDRESS,
    CONTENTS_PROBE_ID,
    GAS_PROBE_ID,
    I2C_BUS,
    ROOM_PROBE_ID,
    SUPPLY_INPUT,
    TRANSDUCER_INPUT,
    WALL_PROBE_ID,
    FaultKind,
    Night,
    Probe,
    SensorFault,
    Truth,
)
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, celsius_to_kelvin

OPEN_S = 120.0
HOLD_S = 10 * SECONDS_PER_HOUR
VENT_S = OPEN_S + 80.0 + HOLD_S + 300.0  # a caster is rather late than early
OPEN_AGAIN_S = 340.0  # half a minute of venting and five minutes open

WORKING_PA = 60 * PA_PER_PSI
MAXIMUM_PA = 80 * PA_PER_PSI


_ALARMS = frozenset(
    (
        "over-pressure",
        "rapid-loss",
        "below-floor",
        "floor-ahead",
        "leak",
        "supply-masking",
        "slow-to-pressure",
        "vented-early",
        "pressure-sensor",
        "thermometer",
        "readings-stopped",
        "record-failing",
        "clock-unset",
        "signals-failing",
        "notify-failing",
    )
)

GAS_PROBE = Probe("gas", GAS_PROBE_ID, lag_s=45.0, offset_k=0.12)
WALL_PROBE = Probe("wall", WALL_PROBE_ID, lag_s=60.0, offset_k=-0.2, room_share=0.12)
ROOM_PROBE = Probe("room", ROOM_PROBE_ID, lag_s=120.0, offset_k=0.3)
CONTENTS_PROBE = Probe("contents", CONTENTS_PROBE_ID, lag_s=90.0, offset_k=-0.1)


def truth(
    verdict: str = "held",
    alarms: Sequence[str] = (),
    may: Sequence[str] = (),
    leak: Leak | None = None,
) -> Truth:
    """Return a truth in which `alarms` must be raised, those in `may` may, and no others."""
    return Truth(
        leak_onset_s=None if leak is None else leak.onset_s,
        leak_rate_pa_per_s=0.0 if leak is None else leak.rate_pa_per_s or 0.0,
        verdict=verdict,
        alarms=frozenset(alarms),
        never_alarms=_ALARMS - frozenset(alarms) - frozenset(may),
    )


def settings_for(
    parameters: PotParameters,
    probes: Sequence[Probe],
    supply: str = "shut",
    cure: str = "hold: 10 h, gel: 2 h, working_time: 30 min",
) -> str:
    """Return the settings file for a night with this pot and these probes. supply: shut or regulated."""
    thermometers = ", ".join(
        f"{{place: {probe.place}, device: ds18b20, id: {probe.probe_id}}}" for probe in probes
    )
    return f"""\
workshop: harbour-models
timezone: UTC
pots:
  lantern:
    internal_volume: {parameters.internal_volume_m3 * 1000:g} L
    contents_volume: {parameters.contents_volume_m3 * 1000:g} L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    transducer: {{device: ads1115, bus: {I2C_BUS}, address: 0x{ADS1115_ADDRESS:02x}, \
channel: {TRANSDUCER_INPUT}, supply_channel: {SUPPLY_INPUT}, span: 100 psi}}
    thermometer: {f"[{thermometers}]" if probes else "{place: none}"}
    supply: {supply}
    cure: {{{cure}}}
barometer: {{device: bmp280, bus: {I2C_BUS}, address: 0x{BMP280_ADDRESS:02x}}}
"""


def _cooling_room(start_c: float, fall_k: float) -> Table:
    """Return a room that cools along half a cosine for nine hours, then warms."""
    hours = range(12)
    return Table(
        [hour * SECONDS_PER_HOUR for hour in hours],
        [celsius_to_kelvin(start_c - 0.5 * fall_k * (1.0 - cos(pi * hour / 9.0))) for hour in hours],
    )


_ORDINARY_BAROMETER = Table(
    [hour * SECONDS_PER_HOUR for hour in (0, 3, 5, 8, 11)],
    [101_180.0, 101_050.0, 101_010.0, 100_870.0, 100_900.0],
)


ORDINARY_POT = PotParameters(mould_share=0.0015)
# Less steel and a thin-shelled mould: the resin's heat comes and goes within the hour
_LIGHT_POT = PotParameters(
    mould_share=0.0015,
    gas_contents_w_per_k=1.8,
    contents_j_per_k=2500.0,
    wall_j_per_k=5000.0,
    wall_room_w_per_k=4.0,
)


def _night(
    name: str,
    title: str,
    truth: Truth,
    *,
    leak: Leak | None = None,
    actions: Sequence[Action] = (Fill(OPEN_S, WORKING_PA),),
    vent_s: float = VENT_S,
    room_k: Course | None = None,
    supply: str = "shut",
    cure: CureHeat | None = None,
    probes: Sequence[Probe] = (WALL_PROBE, ROOM_PROBE),
    faults: Sequence[SensorFault] = (),
    parameters: PotParameters = ORDINARY_POT,
) -> Night:
    return Night(
        name=name,
        title=title,
        settings_yaml=settings_for(parameters, probes, supply),
        duration_s=vent_s + OPEN_AGAIN_S,
        truth=truth,
        room_k=room_k or _cooling_room(21.0, 2.0),
        ambient_pa=_ORDINARY_BAROMETER,
        actions=(*actions, Vent(vent_s)),
        leaks=() if leak is None else (leak,),
        cure=cure,
        parameters=parameters,
        probes=tuple(probes),
        faults=tuple(faults),
    )


def _leak(psi_per_h: float, onset_s: float = 0.0, law: LeakLaw = LeakLaw.ORIFICE) -> Leak:
    """Return a leak of that rate: at working pressure if present from the start, else at its onset."""
    rate_pa_per_s = psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR
    return Leak(onset_s, law, rate_pa_per_s=rate_pa_per_s, at_gauge_pa=None if onset_s else WORKING_PA)


def _named_nights() -> dict[str, Night]:
    lid = _leak(1.75)
    small = _leak(0.5, law=LeakLaw.CAPILLARY)
    at_two = _leak(3.0, onset_s=4.1 * SECONDS_PER_HOUR)
    big = _leak(20.0, onset_s=2400.0)
    topped_up = _leak(2.5)
    fed = _leak(2.5)
    nights = (
        _night("sound", "a sound pot on an ordinary night", truth()),
        _night(
            "cold-workshop",
            "a sound pot in a workshop that cools by nine kelvin",
            truth(),
            room_k=_cooling_room(18.0, 9.0),
        ),
        _night(
            "slow-lid-leak",
            "the lid loses 1.75 psi/h from the start: the floor would be passed before the cure is done",
            truth("fell-below-floor", ["floor-ahead", "below-floor"], ["leak"], lid),
            leak=lid,
        ),
        _night(
            "small-leak",
            "a fine gap loses 0.5 psi/h from the start: the batch will hold all the same",
            truth("leaked", ["leak"], leak=small),
            leak=small,
        ),
        _night(
            "two-in-the-morning",
            "a fitting begins to leak 3 psi/h shortly after two in the morning",
            truth("fell-below-floor", ["floor-ahead", "below-floor"], ["leak"], at_two),
            leak=at_two,
        ),
        _night(
            "lost-before-gel",
            "a seal gives way 40 minutes in, and the floor is passed while the resin is liquid",
            truth("fell-below-floor", ["floor-ahead", "below-floor"], ["leak", "rapid-loss"], big),
            leak=big,
            vent_s=3 * SECONDS_PER_HOUR,
        ),
        _night(
            "cure-heat",
            "a sound pot whose resin warms the air by some kelvin and lets it cool again",
            truth(),
            cure=CureHeat(peak_s=1.5 * SECONDS_PER_HOUR, width_s=900.0, energy_j=50_000.0),
            parameters=_LIGHT_POT,
        ),
        _night(
            "top-ups",
            "a leak of 2.5 psi/h, topped up by hand three times",
            truth("leaked", ["floor-ahead"], ["leak", "supply-masking"], topped_up),
            leak=topped_up,
            actions=[Fill(OPEN_S, WORKING_PA)]
            + [Fill(hours * SECONDS_PER_HOUR, WORKING_PA) for hours in (2.5, 5.0, 7.5)],
        ),
        _night(
            "regulated-supply",
            "a regulator keeps feeding a pot that leaks 2.5 psi/h",
            truth("leaked", ["supply-masking"], ["leak"], fed),
            leak=fed,
            actions=[Regulate(OPEN_S, WORKING_PA, 0.5 * PA_PER_PSI)],
            supply="regulated",
        ),
        _night(
            "transducer-unplugged",
            "the transducer's plug comes off after three hours and is put back after eight",
            truth("incomplete", ["pressure-sensor"], ["readings-stopped"]),
            faults=[SensorFault(FaultKind.TRANSDUCER_UNPLUGGED, 3 * SECONDS_PER_HOUR, 8 * SECONDS_PER_HOUR)],
        ),
        _night(
            "thermometer-lost",
            "the only thermometer goes after two hours; the pot is sound",
            truth("held", ["thermometer"]),
            probes=[WALL_PROBE],
            faults=[SensorFault(FaultKind.PROBE_ABSENT, 2 * SECONDS_PER_HOUR, probe_id=WALL_PROBE_ID)],
        ),
        _night(
            "vented-early",
            "somebody vents the pot after an hour, before the resin has gelled",
            truth("vented-early", ["vented-early"]),
            vent_s=OPEN_S + SECONDS_PER_HOUR,
        ),
        _night(
            "over-pressure",
            "the pot is filled to 88 psi by mistake and bled to 60 four minutes later",
            truth("held", ["over-pressure"], ["rapid-loss"]),
            actions=[Fill(OPEN_S, 1.1 * MAXIMUM_PA), Vent(OPEN_S + 420.0, WORKING_PA)],
        ),
    )
    return {night.name: night for night in nights}


NIGHTS: Mapping[str, Night] = _named_nights()
