"""The ADS1015 against Texas Instruments SBAS473: 12 bits to the left, data rates of its own."""

import pytest

from potvigil.drivers.converters.ads1115 import ADS1015, config_word, read_mean_count, volts_per_count
from scripted_bus import TableBus


# SBAS473, table of input signal against ideal output code (as repeated in a public forum's answer to "ADS1015
# value range confusion"): >= +FS (2^11 - 1)/2^11, +FS/2^11, 0, -FS/2^11, <= -FS
@pytest.mark.parametrize(
    ("register", "count"),
    [([0x7F, 0xF0], 2047), ([0x00, 0x10], 1), ([0, 0], 0), ([0xFF, 0xF0], -1), ([0x80, 0x00], -2048)],
)
def test_codes_are_left_aligned(register: list[int], count: float) -> None:
    bus = TableBus({(0x48, 0): register})
    assert read_mean_count(bus, 1, 0x48, 0, 4.096, 1, lambda _: None, ADS1015) == count


# SBAS473, LSB size of each range; 3.3 V at 4.096 V is code 1650 (worked in a public answer of TI's engineers)
@pytest.mark.parametrize(("full_scale_v", "lsb_v"), [(6.144, 3e-3), (4.096, 2e-3), (2.048, 1e-3)])
def test_voltage_of_a_count(full_scale_v: float, lsb_v: float) -> None:
    assert volts_per_count(full_scale_v, ADS1015) == pytest.approx(lsb_v, rel=1e-12)


def test_the_published_code_of_three_volts_three() -> None:
    assert 1650 * volts_per_count(4.096, ADS1015) == pytest.approx(3.3)


# SBAS473, config register: DR 000 to 110 = 128, 250, 490, 920, 1600, 2400, 3300 samples/s
@pytest.mark.parametrize(
    ("sps", "dr"), [(128, 0), (250, 1), (490, 2), (920, 3), (1600, 4), (2400, 5), (3300, 6)]
)
def test_data_rates(sps: int, dr: int) -> None:
    assert config_word(0, 6.144, sps, ADS1015) >> 5 & 7 == dr


def test_config_of_the_reading() -> None:
    # OS 1, MUX 110 (AIN2), PGA 001 (4.096 V), MODE 1; DR 001 (250/s), comparator off
    assert config_word(2, 4.096, chip=ADS1015) == 0b1_110_001_1_001_000_11


@pytest.mark.parametrize("sps", [8, 860, 475])
def test_a_data_rate_of_the_other_chip_is_refused(sps: int) -> None:
    with pytest.raises(ValueError, match="the ADS1015 has"):
        config_word(0, 6.144, sps, ADS1015)
