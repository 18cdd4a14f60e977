"""The ADS1115, a 16-bit converter with four inputs on I2C, and the ADS1015, the same with 12 bits.

Sources: Texas Instruments SBAS444 (ADS111x) and SBAS473 (ADS101x).
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from potvigil.drivers.buses.i2c import Bus, BusError, BusTimeoutError, register_name, transfer_error

ADDRESSES: Final = (0x48, 0x49, 0x4A, 0x4B)  # ADDR pin to GND, VDD, SDA, SCL

_CONVERSION: Final = 0x00
CONFIG_REGISTER: Final = 0x01

_PGA_OF_FULL_SCALE_V: Final = {6.144: 0, 4.096: 1, 2.048: 2, 1.024: 3, 0.512: 4, 0.256: 5}


@dataclass(frozen=True, slots=True)
class AdcModel:
    """bits: of a result, left-aligned in its register of 16. dr_of_sps: its data rates."""

    name: str
    bits: int
    dr_of_sps: dict[int, int]


ADS1115: Final = AdcModel("ADS1115", 16, {8: 0, 16: 1, 32: 2, 64: 3, 128: 4, 250: 5, 475: 6, 860: 7})
ADS1015: Final = AdcModel("ADS1015", 12, {128: 0, 250: 1, 490: 2, 920: 3, 1600: 4, 2400: 5, 3300: 6})
CHIPS: Final = {"ads1115": ADS1115, "ads1015": ADS1015}

# Four conversions at 250/s, each with its three transfers, span about one mains period (20 or 16.7 ms):
# most of the hum caught by the transducer's cable averages out, and a tick spends only some 20 ms here.
DATA_RATE_SPS: Final = 250
CONVERSIONS: Final = 4

# The chip's clock may be 10 % slow (SBAS444, data rate variation).
_CONVERSION_TIME_S: Final = 1.1 / DATA_RATE_SPS
_MAX_POLLS: Final = 10
_POLL_INTERVAL_S: Final = _CONVERSION_TIME_S / 10
_ATTEMPTS: Final = 3  # a single disturbed transfer is common on a long cable, three in a row are not


def volts_per_count(full_scale_v: float, chip: AdcModel = ADS1115) -> float:
    """Return the voltage of one count, V, at a full scale of 6.144, 4.096, 2.048, 1.024, 0.512 or 0.256 V."""
    if full_scale_v not in _PGA_OF_FULL_SCALE_V:
        raise ValueError(
            f"full scale {full_scale_v} V; the {chip.name} has {_listed(_PGA_OF_FULL_SCALE_V)} V"
        )
    return full_scale_v / (1 << chip.bits - 1)


def config_word(
    channel: int, full_scale_v: float, data_rate_sps: int = DATA_RATE_SPS, chip: AdcModel = ADS1115
) -> int:
    """Return the config register that starts one conversion of AIN<channel> (0 to 3) against ground.

    Raise ValueError for a channel, full scale or data rate that the chip does not have.
    """
    if channel not in (0, 1, 2, 3):
        raise ValueError(f"channel {channel}; the {chip.name} has 0, 1, 2, 3")
    if data_rate_sps not in chip.dr_of_sps:
        raise ValueError(
            f"data rate {data_rate_sps}; the {chip.name} has {_listed(chip.dr_of_sps)} samples/s"
        )
    volts_per_count(full_scale_v, chip)
    # bit  15 | 14 13 12 | 11 10 9 |   8  | 7 6 5 |     4     |    3     |    2     |   1 0
    #      OS |   MUX    |   PGA   | MODE |  DR   | COMP_MODE | COMP_POL | COMP_LAT | COMP_QUE
    #      1 = start;  4 + channel = against ground;  1 = single shot;  11 = comparator off
    return (
        1 << 15
        | (4 + channel) << 12
        | _PGA_OF_FULL_SCALE_V[full_scale_v] << 9
        | 1 << 8
        | chip.dr_of_sps[data_rate_sps] << 5
        | 0b11
    )


def read_mean_count(
    bus: Bus,
    bus_number: int,
    address: int,
    channel: int,
    full_scale_v: float,
    conversions: int = CONVERSIONS,
    sleep: Callable[[float], None] = time.sleep,
    chip: AdcModel = ADS1115,
) -> float:
    """Measure AIN<channel> against ground; return the mean count of several conversions.

    From -32768 to 32767, or, of an ADS1015, from -2048 to 2047.
    The end codes mean that the input was beyond the full scale; they are returned as read. `sleep` takes
    seconds. Raise BusError, naming bus, address and register, when a conversion fails three times over, or
    BusTimeoutError at the first time-out of the bus.
    """
    config = config_word(channel, full_scale_v, chip=chip)
    total = 0
    for _ in range(conversions):
        total += _convert_patiently(bus, bus_number, address, config, sleep)
    # An ADS1015's bits stand to the left in the register, with four zeros behind them: 7FF0 is 2047
    return total / conversions / (1 << 16 - chip.bits)


def _convert_patiently(
    bus: Bus, bus_number: int, address: int, config: int, sleep: Callable[[float], None]
) -> int:
    for _ in range(_ATTEMPTS - 1):
        try:
            return _convert(bus, bus_number, address, config, sleep)
        except BusTimeoutError:
            raise
        except BusError:
            sleep(_CONVERSION_TIME_S)  # let a conversion under way finish
    return _convert(bus, bus_number, address, config, sleep)


def _convert(bus: Bus, bus_number: int, address: int, config: int, sleep: Callable[[float], None]) -> int:
    register = CONFIG_REGISTER
    try:
        bus.write_i2c_block_data(address, CONFIG_REGISTER, [config >> 8, config & 0xFF])  # high byte first
        sleep(_CONVERSION_TIME_S)
        for _ in range(_MAX_POLLS):
            high, low = bus.read_i2c_block_data(address, CONFIG_REGISTER, 2)
            if high & 0x80:  # OS reads 1 when no conversion is under way
                break
            sleep(_POLL_INTERVAL_S)
        else:
            raise BusError(
                f"{register_name(bus_number, address, register)}: a conversion did not end within "
                f"{_CONVERSION_TIME_S + _MAX_POLLS * _POLL_INTERVAL_S:.3f} s; check the converter's supply"
            )
        _check_config(bus_number, address, config, high, low)
        register = _CONVERSION
        high, low = bus.read_i2c_block_data(address, _CONVERSION, 2)
        if not high and not low:  # what a reset leaves, be it between those two reads
            register = CONFIG_REGISTER
            _check_config(bus_number, address, config, *bus.read_i2c_block_data(address, CONFIG_REGISTER, 2))
    except BusError:
        raise
    except (OSError, ValueError) as error:
        raise transfer_error(bus_number, address, register, error) from error
    code = high << 8 | low
    return code - 0x10000 if code & 0x8000 else code


def _check_config(bus_number: int, address: int, config: int, high: int, low: int) -> None:
    # Without this a chip that was reset in between passes off its cleared result as 0 V.
    if high << 8 | low != config:
        raise BusError(
            f"{register_name(bus_number, address, CONFIG_REGISTER)}: reads 0x{high:02X}{low:02X} instead of "
            f"0x{config:04X}; it lost its supply, or another program uses it"
        )


def _listed(values: dict[float, int] | dict[int, int]) -> str:
    return ", ".join(str(value) for value in values)
