"""All that is wired to this machine and read: one Sample per pot per tick."""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from potvigil.clock import Instant
from potvigil.drivers.barometers import barometer as barometers
from potvigil.drivers.barometers.barometer import Barometer
from potvigil.drivers.barometers.errors import BarometerError
from potvigil.drivers.buses.i2c import Bus, BusError, BusLine, open_bus
from potvigil.drivers.buses.spi import PinFactory, system_pins
from potvigil.drivers.converters.converter import CONVERSIONS, Converter, Converters
from potvigil.drivers.thermometers.ds18b20 import ONE_WIRE_ROOT, Probe, ThermometerError, read_celsius
from potvigil.drivers.thermometers.max31865 import RtdProbe, RtdWiring
from potvigil.drivers.thermometers.ntc import BETA_OFF_K, BETA_WITHIN_C, NtcProbe, NtcWiring
from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.units import PA_PER_HPA, celsius_to_kelvin, degrees, degrees_apart

# The supply moves slowly and its noise is small against its 5 V; the pressure needs the averaging, not it.
_SUPPLY_CONVERSIONS = 1


Thermometer = str | NtcWiring | RtdWiring  # str: the ROM id of a DS18B20


@dataclass(frozen=True, slots=True)
class PotWiring:
    """Where a pot's sensors are connected.

    channel, supply_channel: of the converter; supply_channel None where the transducer's supply is not wired
    to it. Both in one range, so that a gain error cancels in their ratio. probes: the thermometers, at most
    one a place; pots may share one.
    """

    pot_id: str
    converter: Converter = field(default_factory=Converter)
    channel: int = 0
    supply_channel: int | None = None
    probes: tuple[tuple[Place, Thermometer], ...] = ()


@dataclass(frozen=True, slots=True)
class BarometerWiring:
    """Which barometer, and where it is connected."""

    bus: int = 1
    address: int = 0x76
    device: str = "bmp280"

    def __str__(self) -> str:
        return f"{self.device.upper()}, bus {self.bus}, address 0x{self.address:02X}"


class Station:
    """The open inputs. Made by `open_station`."""

    def __init__(
        self,
        pots: Sequence[PotWiring],
        lines: dict[int, BusLine[Bus]],
        converters: Converters,
        barometer: BarometerWiring | None,
        probes: dict[Thermometer, Probe | NtcProbe | RtdProbe],
        one_wire_root: Path,
        sleep: Callable[[float], None],
        own_executor: Executor | None,
    ) -> None:
        self._pots = pots
        self._lines = lines
        self._converters = converters
        self._barometer_wiring = barometer
        self._barometer = None
        if barometer is not None:
            self._barometer = Barometer(lines[barometer.bus], barometer.address, barometer.device)
        self._probes = probes
        self._one_wire_root = one_wire_root
        self._sleep = sleep
        self._own_executor = own_executor

    def read(self, t_s: float, instant: Instant) -> list[tuple[str, Sample]]:
        """Read everything once; return pot id and Sample of each pot.

        t_s: on the record's time axis. What could not be read is None in the Sample and named in its faults.
        Never raises for a device: a lost bus is reopened at intervals, for ever.
        """
        now_s = instant.boot_s
        celsius = {wired: probe.latest(now_s) for wired, probe in self._probes.items()}
        ambient = (None, None) if self._barometer is None else self._barometer.latest(now_s)
        return [(pot.pot_id, self._sample(pot, t_s, instant, celsius, ambient)) for pot in self._pots]

    def probe_each_wire(self, temperature_unit: str = "C") -> list[tuple[str, bool, str]]:
        """Try each device once, waiting for it; return its name, whether it answered, and its answer."""
        trials: list[tuple[str, Callable[[], str]]] = []
        for pot in self._pots:
            trials += self._converter_trials(pot)
        for wired, probe in self._probes.items():
            name = f"thermometer {wired}" if isinstance(wired, str) else str(wired)
            trials.append((name, partial(self._try_thermometer, wired, probe, temperature_unit)))
        if (barometer := self._barometer_wiring) is not None:
            trials.append(
                (f"barometer, {barometer}", partial(self._try_barometer, barometer, temperature_unit))
            )
        return [(description, *_outcome(trial)) for description, trial in trials]

    def close(self) -> None:
        """Close all buses. A thermometer read under way is left to finish."""
        self._converters.close()
        for probe in self._probes.values():
            if isinstance(probe, RtdProbe):
                probe.close()
        for line in self._lines.values():
            line.close()
        if self._own_executor is not None:
            self._own_executor.shutdown(wait=False, cancel_futures=True)

    def _sample(
        self,
        pot: PotWiring,
        t_s: float,
        instant: Instant,
        celsius: dict[Thermometer, tuple[float | None, str | None]],
        ambient: tuple[float | None, str | None],
    ) -> Sample:
        faults: list[Fault] = []
        transducer_count = supply_count = None
        try:
            transducer_count, supply_count = self._read_converter(pot, instant.boot_s)
        except BusError as error:
            faults.append(Fault(Sensor.TRANSDUCER, str(error)))
        at_place: dict[str, Any] = {}
        for place, wired in pot.probes:
            at_place[f"{place}_c"], fault = celsius[wired]
            if fault is not None:
                faults.append(Fault(Sensor.THERMOMETER, fault, place))
        ambient_pa, fault = ambient
        if fault is not None:
            faults.append(Fault(Sensor.BAROMETER, fault))
        return Sample(
            t_s=t_s,
            utc_s=instant.utc_s,
            transducer_count=transducer_count,
            supply_count=supply_count,
            ambient_pa=ambient_pa,
            faults=tuple(faults),
            **at_place,
        )

    def _read_converter(self, pot: PotWiring, now_s: float) -> tuple[float, float | None]:
        """Return both counts or raise: a ratiometric count without its supply is not a reading."""
        count = self._converters.mean_count(pot.converter, pot.channel, CONVERSIONS, now_s)
        if pot.supply_channel is None:
            return count, None
        return count, self._converters.mean_count(
            pot.converter, pot.supply_channel, _SUPPLY_CONVERSIONS, now_s
        )

    def _converter_trials(self, pot: PotWiring) -> list[tuple[str, Callable[[], str]]]:
        channels = {"pressure": pot.channel}
        if pot.supply_channel is not None:
            channels["transducer supply"] = pot.supply_channel
        return [
            (
                f"{pot.pot_id}: {what}, {pot.converter}, channel {channel}",
                partial(self._try_channel, pot.converter, channel),
            )
            for what, channel in channels.items()
        ]

    def _try_channel(self, converter: Converter, channel: int) -> str:
        count = self._converters.mean_count(converter, channel, CONVERSIONS)
        return f"{count:.1f} counts, {count * converter.volts_per_count:.4f} V"

    def _try_thermometer(self, wired: Thermometer, probe: Probe | NtcProbe | RtdProbe, unit: str) -> str:
        if isinstance(wired, str):
            return degrees(celsius_to_kelvin(read_celsius(self._one_wire_root, wired)), unit, 2)
        assert not isinstance(probe, Probe)
        by_beta = isinstance(wired, NtcWiring) and wired.by_beta
        within = " and ".join(degrees(celsius_to_kelvin(each), unit) for each in BETA_WITHIN_C)
        off = f"up to {degrees_apart(BETA_OFF_K, unit, 1)} off between {within}"
        doubt = f" (by its beta alone, {off})" if by_beta else ""
        return f"{degrees(celsius_to_kelvin(probe.measure()), unit, 2)}{doubt}"

    def _try_barometer(self, wiring: BarometerWiring, unit: str) -> str:
        bus = self._lines[wiring.bus].open()
        pressure_pa, celsius = barometers.measure(bus, wiring.bus, wiring.address, self._sleep, wiring.device)
        return f"{pressure_pa / PA_PER_HPA:.2f} hPa, {degrees(celsius_to_kelvin(celsius), unit, 1)}"


def open_station(
    pots: Sequence[PotWiring],
    barometer: BarometerWiring | None = None,
    *,
    bus_opener: Callable[[int], Bus] = open_bus,
    pins: Callable[[], PinFactory] = system_pins,
    one_wire_root: Path = ONE_WIRE_ROOT,
    executor: Executor | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> Station:
    """Return the station of this wiring. Raise ValueError for a wiring that cannot be.

    Devices are first spoken to by `read`, so that a watch started after a power cut in the night raises an
    alarm for a missing bus instead of ending. executor: reads the thermometers; None for a thread of the
    station's own (one, since the kernel serves a 1-Wire bus one read at a time).
    """
    _check(pots)
    thermometers = list(dict.fromkeys(wired for pot in pots for _, wired in pot.probes))
    wired = [pot.converter for pot in pots]
    wired += [each.converter for each in thermometers if isinstance(each, NtcWiring)]
    buses = {each.bus for each in wired if each.on_i2c} | (set() if barometer is None else {barometer.bus})
    lines = {number: BusLine(number, bus_opener) for number in sorted(buses)}
    converters = Converters(wired, lines, pins, sleep)
    own_executor = None
    if executor is None:
        executor = own_executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="one-wire")
    probes: dict[Thermometer, Probe | NtcProbe | RtdProbe] = {}
    for each in thermometers:
        if isinstance(each, NtcWiring):
            probes[each] = NtcProbe(each, converters)
        elif isinstance(each, RtdWiring):
            probes[each] = RtdProbe(each, pins, sleep)
        else:
            probes[each] = Probe(each, executor, one_wire_root)
    return Station(
        pots=tuple(pots),
        lines=lines,
        converters=converters,
        barometer=barometer,
        probes=probes,
        one_wire_root=one_wire_root,
        sleep=sleep,
        own_executor=own_executor,
    )


def _check(pots: Sequence[PotWiring]) -> None:
    taken: dict[tuple[tuple[str, int, int], int], str] = {}
    for pot in pots:
        where = f"pot {pot.pot_id}"
        try:
            for channel in (pot.channel, pot.supply_channel):
                if channel is not None:
                    pot.converter.check(channel)
        except ValueError as error:
            raise ValueError(f"{where}: {error}") from error
        if pot.supply_channel == pot.channel:
            raise ValueError(f"{where}: channel {pot.channel} for both pressure and supply")
        other = taken.setdefault((pot.converter.where, pot.channel), pot.pot_id)
        if other != pot.pot_id:
            raise ValueError(f"{where}: channel {pot.channel} of {pot.converter} is pot {other}'s")
        places = [place for place, _ in pot.probes]
        if len(set(places)) < len(places):
            raise ValueError(f"{where}: two thermometers at one place; one of {', '.join(Place)} each")
    if len({pot.pot_id for pot in pots}) < len(pots):
        raise ValueError("two pots have the same name")


def _outcome(trial: Callable[[], str]) -> tuple[bool, str]:
    try:
        return True, trial()
    except (BusError, BarometerError, ThermometerError) as error:
        return False, str(error)
