"""All that is wired to this machine and read: one Sample per pot per tick."""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from potvigil.clock import Instant
from potvigil.core.reading import Fault, Place, Sample, Sensor
from potvigil.inputs import ads1115, bmp280
from potvigil.inputs.bmp280 import Barometer, BarometerError
from potvigil.inputs.ds18b20 import ONE_WIRE_ROOT, Probe, ThermometerError, read_celsius
from potvigil.inputs.i2c import Bus, BusError, BusLine, open_bus
from potvigil.units import PA_PER_HPA

# The supply moves slowly and its noise is small against its 5 V; the pressure needs the averaging, not it.
_SUPPLY_CONVERSIONS = 1


@dataclass(frozen=True, slots=True)
class PotWiring:
    """Where a pot's sensors are connected.

    address, channel, supply_channel: the ADS1115 and its inputs; supply_channel None where the transducer's
    supply is not wired to it. full_scale_v: for both inputs, so that a gain error cancels in their ratio.
    probes: place and ROM id of each thermometer, at most one a place; pots may share one.
    """

    pot_id: str
    bus: int = 1
    address: int = 0x48
    channel: int = 0
    supply_channel: int | None = None
    full_scale_v: float = 6.144
    probes: tuple[tuple[Place, str], ...] = ()


@dataclass(frozen=True, slots=True)
class BarometerWiring:
    """Where the BMP280 is connected."""

    bus: int = 1
    address: int = 0x76


class Station:
    """The open inputs. Made by `open_station`."""

    def __init__(
        self,
        pots: Sequence[PotWiring],
        lines: dict[int, BusLine],
        barometer: BarometerWiring | None,
        probes: dict[str, Probe],
        one_wire_root: Path,
        sleep: Callable[[float], None],
        own_executor: Executor | None,
    ) -> None:
        self._pots = pots
        self._lines = lines
        self._barometer_wiring = barometer
        self._barometer = None if barometer is None else Barometer(lines[barometer.bus], barometer.address)
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
        celsius = {rom_id: probe.latest(now_s) for rom_id, probe in self._probes.items()}
        ambient = (None, None) if self._barometer is None else self._barometer.latest(now_s)
        return [(pot.pot_id, self._sample(pot, t_s, instant, celsius, ambient)) for pot in self._pots]

    def probe_each_wire(self) -> list[tuple[str, bool, str]]:
        """Try each device once, waiting for it; return what it is, whether it answered, and what it said."""
        trials: list[tuple[str, Callable[[], str]]] = []
        for pot in self._pots:
            trials += self._converter_trials(pot)
        for rom_id in self._probes:
            trials.append((f"thermometer {rom_id}", partial(self._try_thermometer, rom_id)))
        if (barometer := self._barometer_wiring) is not None:
            where = f"barometer, bus {barometer.bus}, address 0x{barometer.address:02X}"
            trials.append((where, partial(self._try_barometer, barometer)))
        return [(description, *_outcome(trial)) for description, trial in trials]

    def close(self) -> None:
        """Close all buses. A thermometer's read under way is left to end by itself."""
        for line in self._lines.values():
            line.close()
        if self._own_executor is not None:
            self._own_executor.shutdown(wait=False, cancel_futures=True)

    def _sample(
        self,
        pot: PotWiring,
        t_s: float,
        instant: Instant,
        celsius: dict[str, tuple[float | None, str | None]],
        ambient: tuple[float | None, str | None],
    ) -> Sample:
        faults: list[Fault] = []
        line = self._lines[pot.bus]
        transducer_count = supply_count = None
        try:
            transducer_count, supply_count = self._read_converter(pot, line.acquire(instant.boot_s))
        except BusError as error:
            line.failed(instant.boot_s, error)
            faults.append(Fault(Sensor.TRANSDUCER, str(error)))
        at_place: dict[Place, float | None] = {}
        for place, rom_id in pot.probes:
            at_place[place], fault = celsius[rom_id]
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
            gas_c=at_place.get(Place.GAS),
            wall_c=at_place.get(Place.WALL),
            room_c=at_place.get(Place.ROOM),
            ambient_pa=ambient_pa,
            faults=tuple(faults),
        )

    def _read_converter(self, pot: PotWiring, bus: Bus) -> tuple[float, float | None]:
        """Return both counts or raise: a ratiometric count without its supply is no reading."""
        count = self._mean_count(pot, bus, pot.channel, ads1115.CONVERSIONS)
        if pot.supply_channel is None:
            return count, None
        return count, self._mean_count(pot, bus, pot.supply_channel, _SUPPLY_CONVERSIONS)

    def _mean_count(self, pot: PotWiring, bus: Bus, channel: int, conversions: int) -> float:
        return ads1115.read_mean_count(
            bus, pot.bus, pot.address, channel, pot.full_scale_v, conversions, self._sleep
        )

    def _converter_trials(self, pot: PotWiring) -> list[tuple[str, Callable[[], str]]]:
        channels = {"pressure": pot.channel}
        if pot.supply_channel is not None:
            channels["transducer supply"] = pot.supply_channel
        return [
            (
                f"{pot.pot_id}: {what}, bus {pot.bus}, address 0x{pot.address:02X}, channel {channel}",
                partial(self._try_channel, pot, channel),
            )
            for what, channel in channels.items()
        ]

    def _try_channel(self, pot: PotWiring, channel: int) -> str:
        bus = self._lines[pot.bus].open()
        count = self._mean_count(pot, bus, channel, ads1115.CONVERSIONS)
        return f"{count:.1f} counts, {count * ads1115.volts_per_count(pot.full_scale_v):.4f} V"

    def _try_thermometer(self, rom_id: str) -> str:
        return f"{read_celsius(self._one_wire_root, rom_id):.2f} C"

    def _try_barometer(self, wiring: BarometerWiring) -> str:
        bus = self._lines[wiring.bus].open()
        pressure_pa, celsius = bmp280.measure(bus, wiring.bus, wiring.address, self._sleep)
        return f"{pressure_pa / PA_PER_HPA:.2f} hPa, {celsius:.1f} C"


def open_station(
    pots: Sequence[PotWiring],
    barometer: BarometerWiring | None = None,
    *,
    bus_opener: Callable[[int], Bus] = open_bus,
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
    buses = {pot.bus for pot in pots} | (set() if barometer is None else {barometer.bus})
    rom_ids = dict.fromkeys(rom_id for pot in pots for _, rom_id in pot.probes)
    own_executor = None
    if executor is None:
        executor = own_executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="one-wire")
    return Station(
        pots=tuple(pots),
        lines={number: BusLine(number, bus_opener) for number in sorted(buses)},
        barometer=barometer,
        probes={rom_id: Probe(rom_id, executor, one_wire_root) for rom_id in rom_ids},
        one_wire_root=one_wire_root,
        sleep=sleep,
        own_executor=own_executor,
    )


def _check(pots: Sequence[PotWiring]) -> None:
    taken: dict[tuple[int, int, int], str] = {}
    for pot in pots:
        where = f"pot {pot.pot_id}"
        if pot.address not in ads1115.ADDRESSES:
            raise ValueError(f"{where}: converter address 0x{pot.address:02X}; an ADS1115 has 0x48 to 0x4B")
        try:
            ads1115.config_word(pot.channel, pot.full_scale_v)
            if pot.supply_channel is not None:
                ads1115.config_word(pot.supply_channel, pot.full_scale_v)
        except ValueError as error:
            raise ValueError(f"{where}: {error}") from error
        if pot.supply_channel == pot.channel:
            raise ValueError(f"{where}: channel {pot.channel} for both pressure and supply")
        other = taken.setdefault((pot.bus, pot.address, pot.channel), pot.pot_id)
        if other != pot.pot_id:
            raise ValueError(f"{where}: channel {pot.channel} of 0x{pot.address:02X} is pot {other}'s")
        places = [place for place, _ in pot.probes]
        if len(set(places)) < len(places):
            raise ValueError(f"{where}: two thermometers at one place; one of gas, wall, room each")
    if len({pot.pot_id for pot in pots}) < len(pots):
        raise ValueError("two pots have the same name")


def _outcome(trial: Callable[[], str]) -> tuple[bool, str]:
    try:
        return True, trial()
    except (BusError, BarometerError, ThermometerError) as error:
        return False, str(error)
