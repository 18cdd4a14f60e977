"""A thermistor on a converter's input: its schedule, its supply, and a broken or shorted one."""

import pytest

from potvigil.drivers.buses.i2c import BusLine
from potvigil.drivers.converters.converter import Converter, Converters
from potvigil.drivers.thermometers.ds18b20 import ThermometerError
from potvigil.drivers.thermometers.ntc import NtcProbe, NtcWiring, of_beta, read_divider
from scripted_bus import TableBus

BETA = of_beta(3950.0, 10_000.0)
ADS = Converter(full_scale_v=4.096)
HALF = 1.65 / 125e-6  # half of 3.3 V at 4.096 V full scale


def probe(bus: TableBus, **fields: object) -> NtcProbe:
    wiring = NtcWiring(ADS, 2, BETA, **fields)  # type: ignore[arg-type]
    return NtcProbe(wiring, Converters([ADS], {1: BusLine(1, lambda _: bus)}, lambda: None, lambda _: None))


def answering(count: float) -> TableBus:
    code = round(count)
    return TableBus({(0x48, 0): [code >> 8, code & 0xFF]})


def test_equal_halves_are_25_degrees() -> None:
    assert probe(answering(HALF)).latest(0.0) == (pytest.approx(25.0, abs=0.01), None)


def test_a_thermistor_is_read_every_ten_seconds() -> None:
    bus = answering(HALF)
    watched = probe(bus)
    watched.latest(0.0)
    before = bus.calls
    for now_s in range(1, 10):
        watched.latest(float(now_s))
    assert bus.calls == before
    watched.latest(10.0)
    assert bus.calls > before


def test_a_measured_supply_cancels_its_sag() -> None:
    class Sagging(TableBus):
        def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
            if register == 0:  # MUX 111 is AIN3, the supply: 3.0 V, and half of that on AIN2
                code = 24000 if self.table[0x48, 1][0] >> 4 & 7 == 7 else 12000  # type: ignore[index]
                return [code >> 8, code & 0xFF]
            return super().read_i2c_block_data(address, register, length)

    assert probe(Sagging({}), supply_channel=3).measure() == pytest.approx(25.0, abs=1e-6)
    assert abs(probe(Sagging({})).measure() - 25.0) > 3.0


@pytest.mark.parametrize(
    ("share", "to_ground", "words"),
    [
        (0.999, True, "the thermistor or its wire is broken"),
        (0.001, True, "shorted, or the divider has no supply"),
        (0.001, False, "the thermistor or its wire is broken"),
        (0.999, False, "shorted"),
        (0.988, True, "outside -40 to 125 C"),
        (0.007, True, "outside -40 to 125 C"),
    ],
)
def test_broken_and_shorted_thermistors_are_recognised_on_either_side(
    share: float, to_ground: bool, words: str
) -> None:
    with pytest.raises(ThermometerError, match=words):
        read_divider(share, 10_000.0, to_ground, BETA)


def test_a_dead_bus_is_a_fault_that_names_the_thermistor() -> None:
    bus = TableBus({(0x48, 1): OSError(121, "Remote I/O error")})
    celsius, fault = probe(bus).latest(0.0)
    assert celsius is None
    assert "thermistor, ADS1115, bus 1, address 0x48, channel 2: I2C bus 1" in str(fault)


def test_a_divider_without_supply_is_a_fault() -> None:
    with pytest.raises(ThermometerError, match="no supply"):
        probe(answering(0.0), supply_channel=3).measure()
