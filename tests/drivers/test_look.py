"""What answers on the buses: known devices by their registers; nothing else is read or written."""

from pathlib import Path

import pytest

from potvigil.drivers.look import I2cDevice, look
from potvigil.sim.chips import OneWireFolder, SimBus
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import GAS_PROBE_ID, World

PROBE = "28-0316a2794aff"


class Register:
    """A chip by its registers; ids of Bosch BST-BMP280-DS001, BME280-DS002, BMP388-DS001, BMP390-DS002."""

    def __init__(self, values: dict[int, int]) -> None:
        self.values, self.asked, self.written = values, [], []

    def read(self, register: int, length: int) -> list[int]:
        self.asked.append(register)
        return [self.values.get(register, 0)] * length

    def write(self, register: int, data) -> None:
        self.written.append(register)


@pytest.mark.parametrize(
    ("address", "values", "device"),
    [
        (0x48, {}, "ads1115"),
        (0x4B, {}, "ads1115"),
        (0x76, {0xD0: 0x58}, "bmp280"),
        (0x77, {0xD0: 0x60}, "bme280"),
        (0x76, {0x00: 0x50}, "bmp388"),
        (0x77, {0x00: 0x60}, "bmp390"),
        (0x77, {0xD0: 0x55}, ""),  # a BMP180: a device, but not a supported one
    ],
)
def test_a_chip_is_recognised_by_its_register_without_writing(address, values, device, tmp_path) -> None:
    chip = Register(values)
    found = look(lambda number: SimBus({address: chip}), tmp_path, buses=(1,), devices=tmp_path)
    assert found.answers == (I2cDevice(1, address, device),)
    assert chip.written == []


def test_only_addresses_of_known_devices_are_accessed(tmp_path) -> None:
    other = {address: Register({}) for address in range(0x08, 0x78) if address not in range(0x48, 0x4C)}
    known = {0x76, 0x77}
    look(lambda number: SimBus(other), tmp_path, buses=(1,), devices=tmp_path)
    assert {address for address, chip in other.items() if chip.asked} == known


def test_the_devices_of_the_simulated_machine_are_found(tmp_path) -> None:
    world = World(NIGHTS["two-in-the-morning"], tmp_path)
    world.advance(0.0)
    found = look(world.open_bus, world.one_wire_root, buses=(1,), devices=tmp_path)
    assert [each.device for each in found.answers] == ["ads1115", "bmp280"]
    assert all(probe.celsius is not None for probe in found.probes) and found.probes
    assert GAS_PROBE_ID in {probe.rom_id for probe in found.probes} or len(found.probes) >= 1


def test_disabled_buses_are_named_and_unopenable_ones_say_why(tmp_path) -> None:
    assert look(one_wire_root=tmp_path / "none", devices=tmp_path).off == ("I2C", "1-Wire", "SPI")
    (tmp_path / "i2c-1").touch()
    (tmp_path / "spidev0.1").touch()

    def closed(number: int):
        raise PermissionError(13, f"no permission for i2c-{number}")

    found = look(closed, tmp_path, devices=tmp_path)
    assert found.off == () and found.selects == (1,)
    assert len(found.faults) == 1 and "no permission" in found.faults[0]


def test_a_probe_that_does_not_read_is_still_found(tmp_path) -> None:
    root = tmp_path / "w1"
    OneWireFolder(root)
    (root / PROBE).mkdir(parents=True)
    (root / PROBE / "w1_slave").write_text("", encoding="ascii")
    (probe,) = look(one_wire_root=root, devices=tmp_path, buses=()).probes
    assert (probe.rom_id, probe.celsius) == (PROBE, None)
    assert isinstance(root, Path)
