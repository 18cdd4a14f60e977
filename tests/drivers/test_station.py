"""One Sample per pot per tick, whatever the wires do."""

import struct
from pathlib import Path

import pytest

from patience import wait_until
from potvigil.clock import Instant
from potvigil.drivers.buses.i2c import BusError
from potvigil.drivers.converters.converter import Converter
from potvigil.drivers.station import BarometerWiring, PotWiring, Station, open_station
from potvigil.drivers.thermometers.ds18b20 import InlineExecutor
from potvigil.model.reading import Place, Sample, Sensor
from scripted_bus import TableBus

ROOM, GAS = "28-0000000000aa", "28-0000000000bb"
LANTERN = PotWiring("lantern", channel=0, supply_channel=3, probes=((Place.GAS, GAS), (Place.ROOM, ROOM)))
BUOY = PotWiring("buoy", Converter(address=0x49), channel=1, probes=((Place.ROOM, ROOM),))
NO_ANSWER = OSError(121, "Remote I/O error")

# 72 01 = 23.125 C; 5e 01 = 21.875 C
ANSWERS = {
    GAS: "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
    ROOM: "5e 01 ff ff 7f ff ff ff 52 : crc=52 YES\n5e 01 ff ff 7f ff ff ff 52 t=21875\n",
}
# The worked example of BST-BMP280-DS001: 100653.25 Pa
TRIMMING = list(
    struct.pack("<HhhHhhhhhhhh", 27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
)


class Bench:
    """The chips of two pots and a barometer on bus 1, and two thermometers."""

    def __init__(self, root: Path) -> None:
        self.registers: dict[tuple[int, int], list[int] | Exception] = {
            (0x48, 0): [0x5D, 0xC0],
            (0x49, 0): [0x0A, 0x6B],
            (0x76, 0xD0): [0x58],
            (0x76, 0x88): TRIMMING,
            (0x76, 0xF7): [0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00],
        }
        self.root = root
        self.opened: list[TableBus] = []
        self.present = True
        for rom_id, text in ANSWERS.items():
            (root / rom_id).mkdir()
            (root / rom_id / "w1_slave").write_text(text, encoding="ascii")

    def open_bus(self, number: int) -> TableBus:
        if not self.present:
            raise BusError(f"I2C bus {number}: there is no /dev/i2c-{number}")
        self.opened.append(TableBus(self.registers))
        return self.opened[-1]

    def station(self, *pots: PotWiring, barometer: BarometerWiring | None = None) -> Station:
        return open_station(
            pots,
            barometer,
            bus_opener=self.open_bus,
            one_wire_root=self.root,
            executor=InlineExecutor(),
            sleep=lambda _: None,
        )


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def read(station: Station, boot_s: float) -> dict[str, Sample]:
    return dict(station.read(boot_s - 1000.0, Instant(boot_s, 1.7e9 + boot_s)))


def test_every_pot_has_a_sample_with_everything_wired(bench: Bench) -> None:
    station = bench.station(LANTERN, BUOY, barometer=BarometerWiring())
    read(station, 1000.0)
    samples = read(station, 1001.0)
    assert list(samples) == ["lantern", "buoy"]
    lantern, buoy = samples.values()
    assert (lantern.t_s, lantern.utc_s) == (1.0, 1.7e9 + 1001.0)
    assert (lantern.transducer_count, lantern.supply_count) == (24000, 24000)
    assert (lantern.gas_c, lantern.wall_c, lantern.room_c) == (23.125, None, 21.875)
    assert (buoy.transducer_count, buoy.supply_count) == (2667, None)
    assert (buoy.gas_c, buoy.room_c) == (None, 21.875)
    for sample in samples.values():
        assert sample.ambient_pa == pytest.approx(100653.25, abs=0.02)
        assert sample.faults == ()


@pytest.mark.parametrize("place", Place)
def test_a_thermometer_is_read_only_at_its_place(bench: Bench, place: Place) -> None:
    sample = read(bench.station(PotWiring("lantern", probes=((place, GAS),))), 0.0)["lantern"]
    told = {each: getattr(sample, f"{each}_c") for each in Place}
    assert told == {each: 23.125 if each is place else None for each in Place}


def test_a_shared_thermometer_is_read_once(bench: Bench) -> None:
    reads: list[str] = []

    class Counting(InlineExecutor):
        def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
            reads.append(args[1])
            return super().submit(fn, *args, **kwargs)

    station = open_station(
        (LANTERN, BUOY), bus_opener=bench.open_bus, one_wire_root=bench.root, executor=Counting(),
        sleep=lambda _: None,
    )  # fmt: skip
    read(station, 0.0)
    assert sorted(reads) == [ROOM, GAS]


def test_a_dead_converter_affects_only_its_own_pot(bench: Bench) -> None:
    station = bench.station(LANTERN, BUOY)
    bench.registers[0x48, 1] = NO_ANSWER
    lantern, buoy = read(station, 0.0).values()
    assert lantern.transducer_count is None
    assert lantern.gas_c == 23.125
    (fault,) = lantern.faults
    assert fault.sensor is Sensor.TRANSDUCER
    assert "I2C bus 1, address 0x48, register 0x01" in fault.detail
    assert (buoy.transducer_count, buoy.faults) == (2667, ())


def test_a_reconnected_converter_is_read_at_the_next_tick(bench: Bench) -> None:
    station = bench.station(LANTERN)
    read(station, 0.0)
    bench.registers[0x48, 1] = NO_ANSWER
    assert all(read(station, float(s))["lantern"].transducer_count is None for s in range(1, 30))
    bench.registers[0x48, 1] = [0, 0]
    assert read(station, 30.0)["lantern"].transducer_count == 24000
    assert len(bench.opened) <= 5  # reopened now and then, not at every tick


def test_pressure_without_its_wired_supply_is_no_reading(bench: Bench) -> None:
    class SupplyFails(TableBus):
        def write_i2c_block_data(self, address, register, data):  # type: ignore[no-untyped-def]
            if data[0] >> 4 & 0b111 == 4 + 3:  # MUX: AIN3
                raise NO_ANSWER
            super().write_i2c_block_data(address, register, data)

    station = open_station(
        (PotWiring("lantern", supply_channel=3),),
        bus_opener=lambda _: SupplyFails(bench.registers),
        executor=InlineExecutor(),
        sleep=lambda _: None,
    )
    lantern = read(station, 0.0)["lantern"]
    assert (lantern.transducer_count, lantern.supply_count) == (None, None)
    assert len(lantern.faults) == 1


def test_a_lost_bus_loses_its_devices_and_restores_them(bench: Bench) -> None:
    station = bench.station(LANTERN, BUOY, barometer=BarometerWiring())
    bench.present = False
    for boot_s in range(10):
        for sample in read(station, float(boot_s)).values():
            assert sample.transducer_count is None
            assert sample.ambient_pa is None
            assert {fault.sensor for fault in sample.faults} == {Sensor.TRANSDUCER, Sensor.BAROMETER}
            assert all("/dev/i2c-1" in fault.detail for fault in sample.faults)
            assert sample.room_c == 21.875
    bench.present = True
    read(station, 10.0)
    for sample in read(station, 11.0).values():
        assert sample.transducer_count is not None
        assert sample.faults == ()


def test_a_hung_bus_costs_one_transfer_in_ten_seconds(bench: Bench) -> None:
    station = bench.station(LANTERN, BUOY)
    read(station, 0.0)
    bench.registers[0x48, 1] = bench.registers[0x49, 1] = TimeoutError(110, "Connection timed out")
    before = bench.opened[0].calls
    for boot_s in range(20, 30):
        for sample in read(station, float(boot_s)).values():
            assert "timed out" in sample.faults[0].detail
    assert bench.opened[0].calls - before == 1
    assert len(bench.opened) == 1


def test_a_thermometer_fault_names_its_place(bench: Bench) -> None:
    (bench.root / GAS / "w1_slave").write_text("", encoding="ascii")
    lantern = read(bench.station(LANTERN), 0.0)["lantern"]
    (fault,) = lantern.faults
    assert (fault.sensor, fault.place) == (Sensor.THERMOMETER, Place.GAS)
    assert GAS in fault.detail
    assert lantern.transducer_count == 24000


def test_each_wire_is_tried_once_and_named(bench: Bench) -> None:
    station = bench.station(LANTERN, BUOY, barometer=BarometerWiring())
    (bench.root / GAS / "w1_slave").unlink()
    bench.registers[0x49, 0] = NO_ANSWER
    assert [(description, ok) for description, ok, _ in station.probe_each_wire()] == [
        ("lantern: pressure, ADS1115, bus 1, address 0x48, channel 0", True),
        ("lantern: transducer supply, ADS1115, bus 1, address 0x48, channel 3", True),
        ("buoy: pressure, ADS1115, bus 1, address 0x49, channel 1", False),
        (f"thermometer {GAS}", False),
        (f"thermometer {ROOM}", True),
        ("barometer, BMP280, bus 1, address 0x76", True),
    ]
    details = [detail for _, _, detail in station.probe_each_wire()]
    assert details[0] == "24000.0 counts, 4.5000 V"  # 187.5 uV a count
    assert "address 0x49, register 0x00" in details[2]
    assert details[4] == "21.88 °C"
    assert details[5] == "1006.53 hPa, 25.1 °C"
    american = [detail for _, _, detail in station.probe_each_wire("F")]
    assert american[4:] == ["71.37 °F", "1006.53 hPa, 77.1 °F"]


def test_a_missing_bus_fails_each_of_its_wires(bench: Bench) -> None:
    bench.present = False
    station = bench.station(LANTERN, barometer=BarometerWiring())
    outcomes = {description.split(",")[0]: ok for description, ok, _ in station.probe_each_wire()}
    assert outcomes == {
        "lantern: pressure": False,
        "lantern: transducer supply": False,
        f"thermometer {GAS}": True,
        f"thermometer {ROOM}": True,
        "barometer": False,
    }


def test_trying_the_wires_does_not_keep_the_bus_from_coming_back(bench: Bench) -> None:
    bench.present = False
    station = bench.station(LANTERN)
    station.probe_each_wire()
    bench.present = True
    assert read(station, 0.0)["lantern"].transducer_count == 24000


def test_close_closes_the_buses(bench: Bench) -> None:
    station = bench.station(LANTERN)
    read(station, 0.0)
    station.close()
    assert all(bus.closed for bus in bench.opened)


def test_a_separate_thread_reads_the_thermometers(bench: Bench) -> None:
    station = open_station(
        (LANTERN,), bus_opener=bench.open_bus, one_wire_root=bench.root, sleep=lambda _: None
    )
    try:
        wait_until(lambda: read(station, 0.0)["lantern"].gas_c is not None, "never read")
        assert read(station, 0.0)["lantern"].gas_c == 23.125
    finally:
        station.close()


@pytest.mark.parametrize(
    ("pots", "why"),
    [
        ([PotWiring("a", Converter(address=0x76))], "0x48 to 0x4B"),
        ([PotWiring("a", channel=4)], "the ADS1115 has"),
        ([PotWiring("a", supply_channel=9)], "the ADS1115 has"),
        ([PotWiring("a", Converter(full_scale_v=5.0))], "the ADS1115 has"),
        ([PotWiring("a", channel=2, supply_channel=2)], "both pressure and supply"),
        ([PotWiring("a"), PotWiring("b")], "is pot a's"),
        ([PotWiring("a"), PotWiring("a", channel=1)], "same name"),
        ([PotWiring("a", probes=((Place.GAS, GAS), (Place.GAS, ROOM)))], "two thermometers at one place"),
        ([PotWiring("a", probes=((Place.GAS, "10-000000000000"),))], "28-"),
    ],
)
def test_an_impossible_wiring_is_refused(bench: Bench, pots: list[PotWiring], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        bench.station(*pots)
