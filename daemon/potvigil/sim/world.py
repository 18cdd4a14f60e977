"""Plays a night behind the real drivers, with faults of its wires."""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, pi, sin
from pathlib import Path
from random import Random

from potvigil.sim.bmp388 import SimBmp388
from potvigil.sim.chips import OneWireFolder, SimAds1115, SimBmp280, SimBus
from potvigil.sim.gas_laws import Leak
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import Action, Course, CureHeat, PotParameters, Supply
from potvigil.sim.spi_chips import SimMax31865, SimMcp, SimPins
from potvigil.sim.wires import Platinum, Thermistor, Wires
from potvigil.units import PA_PER_PSI, kelvin_to_celsius

GAS_PROBE_ID = "28-0316a4c5f2ff"
WALL_PROBE_ID = "28-0417b3d6e1aa"
ROOM_PROBE_ID = "28-0518c2e7d0bb"
CONTENTS_PROBE_ID = "28-0519b4d6e1cc"

I2C_BUS = 1
ADS1115_ADDRESS = 0x48
BMP280_ADDRESS = 0x76
TRANSDUCER_INPUT = 0
SUPPLY_INPUT = 1

_TEN_IN_THE_EVENING_UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC


class FaultKind(StrEnum):
    """What can go wrong with a wired device."""

    TRANSDUCER_UNPLUGGED = "transducer-unplugged"  # its input floats near 0 V
    PORT_BLOCKED = "port-blocked"  # the transducer keeps the pressure of that moment
    SUPPLY_SAG = "supply-sag"  # the 5 V falls to `volts`
    CONVERTER_ABSENT = "converter-absent"
    CONVERTER_STUCK = "converter-stuck"
    BAROMETER_ABSENT = "barometer-absent"
    BUS_HELD_LOW = "bus-held-low"
    BUS_FLAKY = "bus-flaky"  # every seventh transfer fails
    PROBE_ABSENT = "probe-absent"
    PROBE_POWER_ON = "probe-power-on"
    PROBE_BAD_CRC = "probe-bad-crc"
    PROBE_EMPTY = "probe-empty"


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A fault from at_s until until_s. probe_id: which thermometer. volts: of a sagging supply."""

    kind: FaultKind
    at_s: float
    until_s: float = inf
    probe_id: str = ""
    volts: float = 4.6


@dataclass(frozen=True, slots=True)
class Probe:
    """A thermometer. place: gas, wall, room or contents.

    room_share: weight of the room in what a probe on the wall senses. sensor: None for a DS18B20; others
    need probe_id only as a name.
    """

    place: str
    probe_id: str
    lag_s: float
    offset_k: float
    room_share: float = 0.0
    sensor: Thermistor | Platinum | None = None


@dataclass(frozen=True, slots=True)
class Electronics:
    """A cheap transducer at 5 V, and the barometer. Errors in Pa; noise is rms per conversion."""

    span_pa: float = 100 * PA_PER_PSI
    zero_pa: float = 0.1 * PA_PER_PSI
    drift_pa_per_k: float = 0.015 * PA_PER_PSI  # with the wall's temperature, from 20 C
    noise_pa: float = 0.03 * PA_PER_PSI
    supply_v: float = 5.0
    supply_wander_v: float = 0.003
    barometer_offset_pa: float = 40.0
    wires: Wires = field(default_factory=Wires)


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of a night, and what a watch must conclude.

    leak_onset_s: None where nothing leaks. leak_rate_pa_per_s: fall at constant temperature, at the onset.
    alarms must be raised, never_alarms must not; others may be. Ids and verdicts as the watch publishes them.
    """

    leak_onset_s: float | None
    leak_rate_pa_per_s: float
    verdict: str
    alarms: frozenset[str]
    never_alarms: frozenset[str]


@dataclass(frozen=True, slots=True)
class Night:
    """One pot, one night: what happens to it, and what a watch should conclude.

    title: one line for a person. settings_yaml: the settings of the watching machine. start_utc_s: Unix time
    at second 0 of the night. The courses are functions of seconds from there.
    """

    name: str
    title: str
    settings_yaml: str
    duration_s: float
    truth: Truth
    room_k: Course
    ambient_pa: Course
    actions: tuple[Action, ...]
    leaks: tuple[Leak, ...] = ()
    cure: CureHeat | None = None
    parameters: PotParameters = field(default_factory=PotParameters)
    supply: Supply = field(default_factory=Supply)
    probes: tuple[Probe, ...] = ()
    electronics: Electronics = field(default_factory=Electronics)
    faults: tuple[SensorFault, ...] = ()
    start_utc_s: float = _TEN_IN_THE_EVENING_UTC_S


class World:
    """A night as the watching machine sees it: an I2C bus, SPI, a 1-Wire folder, and time.

    folder: where the 1-Wire files are made. origin_s: boot time at second 0 of the night. `pot` holds the
    true state.

    For faults that FaultKind lacks, three taps change what goes over a wire, and may be set at any time:
    signal_tap, volts of the transducer (called at each conversion); barometer_tap, Pa absolute; probe_tap,
    id and degrees C of a DS18B20 (None: it keeps the last value).
    """

    def __init__(self, night: Night, folder: Path, seed: int = 0, origin_s: float = 0.0) -> None:
        self.night = night
        self.signal_tap: Callable[[float], float] = _as_it_is
        self.barometer_tap: Callable[[float], float] = _as_it_is
        self.probe_tap: Callable[[str, float], float | None] = _as_it_shows
        self.pot = PotModel(
            night.parameters,
            supply=night.supply,
            actions=night.actions,
            leaks=night.leaks,
            cure=night.cure,
            room_k=night.room_k,
            ambient_pa=night.ambient_pa,
        )
        self.one_wire_root = folder / "one-wire"
        self._one_wire = OneWireFolder(self.one_wire_root)
        self._origin_s = origin_s
        random = Random(seed)
        self._wander_phases = (random.uniform(0.0, 2.0 * pi), random.uniform(0.0, 2.0 * pi))

        self.wires = night.electronics.wires
        self._shown_c = [0.0] * len(night.probes)
        self._converter = self._make_converter(random.getrandbits(32))
        self._barometer = self._make_barometer(random.getrandbits(32))
        self.pins = SimPins(
            {
                probe.sensor.select: SimMax31865(self._ohm_of(i, probe.sensor), probe.sensor.reference_ohm)
                for i, probe in enumerate(night.probes)
                if isinstance(probe.sensor, Platinum)
            }
        )
        self.bus = SimBus()
        if isinstance(self._converter, SimMcp):
            self.pins.chips[self.wires.select] = self._converter
        else:
            self.bus.devices[self.wires.address] = self._converter
        if self._barometer is not None:
            self.bus.devices[self.wires.barometer_address] = self._barometer

        self._sensed_k = [self._target_k(probe) for probe in night.probes]
        self._off: set[str] = set()  # probes with a fault
        self._unplugged = False
        self._blocked_gauge_pa: float | None = None
        self._sagged_v: float | None = None
        self._edges: list[tuple[float, bool, SensorFault]] = []
        self.script(*night.faults)
        self._transducer_v = self._supply_v = 0.0
        self._sense(0.0, 0.0)

    def script(self, *faults: SensorFault) -> None:
        """Add faults; times in seconds of the night."""
        for fault in faults:
            self._edges += [(fault.at_s, True, fault), (fault.until_s, False, fault)]
        self._edges.sort(key=lambda edge: -edge[0])  # the next one last

    def open_bus(self, number: int) -> SimBus:
        """Return the I2C bus. Raises FileNotFoundError, as the system does, for one that does not exist."""
        if number not in (self.wires.bus, self.wires.barometer_bus):
            raise FileNotFoundError(2, "No such file or directory", f"/dev/i2c-{number}")
        return self.bus

    def open_pins(self) -> SimPins:
        """Return the pin factory for SPI."""
        return self.pins

    def advance(self, boot_s: float) -> None:
        """Advance to a boot time; do nothing if it has passed."""
        t_s = boot_s - self._origin_s
        step_s = t_s - self.pot.t_s
        if step_s <= 0.0:
            return
        self.pot.advance(t_s)
        self._sense(t_s, step_s)

    def _sense(self, t_s: float, step_s: float) -> None:
        while self._edges and self._edges[-1][0] <= t_s:
            _, begins, fault = self._edges.pop()
            self._switch(fault, begins)
        parts = self.night.electronics
        pot = self.pot
        slow, quick = self._wander_phases
        wander = 0.8 * sin(t_s * (2.0 * pi / 8300.0) + slow) + 0.3 * sin(t_s * (2.0 * pi / 1500.0) + quick)
        supply_v = (
            parts.supply_v + parts.supply_wander_v * wander if self._sagged_v is None else self._sagged_v
        )
        gauge_pa = pot.gauge_pa if self._blocked_gauge_pa is None else self._blocked_gauge_pa
        shown_pa = gauge_pa + parts.zero_pa + parts.drift_pa_per_k * (pot.wall_k - 293.15)
        if self.wires.absolute:
            shown_pa += pot.ambient_pa
        signal_v = self.wires.signal_v(shown_pa / parts.span_pa, supply_v)
        self._supply_v = supply_v
        self._transducer_v = 0.004 if self._unplugged else signal_v
        for i, probe in enumerate(self.night.probes):
            self._sensed_k[i] += (self._target_k(probe) - self._sensed_k[i]) * step_s / (probe.lag_s + step_s)
            celsius = self._shown_c[i] = kelvin_to_celsius(self._sensed_k[i]) + probe.offset_k
            if probe.sensor is None and probe.probe_id not in self._off:
                shown_c = self.probe_tap(probe.probe_id, celsius)
                if shown_c is not None:
                    self._one_wire.set_celsius(probe.probe_id, shown_c, t_s)

    def _target_k(self, probe: Probe) -> float:
        pot = self.pot
        touched_k: float = getattr(pot, f"{probe.place}_k")
        return touched_k + probe.room_share * (pot.room_k - touched_k)

    def _make_converter(self, seed: int) -> SimAds1115 | SimMcp:
        wires, parts = self.wires, self.night.electronics
        inputs: list[Callable[[], float]] = [_grounded] * wires.inputs
        noise_v = [0.0] * wires.inputs
        inputs[wires.channel] = self._transducer_volts
        noise_share = parts.noise_pa / parts.span_pa
        noise_v[wires.channel] = noise_share * wires.volts_over_span(parts.supply_v) * wires.divider
        if wires.supply_channel is not None:
            inputs[wires.supply_channel] = self._supply_volts
            # the converter itself adds no more than one step: 187.5 uV at 6.144 V (SBAS444, table 7-1)
            noise_v[wires.supply_channel] = 187.5e-6
        for i, probe in enumerate(self.night.probes):
            if isinstance(probe.sensor, Thermistor):
                inputs[probe.sensor.channel] = self._volts_of(i, probe.sensor)
                if probe.sensor.supply_channel is not None:
                    inputs[probe.sensor.supply_channel] = self._level(probe.sensor.supply_v)
        if wires.on_spi:
            return SimMcp(inputs, noise_v, wires.reference_v, wires.bits, seed)
        # never busy: the driver waits for the conversion before it reads
        return SimAds1115(inputs, noise_v, seed, busy_polls=0, bits=wires.bits)

    def _make_barometer(self, seed: int) -> SimBmp280 | SimBmp388 | None:
        pressure_pa, celsius = self._barometer_pa, self._room_c
        match self.wires.barometer:
            case "bmp280":
                return SimBmp280(pressure_pa, celsius, seed=seed)
            case "bme280":
                return SimBmp280(pressure_pa, celsius, seed=seed, chip_id=0x60)
            case "bmp388":
                return SimBmp388(pressure_pa, celsius, seed=seed)
            case "bmp390":
                return SimBmp388(pressure_pa, celsius, seed=seed, chip_id=0x60)
            case _:
                return None

    def _volts_of(self, i: int, sensor: Thermistor) -> Callable[[], float]:
        return lambda: 0.0 if self.night.probes[i].probe_id in self._off else sensor.volts(self._shown_c[i])

    def _ohm_of(self, i: int, sensor: Platinum) -> Callable[[], float]:
        return lambda: inf if self.night.probes[i].probe_id in self._off else sensor.ohm(self._shown_c[i])

    @staticmethod
    def _level(volts: float) -> Callable[[], float]:
        return lambda: volts

    def _transducer_volts(self) -> float:
        return self.signal_tap(self._transducer_v) * self.wires.divider

    def _supply_volts(self) -> float:
        return self._supply_v * self.wires.divider

    def _barometer_pa(self) -> float:
        return self.barometer_tap(self.pot.ambient_pa + self.night.electronics.barometer_offset_pa)

    def _room_c(self) -> float:
        return kelvin_to_celsius(self.pot.room_k) + 1.5  # self-heating of the circuit board

    def _switch(self, fault: SensorFault, begins: bool) -> None:
        match fault.kind:
            case FaultKind.TRANSDUCER_UNPLUGGED:
                self._unplugged = begins
            case FaultKind.PORT_BLOCKED:
                self._blocked_gauge_pa = self.pot.gauge_pa if begins else None
            case FaultKind.SUPPLY_SAG:
                self._sagged_v = fault.volts if begins else None
            case FaultKind.CONVERTER_ABSENT:
                if self.wires.on_spi:
                    (self.pins.absent.add if begins else self.pins.absent.discard)(self.wires.select)
                else:
                    self._set_present(self.wires.address, not begins)
            case FaultKind.BAROMETER_ABSENT:
                self._set_present(self.wires.barometer_address, not begins)
            case FaultKind.CONVERTER_STUCK:
                self._converter.stuck = begins
            case FaultKind.BUS_HELD_LOW:
                self.bus.held_low = begins
            case FaultKind.BUS_FLAKY:
                self.bus.fail_every = 7 if begins else 0
            case _:
                self._switch_probe(fault, begins)

    def _set_present(self, address: int, answers: bool) -> None:
        (self.bus.absent.discard if answers else self.bus.absent.add)(address)

    def _switch_probe(self, fault: SensorFault, begins: bool) -> None:
        if not begins:
            self._off.discard(fault.probe_id)
            return
        self._off.add(fault.probe_id)
        if any(probe.probe_id == fault.probe_id and probe.sensor for probe in self.night.probes):
            return  # a thermistor or platinum thermometer: `_off` breaks it
        {
            FaultKind.PROBE_ABSENT: self._one_wire.remove,
            FaultKind.PROBE_POWER_ON: self._one_wire.power_on,
            FaultKind.PROBE_BAD_CRC: self._one_wire.bad_crc,
            FaultKind.PROBE_EMPTY: self._one_wire.empty,
        }[fault.kind](fault.probe_id)


def _grounded() -> float:
    return 0.0


def _as_it_is(value: float) -> float:
    return value


def _as_it_shows(probe_id: str, celsius: float) -> float:
    return celsius
